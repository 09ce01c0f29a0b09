// A 120-frame clip of 1024 x 768 plays at its recorded rate with under 2 % of frames missed, from a ring of fixed size;
// each frame of it is shown; stepping, loop range and speed do what they say. Frames are counted by display callbacks.
import { check, equal, exam, finish, objectsByView, open, serve } from './browser.mjs';

await finish(async () => {
  const truth = exam('exam', '--seed', '5', '--week', '21w0d', '--frames', '120');
  const { address } = await serve();
  const page = await open(address);
  await page.click('.exam-card');
  await page.waitForSelector('.exam-page[data-ready="yes"]');
  const files = await objectsByView(page, truth, page.url().split('/').pop());
  const clip = files.find((f) => f.frames >= 120);
  check(clip, 'the phantom wrote a clip of 120 frames');
  console.log(`  clip of ${clip.frames} frames, ${clip.columns} x ${clip.rows}`);
  await page.click(`.thumb[data-object="${clip.id}"]`);
  await page.waitForSelector('.transport');
  const info = await page.evaluate(async (o) => (await fetch(`/api/objects/${o}`)).json(), clip.id);
  const rate = 1000 / info.picture.frame_ms;
  console.log(`  recorded rate ${rate.toFixed(1)}/s`);

  // Once through, so that every frame is in the tab as it is after a first look.
  await page.keyboard.press(' ');
  await page.waitForTimeout((clip.frames / rate) * 1000 + 1500);
  await page.keyboard.press(' ');

  await page.evaluate(() => {
    window.seen = [];
    const cell = document.querySelector('.cell');
    const watch = (now) => { window.seen.push([now, Number(cell.dataset.shown)]); window.watching = requestAnimationFrame(watch); };
    window.watching = requestAnimationFrame(watch);
  });
  await page.keyboard.press(' ');
  await page.waitForTimeout(6000);
  await page.keyboard.press(' ');
  const seen = await page.evaluate(() => { cancelAnimationFrame(window.watching); return window.seen; });
  const first = seen.findIndex((s, i) => i > 0 && s[1] !== seen[i - 1][1]);
  let last = seen.length - 1;
  while (last > 0 && seen[last][1] === seen[last - 1][1]) last--;
  let missed = 0;
  let due = 0;
  const distinct = new Set();
  for (let i = first; i <= last; i++) {
    const step = (((seen[i][1] - seen[i - 1][1]) % clip.frames) + clip.frames) % clip.frames;
    distinct.add(seen[i][1]);
    due += step;
    if (step > 1) missed += step - 1;
  }
  const seconds = (seen[last][0] - seen[first][0]) / 1000;
  console.log(`  ${due} frames in ${seconds.toFixed(2)} s (${(due / seconds).toFixed(1)}/s), ${missed} missed (${((100 * missed) / due).toFixed(2)} %), ${distinct.size} different`);
  check(Math.abs(due / seconds / rate - 1) < 0.03, `played at ${due / seconds}/s, recorded ${rate}/s`);
  check(missed / due < 0.02, `${missed} of ${due} frames missed`);
  check(distinct.size >= clip.frames - 2, `only ${distinct.size} different frames were shown`);

  // One frame on, one back.
  const shown = () => page.locator('.cell').first().evaluate((e) => Number(e.dataset.shown));
  const settle = async (n) => page.waitForFunction((k) => Number(document.querySelector('.cell').dataset.shown) === k, n);
  const at = await shown();
  await page.keyboard.press('.');
  await settle((at + 1) % clip.frames);
  await page.keyboard.press(',');
  await settle(at);
  // A loop of eleven frames never leaves them.
  await page.locator('.transport input[type="range"]').fill('20');
  await settle(20);
  await page.keyboard.press('[');
  await page.locator('.transport input[type="range"]').fill('30');
  await settle(30);
  await page.keyboard.press(']');
  const inLoop = await page.evaluate(() => new Promise((resolve) => {
    const cell = document.querySelector('.cell');
    const got = new Set();
    let n = 0;
    const watch = () => { got.add(Number(cell.dataset.shown)); if (++n < 90) requestAnimationFrame(watch); else resolve([...got]); };
    document.dispatchEvent(new Event('x'));
    requestAnimationFrame(watch);
    window.dispatchEvent(new KeyboardEvent('keydown', { key: ' ', bubbles: true }));
  }));
  check(inLoop.every((f) => f >= 20 && f <= 30), `the loop left its range: ${inLoop}`);
  check(inLoop.length > 8, `the loop stood still: ${inLoop}`);
  await page.keyboard.press(' ');

  // The ring: never more decoded pictures than its size, whatever was played.
  const ring = await page.locator('.cell').first().evaluate((e) => ({ now: Number(e.dataset.decoded), most: Number(e.dataset.ring) }));
  console.log(`  ring ${ring.now} of ${ring.most} decoded frames`);
  check(ring.now <= ring.most && ring.most * clip.columns * clip.rows * 4 <= 96 * 1048576, `the ring holds ${ring.now} of ${ring.most}`);
  equal(page.troubles.join('; '), '', 'nothing went wrong in the page');
});
