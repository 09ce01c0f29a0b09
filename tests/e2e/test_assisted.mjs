// Head, abdomen and femur measured with the second reader in six actions: propose on the next unread picture, accept, three
// times. Then a slipped caliper is stored by hand and the blind re-read flags it, with both geometries on the picture. The truth
// is the phantom's geometry file.
import { ask, check, counts, equal, exam, finish, near, objectsByView, open, run, serve, until } from './browser.mjs';

await finish(async () => {
  const truth = exam('exam', '--seed', '12', '--week', '26w0d'); // with 11 one head's ends fade and it is refused
  const { address } = await serve();
  const page = await open(address);
  await page.click('.exam-card');
  await page.waitForSelector('.exam-page[data-ready="yes"]');
  const id = page.url().split('/').pop();
  const files = await objectsByView(page, truth, id);
  const { exam: before } = await ask(page, `/api/exams/${id}`);
  const start = new Set(before.ledger.map((r) => r.id));
  const ours = async () => (await ask(page, `/api/exams/${id}`)).exam.ledger.filter((r) => !start.has(r.id));
  await page.waitForFunction(() => Number(document.querySelector('.cell')?.dataset.shown) >= 0);

  let actions = 0;
  const press = async (key) => { actions++; await page.keyboard.press(key); };
  const done = new Set();
  for (let turn = 0; turn < 3; turn++) {
    await press('5');
    await page.waitForSelector('.prompt .accept');
    await counts(page, '.row.in-hand .covered', (n) => n >= 1, 'the value is covered while the proposal is looked at');
    await counts(page, '.overlay .shape.thick', 1, 'the geometry is drawn with its handles');
    const rows = (await ours()).length;
    await press('Enter');
    await until('the reading is stored', async () => (await ours()).length > rows);
    for (const r of await ours()) done.add(r.quantity);
  }
  console.log(`  ${actions} actions: ${[...done].join(', ')}`);
  check(actions <= 6, `${actions} actions, 6 are allowed`);
  const rows = await ours();
  const fetus = truth.fetuses[0];
  for (const q of ['hc', 'bpd', 'ofd', 'ac', 'fl']) {
    const row = rows.find((r) => r.quantity === q);
    check(row, `${q} was stored`);
    // 95 % limits of two observers on the same picture, from the table of quantities.
    near(row.value, fetus[`${q}_mm`], 1.96 * Math.SQRT2 * row.evidence.sd.observer, q.toUpperCase());
    equal(row.source, 'proposed', `${q} says that it was proposed`);
    equal(row.evidence.proposal.adjusted, false, `${q} was accepted as proposed`);
    equal(row.who, 'Ann Reader', `${q} names who accepted it`);
  }

  // Adjusted by hand: the proposal stays beside it.
  const head = files.find((f) => f.view === 'head' && f.id !== rows.find((r) => r.quantity === 'hc').object);
  await page.click(`.thumb[data-object="${head.id}"]`);
  await page.waitForFunction((o) => { const e = document.querySelector('.cell'); return e?.dataset.object === o && Number(e.dataset.shown) >= 0; }, head.id);
  await page.keyboard.press('Escape');
  await page.keyboard.press('3');
  await page.waitForSelector('.prompt .accept');
  for (let i = 0; i < 40; i++) await page.keyboard.press('Shift+ArrowDown'); // the side end, 40 pixels off: a slipped caliper
  const n = (await ours()).length;
  await page.keyboard.press('Enter');
  await until('the slipped reading is stored', async () => (await ours()).length > n);
  const slipped = (await ours()).filter((r) => r.object === head.id).find((r) => r.quantity === 'hc');
  equal(slipped.source, 'geometry', 'a moved geometry is the person’s');
  equal(slipped.evidence.proposal.adjusted, true, 'and says that the proposal was adjusted');
  const after = await ask(page, `/api/exams/${id}`);
  const note = after.exam.notes.find((x) => x.verb === 'second-reading' && x.detail.measurement === slipped.id);
  check(note, 'the blind re-read flags the slipped caliper');
  check(Math.abs(note.detail.second_value - fetus.hc_mm) < Math.abs(slipped.value - fetus.hc_mm), 'the second reading lies nearer to the truth');
  check(note.detail.geometry && note.detail.second_geometry, 'both geometries are kept');
  await page.waitForSelector('.row[data-quantity="hc"] .differs');
  await counts(page, '.second-reading .automatic', (n) => n >= 1, 'the second geometry is drawn');
  for (const r of rows) check(!after.exam.notes.some((x) => x.detail?.measurement === r.id), `${r.quantity} as proposed is not flagged`);

  // Every accepted value was read again, once, and that is on record; the program's agreement with itself proves nothing and is
  // told apart. The department's summary against a computation here.
  const again = after.exam.events.filter((e) => e.verb === 're-read').map((e) => e.detail);
  for (const r of rows.filter((x) => ['hc', 'bpd', 'ofd', 'ac', 'fl'].includes(x.quantity))) {
    const mine = again.filter((d) => d.measurement === r.id);
    equal(mine.length, 1, `${r.quantity} was read again once`);
    equal(mine[0].basis, 'proposed', `${r.quantity}: the program proposed it`);
  }
  const moved = again.find((d) => d.measurement === slipped.id);
  equal(moved.result, 'differs', 'the slipped one differs on record too');
  equal(moved.basis, 'adjusted', 'and says that it began as a proposal');
  const summary = JSON.parse(run('agreement', '--json'));
  const hc = summary.quantities.find((q) => q.quantity === 'hc');
  equal(hc.unchanged_proposals, 1, 'one head was accepted unchanged');
  equal(hc.changed_proposals.differ, 1, 'one changed proposal differs');
  near(hc.changed_proposals.mean_mm, moved.value - moved.second_value, 1e-9, 'its difference');
  check(run('agreement').includes('changed proposals'), 'the summary is readable too');
  await page.click('.row[data-quantity="hc"] .unfold');
  await page.waitForSelector('.row[data-quantity="hc"] .reread');
  equal(page.troubles.join('; '), '', 'nothing went wrong in the page');
});
