// Prints from the page: contact sheet and parents' page with their controls and live preview, and a real IPP printer on this machine
// (ippeveprinter of Debian's cups-ipp-utils) that receives what the preview shows.
import { execFileSync, spawn } from 'node:child_process';
import { existsSync, mkdirSync, readdirSync, readFileSync, readlinkSync, writeFileSync } from 'node:fs';
import { createServer } from 'node:net';
import { join } from 'node:path';
import { ask, check, equal, exam, finish, folder, open, reads, serve, skip, until } from './browser.mjs';

const peer = ['/usr/sbin/ippeveprinter', '/usr/bin/ippeveprinter'].find(existsSync);
if (!peer || !existsSync('/usr/bin/dbus-daemon')) skip('ippeveprinter or dbus-daemon is not installed (scripts/setup test)');
// The print server of this machine, if there is one, stays out of it.
process.env.CUPS_SERVER = join(folder, 'none.sock');

// Nobody listened on it just now: whoever is to have it must be asked whether it got it.
const freePort = () => new Promise((done) => { const s = createServer(); s.listen(0, '127.0.0.1', () => { const { port } = s.address(); s.close(() => done(port)); }); });
/** Whether that process, and no other, listens on the port (Linux: proc_net(5), proc_pid_fd(5)). */
function listens(pid, port) {
  const held = new Set();
  try {
    for (const fd of readdirSync(`/proc/${pid}/fd`)) try { held.add(readlinkSync(`/proc/${pid}/fd/${fd}`)); } catch { /* closed meanwhile */ }
  } catch { return false; }
  return ['tcp', 'tcp6'].flatMap((t) => readFileSync(`/proc/net/${t}`, 'utf8').trim().split('\n').slice(1)).map((l) => l.trim().split(/\s+/))
    .some((r) => r[3] === '0A' && parseInt(r[1].split(':')[1], 16) === port && held.has(`socket:[${r[9]}]`));
}
const started = [];

async function printer() {
  const [address, pid] = execFileSync('/usr/bin/dbus-daemon', ['--session', '--fork', '--print-address=1', '--print-pid=1'], { encoding: 'utf8' }).trim().split('\n');
  started.push(Number(pid));
  const spool = join(folder, 'spool');
  mkdirSync(spool);
  const does = join(folder, 'does.sh');
  writeFileSync(does, '#!/bin/sh\nexit 0\n', { mode: 0o755 });
  // It cannot choose a port itself and say which: where another program was faster, it ends, and another port is tried.
  let port, p;
  do {
    port = await freePort();
    p = spawn(peer, ['-p', String(port), '-d', spool, '-k', '-r', 'off', '-n', 'localhost', '-c', does, '-f', 'application/pdf', 'Ward'], { env: { ...process.env, DBUS_SYSTEM_BUS_ADDRESS: address }, stdio: 'ignore' });
    await until('the printer', () => p.exitCode !== null || listens(p.pid, port));
  } while (p.exitCode !== null);
  started.push(p.pid);
  return { uri: `ipp://localhost:${port}/ipp/print`, received: () => readdirSync(spool).filter((f) => f.endsWith('.pdf')).map((f) => readFileSync(join(spool, f))) };
}

await finish(async () => {
  try {
    exam('one', '--seed', '12', '--week', '21w0d', '--quick');
    const { address } = await serve();
    const ward = await printer();
    const page = await open(address);
    await page.waitForSelector('.exam-card');
    const { exams } = await ask(page, '/api/exams');
    const id = exams[0].id;
    await page.goto(`${address}exam/${id}/report`);
    /* The preview is the one of this wish, not of the one before. */
    const settled = (...parts) => page.waitForFunction((all) => { const d = document.querySelector('.pages')?.dataset.settled; return d && all.every((x) => d.includes(x)); }, parts);

    // Without a printer: said, and the PDF is there.
    await page.waitForSelector('section[aria-label="Paper"] [role="note"]');
    await reads(page, 'section[aria-label="Paper"]', /No printer: no print server answers/, 'no printer is said');

    // Contact sheet: the grid is chosen on a little sheet, and the preview follows.
    await page.click('.kinds button:has-text("Contact sheet")');
    await settled('contact?');
    const count = () => page.locator('.pages img').count();
    const { facts } = await ask(page, `/api/exams/${id}`);
    const chosen = facts.pictures.filter((p) => p.chosen).length;
    await page.click('.grid-cells button[aria-label="1 across, 1 down"]');
    await settled('columns=1&rows=1');
    equal(await count(), chosen, 'one picture a page');
    await page.click('.grid-cells button[aria-label="4 across, 6 down"]');
    await settled('columns=4&rows=6');
    equal(await count(), Math.ceil(chosen / 24), 'twenty-four a page');
    await page.click('label.switch:has-text("Landscape") input');
    await settled('landscape=1');
    await page.waitForFunction(() => { const i = document.querySelector('.pages img'); return i?.complete && i.naturalWidth > i.naturalHeight; });
    equal(await page.locator('.looking').count(), 0, 'with the name on it, it stays in the house');
    await page.click('label.switch:has-text("With name and date") input');
    await page.waitForSelector('.looking [role="note"]');
    const link = await page.getAttribute('.paper .bar a.button', 'href');
    check(/columns=4/.test(link) && /rows=6/.test(link) && /landscape=1/.test(link) && /anonymous=1/.test(link), `the PDF is the same print: ${link}`);

    // A favourite goes first, and onto the parents' page.
    const last = facts.pictures.filter((p) => p.area).at(-1);
    await page.click(`[data-picture="${last.object}"] [aria-label^="Favourite"]`);
    await page.waitForSelector(`[data-picture="${last.object}"] [aria-label^="Favourite"][aria-pressed="true"]`);
    await page.waitForFunction((o) => document.querySelector('[data-print-picture]')?.dataset.printPicture === o, last.object);
    await page.click('.kinds button:has-text("Parents")');
    await page.waitForFunction((o) => { const l = document.querySelectorAll('[data-print-picture]'); return l.length === 1 && l[0].dataset.printPicture === o; }, last.object);
    await settled('parents?', last.object);
    await page.fill('.looking input', 'Waving to us');
    await page.press('.looking input', 'Tab');
    await settled('captions=', 'Waving');
    const pdf = await page.evaluate(async (a) => [...new Uint8Array(await (await fetch(a)).arrayBuffer())], await page.getAttribute('.paper .bar a.button', 'href'));
    const text = execFileSync('pdftotext', ['-', '-'], { input: Buffer.from(pdf), encoding: 'utf8' });
    check(/Waving to us/.test(text), `the caption is on the page: ${text}`);
    check(!/\d\s*(mm|cm|g|%)\b/.test(text), `no clinical number: ${text}`);
    await page.fill('.looking input', 'Weighs 342 g');
    await page.press('.looking input', 'Tab');
    await page.waitForFunction(() => /has a number in it/.test(document.querySelector('.pages')?.textContent ?? ''));

    // A printer of the set-up, and a real job. The page asks for the printers when the panel is opened.
    equal((await page.evaluate(async (uri) => (await fetch('/api/printers', { method: 'POST', headers: { 'Content-Type': 'application/json', 'X-Ogive-Who': 'Lead' }, body: JSON.stringify({ addresses: [uri] }) })).status, ward.uri)), 200, 'the printer is set up');
    await page.goto(`${address}exam/${id}/report`);
    await page.click('.kinds button:has-text("Parents")');
    await page.waitForSelector('section[aria-label="Paper"] button.main:not([disabled])');
    await settled('parents?', last.object);
    const shown = await page.getAttribute('.paper .bar a.button', 'href');
    await page.click('section[aria-label="Paper"] button.main');
    await reads(page, 'dialog h2', /looked at every picture/, 'a warning before pictures leave');
    await page.click('dialog button.main');
    await page.waitForSelector('[data-job="done"]');
    await reads(page, '[data-job]', /is printed/, 'the end of the job is told');
    await page.waitForSelector('.printed li');
    check(/Parents’ page to Ward.*Ann Reader/.test((await page.textContent('.printed li')).replace(/\s+/g, ' ')), 'who printed what');
    const bytes = Buffer.from(await page.evaluate(async (a) => [...new Uint8Array(await (await fetch(a)).arrayBuffer())], shown));
    equal(ward.received().length, 1, 'one document');
    check(ward.received()[0].equals(bytes), 'the printer got the PDF that the page offers');

    // The report itself.
    await page.click('.kinds button:has-text("Report")');
    await page.click('section[aria-label="Paper"] button.main:has-text("Print the draft")');
    await until('the second document', () => ward.received().length === 2);
    check(page.troubles.length === 0, page.troubles.join('; '));
  } finally {
    for (const pid of started) try { process.kill(pid); } catch { /* gone */ }
  }
});
