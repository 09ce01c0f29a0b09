// The protocols page sets, for a row, what several readings make and which chart judges them; the facts, the ledger on the
// exam page and the chart go by it. An unknown rule or chart is refused in words.
import { execFileSync } from 'node:child_process';
import { join } from 'node:path';
import { ask, check, equal, exam, finish, folder, near, objectsByView, open, run, serve } from './browser.mjs';

await finish(async () => {
  const truth = exam('exam', '--seed', '3', '--week', '20w3d', '--quick');
  const { address } = await serve();
  const page = await open(address, { who: 'Lea' });
  await page.click('.exam-card');
  await page.waitForSelector('.exam-page[data-ready="yes"]');
  const exams = page.url(), id = exams.split('/').pop();
  const femur = (await objectsByView(page, truth, id)).find((f) => f.view === 'femur' && f.truth?.geometry);
  const [a, b] = femur.truth.geometry.points;
  const readings = [];
  for (const longer of [0, 3, -2]) { // pixels: three readings of the femur, the last the shortest
    const answer = await page.evaluate(async ([e, body]) => (await fetch(`/api/exams/${e}/measurements`, { method: 'POST',
      headers: { 'Content-Type': 'application/json', 'X-Ogive-Who': 'Lea' }, body: JSON.stringify(body) })).json(),
    [id, { key: `femur-${longer}`, object: femur.id, frame: 0, quantities: ['fl'], fetus: 'A', geometry: { kind: 'distance', points: [a, [b[0] + longer, b[1]]] } }]);
    readings.push(answer.rows[0].id);
  }
  const facts = async () => (await ask(page, `/api/exams/${id}`)).facts;
  const femurOf = (f) => f.values.find((v) => v.key === 'A/fl');
  const before = await facts(), mean = femurOf(before);
  equal(mean.rule, 'mean-of-repeats', 'without a word the mean');
  const values = readings.map((r) => before.ledger.find((x) => x.id === r).value);
  near(mean.value, (values[0] + values[1] + values[2]) / 3, 1e-9, 'mean of three');

  await page.goto(new URL('/protocols', address).href);
  await page.click('nav button:has-text("Second trimester")');
  const row = page.locator('.p-row', { has: page.locator('b', { hasText: /^FL$/ }) });
  await row.locator('select').first().selectOption('last');
  await row.locator('select').nth(1).selectOption('nichd-fl-white');
  await page.click('button.main:has-text("Store it")');
  await page.waitForSelector('button.main:has-text("Stored")');
  const stored = await ask(page, '/api/protocols/second-trimester');
  const kept = stored.groups.flatMap((g) => g.rows ?? []).find((r) => r.quantity === 'fl');
  equal(kept.rule, 'last', 'rule in the record');
  equal(kept.charts.join(), 'nichd-fl-white', 'chart in the record');

  const now = femurOf(await facts());
  equal(now.rule, 'last-of-repeats', 'rule of the value');
  near(now.value, values[2], 1e-9, 'the last reading');
  equal(now.rule_by, 'protocol', 'who says so');
  equal(now.centiles[0].chart, 'nichd-fl-white', 'the chart it is judged by');
  await page.goto(exams);
  await page.waitForSelector('.exam-page[data-ready="yes"]');
  await page.click('.row[data-quantity="fl"] .unfold');
  await page.waitForFunction(() => /last of 3 readings.*the protocol says so/s.test(document.querySelector('.readings')?.textContent ?? ''));
  const pdf = join(folder, 'report.pdf');
  run('report', id, '-o', pdf);
  const words = execFileSync('pdftotext', ['-layout', pdf, '-'], { encoding: 'utf8' }).replace(/\s+/g, ' ');
  check(/Repeated readings: .*FL last of 3 readings.*by the protocol/.test(words), 'the report shows the rule');
  check(/Charts the protocol chose: .*NICHD/.test(words), 'the report shows the chart');
  run('verify', pdf);

  for (const [wrong, says] of [[{ rule: 'median' }, /no rule "median"/], [{ charts: ['no-such'] }, /no-such/], [{ charts: ['nichd-hc-white'] }, /not for fl/]]) {
    const p = structuredClone(stored);
    Object.assign(p.groups.flatMap((g) => g.rows ?? []).find((r) => r.quantity === 'fl'), wrong);
    const answer = await page.evaluate(async (body) => { const r = await fetch('/api/protocols/second-trimester', { method: 'PUT',
      headers: { 'Content-Type': 'application/json', 'X-Ogive-Who': 'Lea' }, body: JSON.stringify(body) }); return [r.status, await r.text()]; }, p);
    check(answer[0] >= 400 && says.test(answer[1].replaceAll('\\"', '"')), `${JSON.stringify(wrong)}: ${answer}`);
  }
  equal(page.troubles.filter((t) => !/4\d\d/.test(t)).join('; '), '', 'troubles on the page');
});
