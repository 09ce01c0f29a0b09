// Two people at one exam: each sees the other's rows at once, nothing is overwritten unseen, a cable pulled during a
// measurement loses nothing, undo and redo append.
import { ask, counts, equal, exam, finish, objectsByView, onScreen, open, run, serve, until } from './browser.mjs';

await finish(async () => {
  const truth = exam('exam', '--seed', '3', '--week', '22w0d', '--quick');
  const { address } = await serve();
  const ann = await open(address, { who: 'Ann' });
  await ann.click('.exam-card');
  await ann.waitForSelector('.exam-page[data-ready="yes"]');
  const id = ann.url().split('/').pop();
  const bea = await open(ann.url(), { who: 'Bea' });
  await bea.waitForSelector('.exam-page[data-ready="yes"]');
  const files = await objectsByView(ann, truth, id);
  const femur = files.find((f) => f.view === 'femur' && f.truth?.geometry);
  const rows = async (q) => (await ask(ann, `/api/exams/${id}`)).exam.ledger.filter((r) => r.quantity === q && r.source === 'geometry');

  async function measureFemur(page, shift = 0) {
    await page.click('.row[data-quantity="fl"] .row-main');
    await page.click(`.thumb[data-object="${femur.id}"]`);
    for (const p of femur.truth.geometry.points) {
      const [x, y] = await onScreen(page, femur.id, [p[0], p[1] + shift]);
      await page.mouse.click(x, y);
    }
  }

  // Ann measures; Bea's page shows it without being asked.
  await measureFemur(ann);
  const told = bea.waitForSelector('.row.fresh[data-quantity="fl"]');
  await ann.keyboard.press('Enter');
  await told;
  equal((await rows('fl')).length, 1, 'readings of FL');

  // Undo withdraws, redo restores; both are in the record, nothing is gone.
  await ann.keyboard.press('Escape');
  await ann.keyboard.press('Control+z');
  await until('undo', async () => (await rows('fl'))[0].state === 'withdrawn');
  await ann.keyboard.press('Control+y');
  await until('redo', async () => (await rows('fl'))[0].state === 'accepted');
  const [row] = await rows('fl');
  equal(row.events.map((e) => e.state).join(' '), 'withdrawn restored', 'events of the row');

  // A stale tab: Bea hears nothing (her live stream is cut), Ann disputes, then Bea withdraws what she still sees accepted.
  await bea.click('.row[data-quantity="fl"] .unfold');
  await bea.waitForSelector('.reading.accepted');
  await bea.context().route('**/api/exams/*', (r) => r.abort());
  const missed = bea.waitForEvent('requestfailed', (r) => /\/api\/exams\//.test(r.url()));
  await ann.evaluate(async ([r, e, v]) => fetch(`/api/measurements/${r}/events`, { method: 'POST', headers: { 'Content-Type': 'application/json', 'X-Ogive-Who': 'Ann' },
    body: JSON.stringify({ state: 'disputed', why: 'wrong plane', exam: e, version: v }) }), [row.id, id, row.version]);
  await missed;
  await bea.context().unroute('**/api/exams/*');
  const own = bea.locator('.reading', { hasText: 'measured here' }).first();
  await own.getByRole('button', { name: 'Withdraw' }).click();
  await bea.fill('dialog input', 'Better reading exists');
  await bea.click('dialog button.main');
  await bea.waitForSelector('.notice.trouble:has-text("Somebody else changed")');
  const [after] = await rows('fl');
  equal(after.state, 'disputed', 'state after the conflict');
  equal(after.events.at(-1).who, 'Ann', 'the last event is hers');
  await counts(bea, '.reading .tag.disputed', (n) => n > 0, 'the page shows the row as it stands');

  // The network goes between placing and accepting. The reading waits, survives a reload, and is stored once.
  while (await bea.locator('.notice .quiet').count()) await bea.locator('.notice .quiet').first().click();
  await measureFemur(bea, 2);
  await bea.context().setOffline(true);
  await bea.keyboard.press('Enter');
  await bea.waitForFunction(() => JSON.parse(localStorage.getItem('ogive.outbox')).length === 1);
  const waiting = await bea.evaluate(() => JSON.parse(localStorage.getItem('ogive.outbox'))[0]);
  equal(waiting.body.geometry.points.length, 2, 'the geometry is kept');
  await bea.waitForSelector('.offline');
  await bea.context().setOffline(false);
  await bea.waitForFunction(() => JSON.parse(localStorage.getItem('ogive.outbox')).length === 0);
  equal((await rows('fl')).length, 2, 'readings after the network came back');
  // Sent again with the same key, it adds nothing.
  const again = await bea.evaluate(async ([w, e]) => (await fetch(`/api/exams/${e}/measurements`, { method: 'POST', headers: { 'Content-Type': 'application/json', 'X-Ogive-Who': 'Bea' },
    body: JSON.stringify({ ...w.body, key: w.key }) })).status, [waiting, id]);
  equal(again, 201, 'the same request again');
  equal((await rows('fl')).length, 2, 'readings after the same request again');

  // Another program writes to the record: the open page hears of it.
  await ann.evaluate(() => new Promise((opened) => {
    const s = new EventSource('/api/events');
    s.addEventListener('record', () => { window.heard = true; });
    s.addEventListener('open', opened);
  }));
  exam('second', '--seed', '4', '--week', '21w0d', '--quick');
  await until('an import on the command line is heard', () => ann.evaluate(() => window.heard === true));
  run('exams');
  equal([...ann.troubles, ...bea.troubles].filter((t) => !/ERR_|abort|Failed to fetch/.test(t)).join('; '), '', 'nothing went wrong in the pages');
});
