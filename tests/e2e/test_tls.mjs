// TLS: spoken by the program itself with a certificate made here, or added by a proxy whose name it was told. Cookies are
// Secure in both; other names and pages are refused.
import { execFileSync } from 'node:child_process';
import http from 'node:http';
import https from 'node:https';
import { join } from 'node:path';
import { check, equal, exam, finish, folder, run, serve, skip, stopServing, until } from './browser.mjs';

try { execFileSync('openssl', ['version']); } catch { skip('no openssl to make a certificate with'); }

const ask = (url, { method = 'GET', headers = {}, body } = {}) => new Promise((resolve, reject) => {
  const r = (url.startsWith('https') ? https : http).request(url, { method, rejectUnauthorized: false, headers: { ...headers, ...(body ? { 'Content-Type': 'application/json', 'Content-Length': Buffer.byteLength(body) } : {}) } },
    (a) => { let text = ''; a.on('data', (d) => { text += d; }); a.on('end', () => resolve({ status: a.statusCode, headers: a.headers, text })); });
  r.on('error', reject);
  r.end(body);
});
const enter = { method: 'POST', body: JSON.stringify({ user: 'ada', password: 'correct horse battery' }) };

await finish(async () => {
  exam('one', '--seed', '12', '--week', '21w0d', '--quick');
  run.input = 'correct horse battery\n';
  run('user', 'add', 'ada', '--role', 'administrator', '--name', 'Ada Admin');
  const cert = join(folder, 'cert.pem');
  const key = join(folder, 'key.pem');
  execFileSync('openssl', ['req', '-x509', '-newkey', 'ec', '-pkeyopt', 'ec_paramgen_curve:prime256v1', '-nodes', '-days', '2', '-subj', '/CN=localhost', '-keyout', key, '-out', cert], { stdio: 'pipe' });

  let { address } = await serve(0, '--certificate', cert, '--key', key);
  check(address.startsWith('https://'), `it says so: ${address}`);
  const page = await ask(address);
  equal(page.status, 200, 'the page comes over TLS');
  check(/<div id="app"/.test(page.text), 'and is the page');
  const own = await ask(`${address}api/session`, { ...enter, headers: { Origin: address.slice(0, -1) } });
  equal(own.status, 200, 'logged in');
  check(/HttpOnly; SameSite=Strict; .*; Secure/.test(own.headers['set-cookie'][0]), `the cookie: ${own.headers['set-cookie'][0]}`);
  equal((await ask(`${address}api/session`, { ...enter, headers: { Origin: address.slice(0, -1).replace('https', 'http') } })).status, 403, 'a page without TLS is another page');
  await stopServing();

  let refused;
  try { run('serve', '--port', '0', '--certificate', cert); } catch (e) { refused = e; }
  equal(refused?.status, 3, 'a certificate without its key is refused');
  try { run('serve', '--port', '0', '--certificate', cert, '--key', cert); } catch (e) { refused = e; }
  equal(refused?.status, 3, 'a key that is none is refused');

  ({ address } = await serve(0, '--public', 'https://ogive.clinic.test/'));
  check(address.startsWith('http://'), 'behind a proxy it speaks plainly');
  const named = await ask(`${address}api/session`, { ...enter, headers: { Host: 'ogive.clinic.test', Origin: 'https://ogive.clinic.test', 'X-Forwarded-For': '10.0.0.9' } });
  equal(named.status, 200, 'its public name is its own');
  check(/; Secure$/.test(named.headers['set-cookie'][0]), 'and the cookie is for TLS only');
  equal((await ask(`${address}api/session`, { headers: { Host: 'other.clinic.test' } })).status, 403, 'another name is not');
  equal((await ask(`${address}api/session`, { ...enter, headers: { Host: 'ogive.clinic.test', Origin: 'http://ogive.clinic.test' } })).status, 403, 'nor its page without TLS');
  // Wrong passwords are counted for whoever sent them, not for the proxy.
  const from66 = (body) => ask(`${address}api/session`, { method: 'POST', body, headers: { 'X-Forwarded-For': '10.0.0.66' } }).then((r) => r.status);
  let tries = 0;
  // The first waits are a few seconds: on a busy machine they may be over before the right password is there, and the next is longer.
  await until('that address waits', async () => await from66(JSON.stringify({ user: `nobody${tries++}`, password: 'x' })) === 429 && await from66(enter.body) === 429);
  equal((await ask(`${address}api/session`, { ...enter, headers: { 'X-Forwarded-For': '10.0.0.66, 10.0.0.7' } })).status, 200, 'its neighbour does not');
});
