// An exam of 60 objects: after walking through all of them the tab holds under 500 MB and the server under 300 MB (limits of
// this project, issue "The stage"). How soon its first picture is on the screen is bench/bench_browser.mjs's to judge.
import { execFileSync } from 'node:child_process';

// The sanitiser's stock of freed memory is no memory of the program's.
process.env.ASAN_OPTIONS = `${process.env.ASAN_OPTIONS ?? ''}:quarantine_size_mb=1:malloc_context_size=2`;
const { check, equal, exam, finish, open, serve, servedPid } = await import('./browser.mjs');

/** Memory of one process that is its own, MB: pages shared with other processes are left out. */
function own(pid) {
  const text = execFileSync('cat', [`/proc/${pid}/status`], { encoding: 'utf8' });
  const of = (name) => Number(new RegExp(`${name}:\\s+(\\d+)`).exec(text)?.[1] ?? 0) / 1024;
  return of('RssAnon') + of('RssShmem');
}

await finish(async () => {
  exam('exam', '--seed', '9', '--week', '21w0d', '--objects', '60');
  const { address } = await serve();
  const page = await open(address);
  await page.click('.exam-card');
  await page.waitForFunction(() => Number(document.querySelector('.cell')?.dataset.shown) >= 0);

  // Every picture once, each awaited.
  await page.waitForSelector('.exam-page[data-ready="yes"]');
  const pictures = await page.locator('.strip button.thumb').count();
  check(pictures >= 55, `${pictures} pictures in the strip`);
  const seen = new Set();
  for (let i = 0; i < 3 * pictures && seen.size < pictures; i++) { // what a picture is taken for may move it on the strip meanwhile
    const was = await page.getAttribute('.cell', 'data-object');
    await page.keyboard.press('PageDown');
    await page.waitForFunction((o) => { const c = document.querySelector('.cell'); return c.dataset.object !== o && Number(c.dataset.shown) >= 0; }, was);
    seen.add(await page.getAttribute('.cell', 'data-object'));
  }
  equal(seen.size, pictures, 'pictures shown');
  const session = await page.context().browser().newBrowserCDPSession();
  const { processInfo } = await session.send('SystemInfo.getProcessInfo');
  const renderers = processInfo.filter((p) => p.type === 'renderer').map((p) => p.id);
  // What waits for the collector is not held: when it runs depends on the machine.
  await (await page.context().newCDPSession(page)).send('HeapProfiler.collectGarbage');
  const tabs = renderers.map(own);
  const server = own(servedPid());
  console.log(`  after ${pictures} pictures: tab ${Math.round(Math.max(...tabs))} MB, server ${Math.round(server)} MB`);
  check(tabs.length > 0 && Math.max(...tabs) < 500, `the tab holds ${Math.round(Math.max(...tabs))} MB`);
  check(server < 300, `the server holds ${Math.round(server)} MB`);
  equal(page.troubles.join('; '), '', 'nothing went wrong in the page');
});
