// The page with an exam of 60 objects, in a real browser: time to the first picture, frames one after the other, memory of
// server and tab. Build with --buildtype=release first; OGIVE names the program.
//   OGIVE=build-rel/ogive node bench/bench_browser.mjs
import { execFileSync } from 'node:child_process';
import { check, exam, finish, open, serve, servedPid } from '../tests/e2e/browser.mjs';

const resident = (pid) => Number(/VmRSS:\s+(\d+)/.exec(execFileSync('cat', [`/proc/${pid}/status`], { encoding: 'utf8' }))[1]) / 1024;

await finish(async () => {
  exam('exam', '--seed', '9', '--week', '21w0d', '--objects', '60');
  const { address } = await serve();
  const page = await open(address);
  await page.waitForSelector('.exam-card');
  const started = Date.now();
  await page.click('.exam-card');
  await page.waitForFunction(() => Number(document.querySelector('.cell')?.dataset.shown) >= 0);
  const shown = Date.now() - started;
  const took = () => page.evaluate(() => performance.getEntriesByType('resource').filter((e) => /frames\/\d+$/.test(e.name)).map((e) => e.duration));
  const [first] = await took();
  for (let i = 0; i < 62; i++) {
    await page.keyboard.press('PageDown');
    await page.waitForTimeout(120);
  }
  const all = (await took()).sort((a, b) => a - b);
  const session = await page.context().newCDPSession(page);
  const heap = await session.send('Runtime.getHeapUsage');
  const tabs = execFileSync('ps', ['-eo', 'rss,args'], { encoding: 'utf8' }).split('\n').filter((l) => l.includes('--type=renderer')).map((l) => parseInt(l, 10) / 1024);
  console.log(`first picture: ${Math.round(first)} ms after its request, ${shown} ms after the click on the exam`);
  console.log(`${all.length} pictures: median ${Math.round(all[all.length >> 1])} ms, 95 % within ${Math.round(all[Math.floor(all.length * 0.95)])} ms`);
  check(Math.max(...tabs) < 500 && resident(servedPid()) < 300, 'memory goal: tab under 500 MB, server under 300 MB');
  if (first > 200) console.log('first picture later than the goal of 200 ms: look at the load of this machine');
  console.log(`memory: server ${Math.round(resident(servedPid()))} MB, tab ${Math.round(Math.max(...tabs))} MB (script heap ${(heap.usedSize / 1e6).toFixed(1)} MB)`);
});
