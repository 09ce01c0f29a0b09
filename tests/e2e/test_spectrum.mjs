// A spectrum of the synthetic exam: proposed with one key, its vessel said with one key, accepted with one key; its rows near
// the phantom's truth; corrected by hand with the automatic curve kept; a notch marked; the report's check names a changed
// envelope. The truth is the phantom's file, not anything the program computed.
import { ask, check, counts, equal, exam, finish, near, objectsByView, onScreen, open, reads, serve, until } from './browser.mjs';

await finish(async () => {
  const truth = exam('exam', '--seed', '21', '--week', '30w0d');
  const { address } = await serve();
  const page = await open(address);
  await page.click('.exam-card');
  await page.waitForSelector('.exam-page[data-ready="yes"]');
  const id = page.url().split('/').pop();
  const files = (await objectsByView(page, truth, id)).filter((f) => f.kind === 'spectrum');
  const of = (view) => files.filter((f) => f.view.includes(view));
  console.log(`  spectra: ${files.map((f) => f.view).join(', ')}`);
  const show = async (file) => {
    await page.click(`.thumb[data-object="${file.id}"]`);
    await page.waitForFunction((o) => { const e = document.querySelector('.cell'); return e?.dataset.object === o && Number(e.dataset.shown) >= 0; }, file.id);
  };
  const rowsOf = async (file) => (await ask(page, `/api/exams/${id}`)).exam.ledger.filter((r) => r.object === file.id && r.evidence.type === 'spectrum' && !r.superseded_by);
  const idle = () => page.waitForSelector('.proposal[data-kind="spectrum"][data-busy="no"]');
  const stored = (file, n) => until('the rows are stored', async () => (await rowsOf(file)).length >= n);

  // Three keys: propose, umbilical, accept.
  const ua = of('umbilical')[0];
  check(ua, 'the phantom has an umbilical spectrum');
  await show(ua);
  await page.keyboard.press('3');
  await idle();
  equal(await page.getAttribute('.proposal', 'data-accepted'), 'yes', 'the spectrum is read');
  await counts(page, '.proposal-layer .envelope', 1, 'the envelope is drawn');
  await counts(page, '.proposal-layer .cycle', (n) => n >= 3, 'cycles are marked');
  await page.keyboard.press('Enter');
  await reads(page, '.proposal .said', /which vessel/, 'without a vessel nothing is stored');
  await page.keyboard.press('u');
  await page.waitForSelector('.proposal .sites [data-site="umbilical-artery"][aria-pressed="true"]');
  await page.waitForSelector('.proposed-values [data-quantity="ua-pi"]');
  await idle();
  equal(await page.locator('.proposed-values .covered').count() >= 5, true, 'values stay covered until accepted');
  await page.keyboard.press('Enter');
  await stored(ua, 6);
  let rows = await rowsOf(ua);
  const pi = rows.find((r) => r.quantity === 'ua-pi');
  near(pi.value, ua.truth.pi, 0.03 * ua.truth.pi, 'UA PI');
  near(rows.find((r) => r.quantity === 'ua-psv').value, ua.truth.psv_cm_s, 0.05 * ua.truth.psv_cm_s, 'UA PSV');
  equal(pi.source, 'proposed', 'an untouched tracing says that it was proposed');
  equal(pi.who, 'Ann Reader', 'and who accepted it');
  equal(pi.evidence.how.blind, true, 'accepted blind');
  check(pi.evidence.geometry.points.length > 200, 'the evidence holds the envelope');

  // The other vessels, and the notch.
  for (const [view, key, site, quantity] of [['middle cerebral', 'm', 'middle-cerebral-artery', 'mca-pi'], ['uterine artery, left', 'l', 'uterine-artery-left', 'uta-pi-left'], ['uterine artery, right', 'r', 'uterine-artery-right', 'uta-pi-right']]) {
    const file = files.find((f) => f.view.toLowerCase().includes(view.split(',')[0].split(' ')[0]) && (!view.includes(',') || f.view.toLowerCase().includes(view.split(', ')[1])));
    if (!file) { console.log(`  no ${view} in this exam`); continue; }
    await show(file);
    await page.keyboard.press('3');
    await idle();
    await page.keyboard.press(key);
    await page.waitForSelector(`.proposal .sites [data-site="${site}"][aria-pressed="true"]`);
    await page.waitForSelector(`.proposed-values [data-quantity="${quantity}"]`);
    await idle();
    if (quantity === 'uta-pi-left') await page.keyboard.press('p');
    await page.keyboard.press('Enter');
    await stored(file, 1);
    const row = (await rowsOf(file)).find((r) => r.quantity === quantity);
    near(row.value, file.truth.pi, 0.05 * file.truth.pi, quantity);
    equal(row.fetus, quantity.startsWith('uta') ? '' : 'A', `${quantity} belongs to ${quantity.startsWith('uta') ? 'no fetus' : 'the fetus'}`);
  }
  const after = await ask(page, `/api/exams/${id}`);
  const notch = after.exam.findings.find((f) => f.structure === 'uterine-notch-left');
  if (of('uterine').length) equal(notch?.state, 'abnormal', 'the notch is a finding');
  check(after.facts.values.some((v) => v.quantity === 'cpr'), 'the cerebroplacental ratio follows');

  // In- and outflow of the left ventricle: offered with the tracing, read, accepted and in the report.
  const heart = of('inflow')[0];
  check(heart, 'the phantom has in- and outflow of the left ventricle');
  await show(heart);
  await page.keyboard.press('3');
  await page.waitForSelector('.proposal[data-kind="spectrum"] .offered');
  await page.keyboard.press('v');
  await page.waitForSelector('.proposal[data-kind="av-interval"][data-accepted="yes"][data-busy="no"]');
  await page.keyboard.press('Enter');
  const interval = async () => (await ask(page, `/api/exams/${id}`)).exam.ledger.find((r) => r.object === heart.id && r.quantity === 'av-interval');
  await until('the interval is stored', async () => Boolean(await interval()));
  near((await interval()).value, heart.truth.av_ms, 8, 'AV interval (ms)');
  const paper = (await ask(page, `/api/exams/${id}`)).facts.values.find((v) => v.quantity === 'av-interval');
  equal(paper?.text, (await interval()).value.toFixed(0), 'the report has the interval');

  // By hand: a stretch is drawn anew, the automatic curve stays dashed, and the reading says that it was adjusted.
  await show(ua);
  await page.keyboard.press('3');
  await idle();
  await page.keyboard.press('u');
  await page.waitForSelector('.proposed-values [data-quantity="ua-pi"]');
  await idle();
  const [x0, y0] = await onScreen(page, ua.id, pi.evidence.geometry.points[150]);
  await page.mouse.move(x0, y0 - 12);
  await page.mouse.down();
  await page.mouse.move(x0 + 30, y0 - 14, { steps: 5 });
  await page.mouse.up();
  await page.waitForSelector('.proposal[data-edits="1"][data-busy="no"]');
  await counts(page, '.proposal-layer .automatic', 1, 'the automatic curve stays beside the corrected one');
  await page.keyboard.press('Enter');
  await page.click('.choices button');
  await page.click('dialog button.main');
  await until('the correction is stored', async () => (await rowsOf(ua)).some((r) => r.evidence.proposal.adjusted));
  rows = await rowsOf(ua);
  const corrected = rows.find((r) => r.quantity === 'ua-pi');
  equal(corrected.source, 'geometry', 'a corrected tracing is the person’s');
  equal(corrected.supersedes, pi.id, 'it supersedes the first');
  equal(corrected.evidence.proposal.edits.length, 1, 'the edit is kept');
  check(/^\d{4}-\d\d-\d\dT.*Z$/.test(corrected.evidence.proposal.edits[0].at) && 'who' in corrected.evidence.proposal.edits[0], 'with its time and author');
  equal(JSON.stringify(corrected.evidence.proposal.geometry.points), JSON.stringify(pi.evidence.geometry.points), 'and the automatic curve too');
  check(Math.abs(corrected.value - pi.value) > 1e-6, 'the value follows the corrected curve');
  equal(page.troubles.join('; '), '', 'nothing went wrong in the page');
});
