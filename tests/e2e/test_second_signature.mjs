// Two people sign: the lead asks for it in the protocol; a reporter signs first and is not offered the second place; two
// others press at once, one is under the report and the other is told; both names are in print and the report verifies.
import { execFileSync } from 'node:child_process';
import { writeFileSync } from 'node:fs';
import { join } from 'node:path';
import { ask, check, equal, exam, finish, folder, open, reads, run, serve } from './browser.mjs';

const words = { ada: 'correct horse battery', lea: 'seven quiet ferries', rae: 'nine orange lanterns', rob: 'four tall windmills' };

async function entered(address, user) {
  const page = await open(address, { who: '' });
  await page.fill('.log-in input[name="user"]', user);
  await page.fill('.log-in input[name="password"]', words[user]);
  await page.click('.log-in button.main');
  await page.waitForSelector('.log-in', { state: 'detached' });
  return page;
}

await finish(async () => {
  exam('one', '--seed', '12', '--week', '21w0d', '--quick');
  for (const [user, name, role] of [['ada', 'Ada Admin', 'administrator'], ['lea', 'Lea Lead', 'lead'], ['rae', 'Rae Reporter', 'reporter'], ['rob', 'Rob Reader', 'reporter']]) {
    run.input = `${words[user]}\n`;
    run('user', 'add', user, '--role', role, '--name', name);
  }
  const { address } = await serve();

  const lea = await entered(`${address}protocols`, 'lea');
  await lea.click('nav button:has-text("Second trimester")');
  await lea.check('input[name="second"]');
  await lea.click('.p-head button.main');
  await lea.waitForSelector('.p-head button.main:has-text("Stored")');
  equal((await ask(lea, '/api/protocols/second-trimester')).second_signature, true, 'the protocol asks for two');

  const rae = await entered(address, 'rae');
  const { exams } = await ask(rae, '/api/exams');
  const id = exams[0].id;
  const post = (page, path, body) => page.evaluate(async ([p, b]) => {
    const r = await fetch(p, { method: 'POST', headers: { 'Content-Type': 'application/json', 'X-Ogive-Who': localStorage.getItem('ogive.who') }, body: JSON.stringify(b) });
    return r.status;
  }, [path, body]);
  const { facts } = await ask(rae, `/api/exams/${id}`);
  const items = facts.coverage.structures.filter((x) => x.required).map((x) => ({ fetus: x.fetus, structure: x.structure, state: 'normal' }));
  items.push(...facts.coverage.rows.filter((r) => r.required && r.state === 'missing').map((r) => ({ fetus: r.fetus, structure: `measure:${r.quantity}`, state: 'not-seen', reason: 'shadow' })));
  equal(await post(rae, `/api/exams/${id}/findings`, { items }), 201, 'coverage');
  equal(await post(rae, `/api/exams/${id}/dating`, {}), 200, 'dating');
  await rae.goto(`${address}exam/${id}/report`);
  await rae.click('.sign-button:not([disabled])');
  await reads(rae, 'dialog', /asks for a second signature/, 'the first is told that a second is asked for');
  await rae.click('dialog button.main');
  await rae.waitForSelector('.reports li[data-state="signed"]:has-text("awaits the second signature")');
  equal(await rae.locator('button:has-text("Second signature…")').count(), 0, 'not offered to the first');
  await reads(rae, '.reports', /Another person signs second/, 'and it says who may');

  // Two others at once.
  const rob = await entered(`${address}exam/${id}/report`, 'rob');
  await lea.goto(`${address}exam/${id}/report`);
  for (const page of [rob, lea]) { await page.click('button:has-text("Second signature…")'); await page.waitForSelector('dialog button.main'); }
  await rob.click('dialog button.main');
  await rob.waitForSelector('.reports li[data-report="2"][data-state="signed"]');
  await lea.click('dialog button.main');
  await lea.waitForSelector('.notice.trouble');
  await reads(lea, '.notice.trouble', /replaced meanwhile/, 'the other is told');
  await lea.waitForSelector('.reports li[data-report="2"][data-state="signed"]');
  equal(await lea.locator('button:has-text("Second signature…")').count(), 0, 'nothing is left to sign');

  const { exam: after } = await ask(rob, `/api/exams/${id}`);
  equal(after.reports.map((r) => r.state).join(), 'amended,signed', 'the first edition stays, the complete one stands');
  const file = join(folder, 'report.pdf');
  writeFileSync(file, Buffer.from(await rob.evaluate(async (r) => [...new Uint8Array(await (await fetch(`/api/reports/${r}/report.pdf`)).arrayBuffer())], after.reports[1].id)));
  equal(JSON.parse(run('verify', file, '--json')).holds, true, 'it verifies');
  const text = execFileSync('pdftotext', ['-layout', file, '-'], { encoding: 'utf8' });
  check(/Rae Reporter/.test(text) && /Rob Reader/.test(text), 'both names are in print');
  check(!/awaits/i.test(text), 'and it awaits nothing');
  equal([lea, rae, rob].flatMap((p) => p.troubles).join('; '), '', 'nothing went wrong in the pages');
});
