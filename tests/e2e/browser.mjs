// What the browser tests share: a record with a synthetic exam, the program serving it, a real Chromium.
import { execFileSync, spawn } from 'node:child_process';
import { existsSync, mkdtempSync, readFileSync, rmSync } from 'node:fs';
import { createRequire } from 'node:module';
import { tmpdir } from 'node:os';
import { join } from 'node:path';

const root = process.env.SOURCE_ROOT ?? process.cwd();
const ogive = process.env.OGIVE ?? join(root, 'build/ogive');
const require = createRequire(join(root, 'web/node_modules/'));

export function skip(why) {
  console.log(`skipped: ${why}`);
  process.exit(77);
}

const executablePath = ['/usr/bin/chromium', '/usr/bin/chromium-browser'].find(existsSync);
if (!executablePath) skip('no chromium on this machine');
if (!existsSync(ogive)) skip('the program is not built');
const { chromium } = require('playwright-core');

export function equal(a, b, what) {
  if (a !== b) throw new Error(`${what}: ${JSON.stringify(a)} is not ${JSON.stringify(b)}`);
}
export function check(ok, what) {
  if (!ok) throw new Error(what);
}
export function near(a, b, within, what) {
  if (!(Math.abs(a - b) <= within)) throw new Error(`${what}: ${a} is not within ${within} of ${b}`);
  console.log(`  ${what}: ${a.toFixed(2)} (truth ${b.toFixed(2)}, within ${within.toFixed(2)})`);
}

// How long anything may take. No test judges the speed of the machine it runs on: this only ends one that would wait for ever.
const LIMIT_MS = 180000;

export const folder = mkdtempSync(join(tmpdir(), 'ogive-e2e-'));
export const home = join(folder, 'record');
const env = { ...process.env, OGIVE_HOME: home, ASAN_OPTIONS: `${process.env.ASAN_OPTIONS ?? ''}:detect_leaks=0` };
let served;
let browser;

/** `run.input`: what the next call reads from its standard input. */
export function run(...args) {
  const { input } = run;
  run.input = undefined;
  return execFileSync(ogive, args, { env, input, encoding: 'utf8', maxBuffer: 64 << 20 });
}

/** Writes a synthetic exam, takes it into the record and returns its truth. */
export function exam(name, ...options) {
  if (!existsSync(home)) run('init');
  const out = join(folder, name);
  run('phantom', ...options, out);
  run('import', out);
  return JSON.parse(readFileSync(join(out, 'truth.json'), 'utf8'));
}

export async function serve(port = 0, ...more) {
  served = spawn(ogive, ['serve', '--port', String(port), '--json', ...more], { env, stdio: ['ignore', 'pipe', 'inherit'] });
  const said = await new Promise((resolve, reject) => {
    let text = '';
    served.stdout.on('data', (d) => {
      text += d;
      try { resolve(JSON.parse(text)); } catch { /* more to come */ }
    });
    served.on('exit', (code) => reject(new Error(`ogive serve ended with ${code}`)));
  });
  return said;
}

export const servedPid = () => served?.pid;

export async function stopServing() {
  const done = new Promise((resolve) => served.once('exit', (code, signal) => resolve({ code, signal })));
  served.kill('SIGTERM');
  const end = await done;
  served = undefined;
  return end;
}

export async function open(address, { width = 1366, height = 768, who = 'Ann Reader', touch = false } = {}) {
  browser ??= await chromium.launch({ executablePath, args: ['--no-sandbox', '--disable-gpu', '--disable-quic', '--no-first-run',
    '--disable-background-networking', '--disable-component-update', '--disable-sync'] });
  const context = await browser.newContext({ viewport: { width, height }, hasTouch: touch });
  const page = await context.newPage();
  page.setDefaultTimeout(LIMIT_MS);
  // E2E_SLOW=6: the page's own thread six times slower than this machine, to find what depends on its speed.
  if (process.env.E2E_SLOW) await (await context.newCDPSession(page)).send('Emulation.setCPUThrottlingRate', { rate: Number(process.env.E2E_SLOW) });
  page.troubles = [];
  page.on('pageerror', (e) => page.troubles.push(`page: ${e.message}`));
  page.on('console', (m) => { if (m.type() === 'error' && !/Failed to load resource/.test(m.text())) page.troubles.push(`console: ${m.text()}`); });
  // What the page takes away by itself after some seconds (a notice with its Undo, the mark of a fresh row) waits for a slow machine.
  await page.addInitScript(() => {
    const wait = window.setTimeout;
    window.setTimeout = (f, ms, ...more) => wait(f, ms >= 5000 && ms < 10000 ? ms * 60 : ms, ...more);
  });
  await page.addInitScript((name) => { if (!localStorage.getItem('ogive.who')) localStorage.setItem('ogive.who', name); }, who);
  await page.goto(address);
  return page;
}

export const ask = (page, path) => page.evaluate(async (p) => (await fetch(p)).json(), path);

/** Asks again until the answer is true. */
export async function until(what, question) {
  const end = Date.now() + LIMIT_MS;
  while (!await question()) {
    if (Date.now() > end) throw new Error(`${what}: not within ${LIMIT_MS / 1000} s`);
    await new Promise((r) => setTimeout(r, 120));
  }
}

/** What stands in an element comes to say `wanted` (words or a pattern). */
export async function reads(page, selector, wanted, what) {
  let last;
  const says = async () => {
    last = await page.locator(selector).first().textContent();
    return typeof wanted === 'string' ? last.includes(wanted) : wanted.test(last);
  };
  await until(what, says).catch((e) => { throw new Error(`${e.message}; ${selector} says: ${last}`); });
}

/** There come to be as many elements as wanted (a number, or a question about it). */
export async function counts(page, selector, wanted, what) {
  let n;
  const many = async () => { n = await page.locator(selector).count(); return typeof wanted === 'function' ? wanted(n) : n === wanted; };
  await until(what, many).catch((e) => { throw new Error(`${e.message}; there are ${n} of ${selector}`); });
}

/** Objects of the exam on the page by the truth's view name. */
export async function objectsByView(page, truth, id) {
  const { exam: e } = await ask(page, `/api/exams/${id}`);
  const byInstance = new Map(e.objects.map((o) => [o.instance, o.id]));
  return truth.files.filter((f) => byInstance.has(f.sop_instance)).map((f) => ({ ...f, id: byInstance.get(f.sop_instance) }));
}

/** Takes in what lies in a folder and opens its exam on the page. `made`: instances by the name the test gives them; `object` has
 * their ids, `show` brings one into the first cell. */
export async function openMade(out, made) {
  run('init');
  run('import', out);
  const { address } = await serve();
  const page = await open(address);
  await page.click('.exam-card');
  await page.waitForSelector('.exam-page[data-ready="yes"]');
  const id = page.url().split('/').pop();
  const { exam: e } = await ask(page, `/api/exams/${id}`);
  const object = Object.fromEntries(Object.entries(made).map(([name, instance]) => [name, e.objects.find((o) => o.instance === instance)?.id]));
  const show = async (name) => {
    check(object[name], `${name} was taken in`);
    await page.click(`.thumb[data-object="${object[name]}"]`);
    await page.waitForFunction((o) => { const c = document.querySelector('.cell'); return c.dataset.object === o && Number(c.dataset.shown) >= 0; }, object[name]);
  };
  return { page, id, exam: e, object, show };
}

/** Where a picture point lies on the screen, from what the cell says of its view. */
export async function onScreen(page, object, [x, y], cell = 0) {
  const box = page.locator('.cell').nth(cell);
  await page.waitForFunction(([o, c]) => { const e = document.querySelectorAll('.cell')[c]; return e?.dataset.object === o && Number(e.dataset.shown) >= 0; }, [object, cell]);
  return box.evaluate((e, p) => {
    const r = e.getBoundingClientRect();
    const scale = Number(e.dataset.scale);
    return [r.left + (p[0] + 0.5) * scale + Number(e.dataset.x), r.top + (p[1] + 0.5) * scale + Number(e.dataset.y)];
  }, [x, y]);
}

/** The picture of the first cell fills its place again, as after a panel was opened beside it. */
export const fitted = (page, columns, rows) => page.waitForFunction(([c, r]) => {
  const e = document.querySelector('.cell');
  const { width, height } = e.getBoundingClientRect();
  const [scale, x, y] = [e.dataset.scale, e.dataset.x, e.dataset.y].map(Number);
  return Math.abs(2 * x + c * scale - width) < 3 && Math.abs(2 * y + r * scale - height) < 3 && (Math.abs(x) < 2 || Math.abs(y) < 2);
}, [columns, rows]);

export async function finish(test) {
  let failed = false;
  try {
    await test();
    console.log('passed');
  } catch (e) {
    failed = true;
    console.log(`FAILED: ${e.stack ?? e}`);
    if (process.env.E2E_PICTURE && browser) for (const c of browser.contexts()) for (const p of c.pages()) await p.screenshot({ path: process.env.E2E_PICTURE });
  } finally {
    await browser?.close();
    if (served) await stopServing();
    rmSync(folder, { recursive: true, force: true });
  }
  process.exit(failed ? 1 : 0);
}
