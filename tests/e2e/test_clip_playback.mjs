// A clip plays at its recorded rate from a ring of fixed size: at each moment the frame of that moment is shown, late frames
// are left out and never slow it down; stepping, loop range and speed do what they say; filtered, the first pass waits for frames
// that are being computed and leaves none out, and the loop then holds its rate. The page's clock is in the test's hand, so
// that nothing here depends on how fast the machine is; how smoothly a clip plays is bench/bench_playback.mjs's to judge.
import { check, equal, finish, near, open, run, serve, until } from './browser.mjs';
import { loopOver, openClip, reduceSpeckle, slide } from './clips.mjs';

const RATE = 40;

/**
 * `stopClock` stops the page's clock, `moveClock` moves it on; with `window.perDisplayFrame` (ms) each display frame moves it.
 * A picture takes `window.decodeTakes` (ms) to decode by that clock, however long it really takes: the clock waits for it.
 */
function clockInHand() {
  const real = performance.now.bind(performance);
  const display = window.requestAnimationFrame.bind(window);
  const decoding = new Set();
  let stopped;
  let moved = -1;
  performance.now = () => stopped ?? real();
  window.requestAnimationFrame = (f) => display((t) => {
    const on = stopped + (window.perDisplayFrame ?? 0);
    if (stopped !== undefined && t !== moved && ![...decoding].some((one) => one.end < on)) {
      moved = t;
      stopped = on;
    }
    f(stopped ?? t);
  });
  window.stopClock = () => { stopped = performance.now(); };
  window.moveClock = (ms) => { stopped += ms; };
  const decode = window.createImageBitmap.bind(window);
  window.createImageBitmap = async (...about) => {
    const one = { end: performance.now() + (window.decodeTakes ?? 0) };
    decoding.add(one);
    try {
      const picture = await decode(...about);
      decoding.delete(one);
      while (window.decodeTakes && performance.now() < one.end) await new Promise(display);
      return picture;
    } finally {
      decoding.delete(one);
    }
  };
}

await finish(async () => {
  run('init');
  const { address } = await serve();
  const page = await open(address);
  await page.addInitScript(clockInHand);
  const clip = await openClip(page, RATE);
  near(clip.rate, RATE, 0.001, 'recorded rate');
  const step = 1000 / RATE;
  const cell = (name) => page.locator('.cell').first().evaluate((e, n) => Number(e.dataset[n]), name);
  const settle = (n) => page.waitForFunction((k) => Number(document.querySelector('.cell').dataset.shown) === k, n);
  const move = (ms) => page.evaluate((t) => window.moveClock(t), ms);
  const ring = async () => {
    const [now, most] = [await cell('decoded'), await cell('ring')];
    check(now <= most && most * clip.columns * clip.rows * 4 <= 160 * 1048576, `the ring holds ${now} of ${most}`);
    return `${now} of ${most}`;
  };
  /** Plays `n` frames from the one shown: after each frame's time exactly that frame comes. */
  const follow = async (n, from, to, ms = step) => {
    const at = await cell('shown');
    await page.keyboard.press(' ');
    await page.waitForSelector('.transport button[aria-pressed="true"]');
    for (let k = 1; k <= n; k++) {
      await move(ms);
      await settle(from + ((at - from + k) % (to - from + 1)));
      if (k % 10 === 0) await ring();
    }
    await page.keyboard.press(' ');
    await page.waitForSelector('.transport button.main[aria-pressed="false"]');
  };

  // Without the hand on the clock: it runs, and every frame comes into the tab.
  await page.mouse.click(300, 300);
  await page.keyboard.press(' ');
  await until('every frame in the tab', async () => await cell('kept') === clip.frames);
  await until('it goes round', () => page.evaluate(() => { window.seen ??= new Set(); window.seen.add(document.querySelector('.cell').dataset.shown); return window.seen.size > 8; }));
  await page.keyboard.press(' ');

  // As stored: every frame of one round and a little more, each in its time.
  await page.evaluate(() => window.stopClock());
  await slide(page, 0);
  await follow(clip.frames + 5, 0, clip.frames - 1);
  console.log(`  ring ${await ring()} decoded frames`);
  // Late frames are left out: seven frame times at once are seven frames on.
  const late = await cell('shown');
  await page.keyboard.press(' ');
  await page.waitForSelector('.transport button[aria-pressed="true"]');
  await move(step);
  await settle(late + 1);
  await move(7 * step);
  await settle(late + 8);
  await page.keyboard.press(' ');
  // A computer that takes 100 ms for a frame, two at a time, decodes 20 of 40 a second: what is shown, with what the ring
  // still holds, is even, and the page says how many. One that takes 60 ms decodes more than it shows, which fills the ring:
  // what is soon due stays in it.
  for (const takes of [100, 60]) {
    await page.evaluate((ms) => { window.decodeTakes = ms; window.perDisplayFrame = 1000 / 60; }, takes);
    await page.keyboard.press(' ');
    await page.waitForSelector('.transport [data-why="decoded"]');
    const gaps = await page.evaluate((n) => new Promise((resolve) => {
      const e = document.querySelector('.cell');
      const seen = [];
      const watch = () => {
        const f = Number(e.dataset.shown);
        if (seen.at(-1) !== f) seen.push(f);
        if (seen.length < 80) requestAnimationFrame(watch);
        else resolve(seen.slice(31).map((s, i) => (s - seen[30 + i] + n) % n));
      };
      watch();
    }), clip.frames);
    // With 100 ms two are decoded in the time of four frames: each third frame with a little to spare.
    const mean = gaps.reduce((sum, g) => sum + g) / gaps.length;
    console.log(`  ${takes} ms to decode: ${mean.toFixed(1)} frames on each time (${gaps}); said: ${await page.locator('[data-why]').textContent()}`);
    check(mean > 1.3 && Math.max(...gaps) <= 6, `not left out evenly: ${gaps}`); // not evenly, there are gaps of 20
    await page.keyboard.press(' ');
  }
  await page.evaluate(() => { window.decodeTakes = window.perDisplayFrame = 0; });
  await slide(page, 0);
  // At half its speed a frame takes twice its time.
  await page.selectOption('.transport .speed select', '0.5');
  await follow(6, 0, clip.frames - 1, 2 * step);
  await page.selectOption('.transport .speed select', '1');

  // One frame on, one back.
  const at = await cell('shown');
  await page.keyboard.press('.');
  await settle((at + 1) % clip.frames);
  await page.keyboard.press(',');
  await settle(at);
  // A loop of eleven frames never leaves them.
  await loopOver(page, 20, 30);
  await follow(25, 20, 30);

  // With filters on, the first pass waits for frames that are still being computed, leaves none out, and says its pace. The
  // clock goes on with every display frame, as on a display of 60 a second. The loop is a third of the clip.
  await slide(page, 20);
  await page.keyboard.press('\\');
  await loopOver(page, 0, 39);
  await reduceSpeckle(page);
  await page.evaluate(() => {
    const e = document.querySelector('.cell');
    window.seen = [];
    window.paces = new Set();
    const watch = () => {
      const f = Number(e.dataset.shown);
      if (window.seen.at(-1) !== f) window.seen.push(f);
      const pace = document.querySelector('[data-pace]')?.dataset.pace;
      if (pace) window.paces.add(pace);
      window.most = Math.max(window.most ?? 0, Number(e.dataset.decoded));
      if (window.seen.length <= 40) requestAnimationFrame(watch);
    };
    window.perDisplayFrame = 1000 / 60;
    requestAnimationFrame(watch);
  });
  await page.mouse.click(300, 300);
  await page.keyboard.press(' ');
  await until('a first pass with filters on', () => page.evaluate(() => Number(document.querySelector('.cell').dataset.kept) === 40 && window.seen.length > 40));
  const pass = await page.evaluate(() => ({ seen: window.seen.slice(0, 40), paces: [...window.paces], most: window.most }));
  console.log(`  first filtered pass of 40 frames, said paces ${pass.paces.join(', ') || 'none'}; at most ${pass.most} decoded`);
  equal(pass.seen.filter((f, i) => i > 0 && f !== pass.seen[i - 1] + 1).length, 0, `frames left out on the first pass: ${pass.seen}`);
  check(pass.most * clip.columns * clip.rows * 4 <= 160 * 1048576, `${pass.most} decoded frames`);
  await page.waitForSelector('.shown-as .dim:has-text("compressed while playing")');
  await page.evaluate(() => { window.perDisplayFrame = 0; });
  await page.keyboard.press(' ');

  // Afterwards the loop holds its rate like any other clip: each frame in its time, and no pace is said any more.
  await slide(page, 0);
  await follow(85, 0, 39);
  equal(await page.locator('[data-pace]').count(), 0, 'a pace is said at the full rate');
  // Paused, the frame is the lossless one: nobody measures on a compressed picture.
  await until('lossless again', async () => (await page.locator('.shown-as .dim').count()) === 0);
  equal(page.troubles.join('; '), '', 'nothing went wrong in the page');
});
