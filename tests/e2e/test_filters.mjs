// Display filters: the picture on the screen changes, what is stored does not; what is on stands on the picture and in the
// evidence of a reading; a preset is kept for the protocol and the scanner.
import { ask, check, equal, exam, finish, near, objectsByView, onScreen, open, serve, until } from './browser.mjs';

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
  await page.waitForTimeout(500); // the picture makes room for the panel
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
  await page.locator('.looks label:has-text("Speckle") input').fill('1');
  await page.waitForSelector('.shown-as.filtered');
  check(/speckle reduced 100 %/.test(await page.textContent('.shown-as.filtered')), 'what is on is said on the picture');
  // Speckle is the spread of grey in tissue that is the same all over.
  await until('the filter shows', async () => (await colours()) < before * 0.9);
  console.log(`  spread of grey ${before.toFixed(1)} before, ${(await colours()).toFixed(1)} after`);
  equal(await stored(), bytes, 'the stored bytes');
  await page.keyboard.press('z');
  await until('as stored again', async () => Math.abs((await colours()) - before) < 0.5);
  await page.keyboard.press('z');
  await page.click('.looks button:has-text("Save preset")');
  await page.waitForSelector('.notice.done');
  equal((await ask(page, '/api/looks')).looks[0].filters.speckle, 1, 'the preset');
  await page.click('.looks button:has-text("All off")');
  await page.click('.looks button:text-is("Preset")');
  await page.waitForSelector('.shown-as.filtered');

  // Measured with the filter on: the same length, and the evidence says so.
  await page.click('.row[data-quantity="fl"] .row-main');
  await page.click(`.thumb[data-object="${femur.id}"]`);
  for (const p of femur.truth.geometry.points) await page.mouse.click(...await onScreen(page, femur.id, p));
  await page.click('.accept');
  const row = async () => (await ask(page, `/api/exams/${id}`)).exam.ledger.find((r) => r.quantity === 'fl' && r.source === 'geometry');
  await until('stored', row);
  const fl = await row();
  near(fl.value, truth.fetuses[0].fl_mm, Math.max(fl.evidence.sd.caliper, 0.05), 'FL with the filter on');
  equal(fl.evidence.how.filters.join(), 'speckle reduced 100 %', 'filters in the evidence');
  const bad = await page.evaluate(async (o) => (await fetch(`/api/objects/${o}/frames/0?filters=${encodeURIComponent('{"speckle":9}')}`)).status, femur.id);
  equal(bad, 422, 'a filter out of range');
  equal(page.troubles.join('; '), '', 'nothing went wrong in the page');
});
