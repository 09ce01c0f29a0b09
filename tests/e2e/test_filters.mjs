// Display filters: the picture on the screen changes, what is stored does not; what is on stands on the picture and in the
// evidence of a reading; the key for before and after; a preset is found again after a reload; filters that move edges are
// set aside while calipers are placed, and the edge helper looks at the stored picture.
import { ask, check, equal, exam, finish, fitted, near, objectsByView, onScreen, open, serve, until } from './browser.mjs';

await finish(async () => {
  const truth = exam('exam', '--seed', '8', '--week', '20w0d', '--quick');
  const { address } = await serve();
  const page = await open(address);
  await page.click('.exam-card');
  await page.waitForSelector('.exam-page[data-ready="yes"]');
  const id = page.url().split('/').pop();
  const files = await objectsByView(page, truth, id);
  const femur = files.find((f) => f.view === 'femur' && f.truth?.geometry);
  await page.click(`.thumb[data-object="${femur.id}"]`);
  await page.keyboard.press('u');
  await page.waitForSelector('.looks');
  await fitted(page, femur.columns, femur.rows); // it makes room for the panel
  const spot = await onScreen(page, femur.id, [femur.columns / 2, femur.rows / 3]);
  const colours = () => page.evaluate(([x, y]) => {
    const c = document.querySelector('.cell canvas');
    const r = c.getBoundingClientRect();
    const k = c.width / r.width;
    const d = c.getContext('2d').getImageData((x - r.left) * k - 30, (y - r.top) * k - 30, 60, 60).data;
    let sum = 0;
    let square = 0;
    for (let i = 0; i < d.length; i += 4) { sum += d[i]; square += d[i] * d[i]; }
    const n = d.length / 4;
    return Math.sqrt(square / n - (sum / n) ** 2);
  }, spot);
  const stored = () => page.evaluate(async (o) => {
    const b = await (await fetch(`/api/objects/${o}/frames/0`, { cache: 'no-store' })).arrayBuffer();
    return [...new Uint8Array(await crypto.subtle.digest('SHA-256', b))].join();
  }, femur.id);
  const before = await colours();
  const bytes = await stored();
  const sign = (side) => page.waitForSelector(`.shown-as.filtered[data-side="${side}"]`);

  // By keyboard: the panel took the focus; the space bar flips the switch, the arrow keys move the slider.
  equal(await page.evaluate(() => document.activeElement.textContent), 'Calm speckleoff', 'the focus is in the panel');
  await page.keyboard.press(' ');
  await sign('filtered');
  equal(await page.getAttribute('.look[data-filter="speckle"] [role="switch"]', 'aria-checked'), 'true', 'the switch');
  await page.keyboard.press('Tab');
  const slider = page.locator('.look[data-filter="speckle"] input');
  for (let i = 0; i < 5; i++) await page.keyboard.press('ArrowRight');
  equal(await slider.getAttribute('aria-valuetext'), '100 %', 'the slider by the arrow keys');
  await until('what is on is said on the picture', async () => /speckle reduced 100 %/.test(await page.textContent('.shown-as.filtered')));
  // Speckle is the spread of grey in tissue that is the same all over.
  await until('the filter shows', async () => (await colours()) < before * 0.9);
  const filtered = await colours();
  console.log(`  spread of grey ${before.toFixed(1)} before, ${filtered.toFixed(1)} after`);
  equal(await stored(), bytes, 'the stored bytes');

  // Held, the key shows the stored picture; let go, the filtered one. A tap stays.
  await page.keyboard.down('z');
  await sign('stored');
  near(await colours(), before, 0.5, 'spread of grey while the key is held');
  await page.waitForTimeout(500); // this long a press is no tap
  await page.keyboard.up('z');
  await sign('filtered');
  near(await colours(), filtered, 0.5, 'spread of grey when it is let go');
  const tap = () => page.evaluate(() => { for (const type of ['keydown', 'keyup']) window.dispatchEvent(new KeyboardEvent(type, { key: 'z', bubbles: true })); });
  await tap();
  await sign('stored');
  await page.evaluate(() => new Promise((done) => requestAnimationFrame(() => requestAnimationFrame(done))));
  equal(await page.getAttribute('.shown-as.filtered', 'data-side'), 'stored', 'a tap stays');
  await tap();
  await sign('filtered');
  await page.keyboard.press('Shift+z');
  await sign('both');
  await page.keyboard.press('Shift+z');
  await sign('filtered');

  // Saved under a name, and found again after a reload, when no filter is on.
  await page.fill('.saved input', 'Calm');
  await page.keyboard.press('Enter');
  await page.waitForSelector('.saved .use:text-is("Calm")');
  const { looks } = await ask(page, '/api/looks');
  equal(looks.length, 1, 'presets');
  equal(looks[0].filters.speckle, 1, 'the preset');
  check(looks[0].scanner !== 'any scanner' && looks[0].protocol !== 'any', `the preset is for ${looks[0].protocol} on ${looks[0].scanner}`);
  console.log(`  saved for ${looks[0].protocol} on ${looks[0].scanner}`);
  equal(await page.evaluate(async (l) => (await fetch(`/api/objects/${l[1]}/frames/0?filters=${l[0]}`)).status, [looks[0].id, femur.id]), 200, 'a frame by the id of a preset');
  await page.reload();
  await page.waitForSelector('.exam-page[data-ready="yes"]');
  await page.click(`.thumb[data-object="${femur.id}"]`);
  await onScreen(page, femur.id, [0, 0]);
  equal(await page.locator('.shown-as.filtered').count(), 0, 'filters on after a reload');
  await page.keyboard.press('u');
  await page.click('.saved .use:text-is("Calm")');
  await sign('filtered');
  await until('the preset shows', async () => (await colours()) < before * 0.9);
  equal(await page.getAttribute('.saved .use', 'aria-pressed'), 'true', 'the preset in use is marked');

  // Strong speckle reduction moves edges: the stored picture is shown while calipers are placed, and the evidence names no filter.
  const row = async () => (await ask(page, `/api/exams/${id}`)).exam.ledger.filter((r) => r.quantity === 'fl' && r.source === 'geometry');
  const shownSide = () => page.evaluate(() => document.querySelector('.shown-as.filtered')?.dataset.side ?? null);
  /** `side`: what is to be seen as soon as the calipers are in the hand, and until they are accepted. */
  const measure = async (side) => {
    const had = (await row()).length;
    await page.click('.row[data-quantity="fl"] .row-main');
    await page.click(`.thumb[data-object="${femur.id}"]`);
    await fitted(page, femur.columns, femur.rows);
    await until(`${side} is shown`, async () => await shownSide() === side);
    for (const p of femur.truth.geometry.points) await page.mouse.click(...await onScreen(page, femur.id, p));
    equal(await shownSide(), side, 'shown while calipers are placed');
    await page.click('.accept');
    await until('stored', async () => (await row()).length > had);
    return (await row()).at(-1);
  };
  const strong = await measure('stored');
  equal(strong.evidence.how.looks.length, 0, 'filters in the evidence');
  await page.keyboard.press('Escape');
  await page.keyboard.press('Escape');
  await sign('filtered');

  // Half strength keeps edges: it stays on, the value is that of the geometry, and the evidence holds what was on.
  await slider.fill('0.5');
  await until('half', async () => /speckle reduced 50 %/.test(await page.textContent('.shown-as.filtered')));
  const half = await measure('filtered');
  near(half.value, truth.fetuses[0].fl_mm, Math.max(half.evidence.sd.caliper, 0.05), 'FL with the filter on');
  equal(half.evidence.how.filters.join(), 'speckle reduced 50 %', 'filters in the evidence');
  equal(half.evidence.how.looks[0].speckle, 0.5, 'in full');
  equal(half.evidence.how.looks[0].keeps_edges, true, 'the program agrees that edges stay');
  near(half.value, strong.value, 0.02, 'FL on the filtered picture against the stored one');

  // The edge helper looks at the stored picture: with the filter on and off it puts the ends on the same places.
  await page.keyboard.press('s');
  const helped = await measure('filtered');
  await page.click('.looks button:has-text("All off")');
  const plain = await measure(null);
  check(helped.evidence.how.snap && plain.evidence.how.snap, 'the edge helper was on');
  equal(JSON.stringify(helped.evidence.geometry), JSON.stringify(plain.evidence.geometry), 'ends moved by the edge helper');

  // The window of the screen and inversion are kept with a reading as well; shown plainly, nothing is said.
  equal(plain.evidence.how.window, undefined, 'a plain window in the evidence');
  await page.keyboard.press('i');
  await page.keyboard.press('Shift+ArrowRight');
  const windowed = await measure(null);
  near(windowed.evidence.how.window.slope, 1.15, 1e-9, 'slope of the window in the evidence');
  equal(windowed.evidence.how.window.invert, true, 'inversion in the evidence');
  equal(windowed.evidence.how.window.keeps_edges, true, 'this window moves no edge');
  await page.keyboard.press('i');

  const bad = await page.evaluate(async (o) => (await fetch(`/api/objects/${o}/frames/0?filters=${encodeURIComponent('{"speckle":9}')}`)).status, femur.id);
  equal(bad, 422, 'a filter out of range');
  equal(await stored(), bytes, 'the stored bytes at the end');
  equal(page.troubles.join('; '), '', 'nothing went wrong in the page');
});
