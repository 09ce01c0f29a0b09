// A full biometry set (BPD, OFD, HC, AC, FL) by hand on the synthetic exam, in at most 14 pointer actions, blind, and
// within the caliper's own SD of the truth. The truth is the phantom's geometry file, not anything the program computed.
import { ask, check, equal, exam, finish, near, objectsByView, onScreen, open, serve, until } from './browser.mjs';

await finish(async () => {
  const truth = exam('exam', '--seed', '11', '--week', '20w3d');
  const { address } = await serve();
  const page = await open(address);
  await page.click('.exam-card');
  await page.waitForSelector('.exam-page[data-ready="yes"]');
  const id = page.url().split('/').pop();
  const files = await objectsByView(page, truth, id);
  const plane = (view) => files.find((f) => f.view === view && f.kind === 'still' && f.truth?.geometry && !f.truth.operator?.burned_in) ?? files.find((f) => f.view === view && f.truth?.geometry);
  let actions = 0;
  const press = async (x, y) => { actions++; await page.mouse.click(x, y); };
  const pressOn = async (selector) => {
    actions++;
    await page.locator(selector).scrollIntoViewIfNeeded();
    await page.click(selector);
  };

  // What the scanner's report said is set aside first, so that every row is measured by hand.
  const { exam: before } = await ask(page, `/api/exams/${id}`);
  const start = new Set(before.ledger.map((r) => r.id));

  for (const [quantity, view, places] of [['hc', 'head', 3], ['ac', 'abdomen', 3], ['fl', 'femur', 2]]) {
    if (quantity === 'hc' || !(await page.locator(`.row.in-hand[data-quantity="${quantity}"]`).count())) await pressOn(`.row[data-quantity="${quantity}"] .row-main`);
    // A row that is chosen brings its picture along at once; two display frames later the page says so.
    await page.evaluate(() => new Promise((done) => requestAnimationFrame(() => requestAnimationFrame(done))));
    const current = await page.locator('.cell').first().getAttribute('data-object');
    const file = files.find((f) => f.id === current && f.view === view && f.truth?.geometry) ?? plane(view);
    check(file, `the phantom has a ${view} plane`);
    if ((await page.locator('.cell').first().getAttribute('data-object')) !== file.id) await pressOn(`.thumb[data-object="${file.id}"]`);
    equal(await page.locator(`.row[data-quantity="${quantity}"] .covered`).count(), 1, `${quantity} is covered while it is measured`);
    const p = file.truth.geometry.points;
    for (let i = 0; i < places; i++) {
      const [x, y] = await onScreen(page, file.id, p[i]);
      await press(x, y);
    }
    equal(await page.locator(`.row[data-quantity="${quantity}"] .covered`).count(), 1, `${quantity} stays covered until it is accepted`);
    await pressOn('.accept');
    // The row was accepted before, from the scanner's report: what counts is the new reading in the record.
    await until(`${quantity} stored`, async () => (await ask(page, `/api/exams/${id}`)).exam.ledger.some((r) => r.quantity === quantity && !start.has(r.id)));
    await page.waitForFunction((q) => !document.querySelector(`.row[data-quantity="${q}"] .covered`), quantity);
    equal(await page.locator('.notice.trouble').count(), 0, 'troubles on the page');
  }
  console.log(`  ${actions} pointer actions`);
  check(actions <= 14, `${actions} pointer actions, 14 are allowed`);

  const { exam: after } = await ask(page, `/api/exams/${id}`);
  const rows = after.ledger.filter((r) => !start.has(r.id));
  const fetus = truth.fetuses[0];
  for (const q of ['hc', 'bpd', 'ofd', 'ac', 'fl']) {
    const row = rows.find((r) => r.quantity === q);
    check(row, `${q} was stored`);
    equal(row.source, 'geometry', `${q} comes from a geometry`);
    equal(row.who, 'Ann Reader', `${q} names its author`);
    equal(row.evidence.how.blind, true, `${q} was measured blind`);
    // The caliper's own SD for a length; a circumference moves by about as much in each axis.
    const caliper = row.evidence.sd.caliper;
    near(row.value, fetus[`${q}_mm`], Math.max(caliper, 0.05), q.toUpperCase());
  }
  equal(page.troubles.join('; '), '', 'nothing went wrong in the page');
});
