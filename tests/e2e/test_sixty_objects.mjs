// An exam of 60 objects: its first picture is on the screen within 200 ms of its request on loopback, and after walking
// through all of them the tab holds under 500 MB and the server under 300 MB (limits of this project, issue "The stage").
// Times are the best of several tries and are judged by the share of a processor that a busy loop gets at that moment: a
// slow program is slow each time and on a quiet machine, where the share is whole; a busy machine is not blamed on it.
import { execFileSync } from 'node:child_process';

// The sanitiser's stock of freed memory is no memory of the program's.
process.env.ASAN_OPTIONS = `${process.env.ASAN_OPTIONS ?? ''}:quarantine_size_mb=1:malloc_context_size=2`;
const { check, equal, exam, finish, open, serve, servedPid } = await import('./browser.mjs');

const TRIES = 12;
const WITHIN_MS = 200;

/** Memory of one process that is its own, MB: pages shared with other processes are left out. */
function own(pid) {
  const text = execFileSync('cat', [`/proc/${pid}/status`], { encoding: 'utf8' });
  const of = (name) => Number(new RegExp(`${name}:\\s+(\\d+)`).exec(text)?.[1] ?? 0) / 1024;
  return of('RssAnon') + of('RssShmem');
}

/** Wall time over processor time of a busy loop: 1 on a quiet machine. */
function slowness() {
  const cpu = process.cpuUsage();
  const wall = process.hrtime.bigint();
  let used;
  do { for (let i = 0; i < 1e5; i++); used = process.cpuUsage(cpu); } while (used.user + used.system < 60000);
  return Math.max(1, Number(process.hrtime.bigint() - wall) / 1000 / (used.user + used.system));
}

await finish(async () => {
  exam('exam', '--seed', '9', '--week', '21w0d', '--objects', '60');
  const { address } = await serve();
  let best = { request: Infinity, painted: Infinity };
  let page;
  for (let k = 0; k < TRIES && !(best.painted < WITHIN_MS && best.request < WITHIN_MS); k++) {
    await page?.context().close(); // a new tab knows nothing of the pictures
    page = await open(address);
    await page.addInitScript(() => {
      const look = () => {
        if (Number(document.querySelector('.cell')?.dataset.shown ?? -1) >= 0) window.paintedAt ??= performance.now();
        else requestAnimationFrame(look);
      };
      requestAnimationFrame(look);
    });
    await page.waitForSelector('.exam-card');
    const before = slowness();
    await page.goto(`${address.replace(/\/$/, '')}${await page.getAttribute('.exam-card', 'href')}`);
    await page.waitForFunction(() => window.paintedAt !== undefined);
    const r = await page.evaluate(() => {
      const e = performance.getEntriesByType('resource').find((x) => /frames\/\d+$/.test(x.name));
      return { request: e.responseEnd - e.startTime, painted: window.paintedAt - e.startTime };
    });
    const slow = (before + slowness()) / 2;
    console.log(`  first picture: bytes ${Math.round(r.request)} ms, on the screen ${Math.round(r.painted)} ms after its request; this machine ${slow.toFixed(1)} times slower than alone`);
    best = { request: Math.min(best.request, r.request / slow), painted: Math.min(best.painted, r.painted / slow) };
  }
  check(best.request < WITHIN_MS, `the server took ${Math.round(best.request)} ms at best for the first picture`);
  check(best.painted < WITHIN_MS, `the first picture was on the screen after ${Math.round(best.painted)} ms at best`);

  // Every picture once, each awaited.
  await page.waitForSelector('.exam-page[data-ready="yes"]');
  const pictures = await page.locator('.strip button.thumb').count();
  check(pictures >= 55, `${pictures} pictures in the strip`);
  const seen = new Set();
  for (let i = 0; i < pictures; i++) {
    const was = await page.getAttribute('.cell', 'data-object');
    await page.keyboard.press('PageDown');
    await page.waitForFunction((o) => { const c = document.querySelector('.cell'); return c.dataset.object !== o && Number(c.dataset.shown) >= 0; }, was);
    seen.add(await page.getAttribute('.cell', 'data-object'));
  }
  equal(seen.size, pictures, 'pictures shown');
  const session = await page.context().browser().newBrowserCDPSession();
  const { processInfo } = await session.send('SystemInfo.getProcessInfo');
  const tabs = processInfo.filter((p) => p.type === 'renderer').map((p) => own(p.id));
  const server = own(servedPid());
  console.log(`  after ${pictures} pictures: tab ${Math.round(Math.max(...tabs))} MB, server ${Math.round(server)} MB`);
  check(tabs.length > 0 && Math.max(...tabs) < 500, `the tab holds ${Math.round(Math.max(...tabs))} MB`);
  check(server < 300, `the server holds ${Math.round(server)} MB`);
  equal(page.troubles.join('; '), '', 'nothing went wrong in the page');
});
