// The exam from its arrival to the signed report: at most 25 actions, nothing typed. With AT_PACE=1 (bench/bench_arrival.sh)
// it goes at a human pace, and there are no more than two minutes between the last picture and the signature. Pace: keystroke-level
// model (Card, Moran and Newell, CACM 1980;23:396-410): 1.35 s to decide, 1.1 s to point, 0.2 s to press, for each action; and
// 20 s to read the report.
import { writeFileSync } from 'node:fs';
import { join } from 'node:path';
import { ask, check, equal, finish, folder, open, run, serve } from './browser.mjs';

const atPace = process.env.AT_PACE === '1';
const PACE_MS = atPace ? 2650 : 0;
const READING_MS = atPace ? 20000 : 0;

await finish(async () => {
  run('init');
  const out = join(folder, 'export');
  run('phantom', '--seed', '11', '--week', '20w3d', '--quick', out);
  const { address } = await serve();
  const page = await open(address);
  await page.evaluate(() => { window.addEventListener('keydown', () => { window.keysPressed = (window.keysPressed ?? 0) + 1; }, true); });
  let actions = 0;
  let begun = 0;
  const act = async (fn) => {
    actions++;
    if (begun) await page.waitForTimeout(PACE_MS);
    await fn();
  };
  const click = (selector) => act(async () => { const l = page.locator(selector).first(); await l.scrollIntoViewIfNeeded(); await l.click(); });

  await act(() => page.locator('.door input[type=file]').first().setInputFiles(out));
  await page.waitForSelector('.exam-card');
  begun = Date.now(); // the last picture is in the record
  await click('.exam-card');
  await page.waitForSelector('.exam-page[data-ready="yes"]');
  const id = page.url().split('/').pop();
  await click('.views button:has-text("Coverage")');
  await page.waitForSelector('.coverage-group');
  for (;;) {
    const left = await page.locator('.all-normal').count();
    if (!left) break;
    await click('.all-normal');
    await page.waitForFunction((n) => document.querySelectorAll('.all-normal').length < n, left);
  }
  for (;;) {
    const row = page.locator('[data-row][data-state="missing"]').first();
    if (!await row.count()) break;
    const quantity = await row.getAttribute('data-row');
    await click(`[data-row="${quantity}"] button:has-text("Why not")`);
    await click('dialog .choices button:has-text("fetal position")');
    await click('dialog button.main');
    await page.waitForSelector(`[data-row="${quantity}"][data-state="not-done"]`);
  }
  await click('.views button:has-text("Report")');
  await click('[data-open="dating-proposed"] button');
  await page.waitForFunction(() => !document.querySelector('[data-open]') && document.querySelector('.sign-button:not([disabled])'));
  await page.waitForFunction(() => document.querySelector('.page')?.complete);
  await page.waitForTimeout(READING_MS);
  await click('.sign-button');
  await click('dialog button.main');
  await page.waitForSelector('.reports li[data-state="signed"]');
  const seconds = (Date.now() - begun) / 1000;
  console.log(`  ${actions} actions; ${seconds.toFixed(0)} s from the last picture to the signature`);
  check(actions <= 25, `${actions} actions, 25 are allowed`);
  check(!atPace || seconds <= 120, `${seconds.toFixed(0)} s, 120 are allowed`);

  const { exam } = await ask(page, `/api/exams/${id}`);
  equal(exam.ledger.filter((r) => r.source === 'typed').length, 0, 'no value was typed');
  equal(await page.evaluate(() => window.keysPressed ?? 0), 0, 'keys pressed');
  equal(exam.reports.length, 1, 'one report');
  equal(exam.reports[0].signatures[0].who, 'Ann Reader', 'the signer');
  const { createHash } = await import('node:crypto');
  const bytes = Buffer.from(await page.evaluate(async (r) => [...new Uint8Array(await (await fetch(`/api/reports/${r}/report.pdf`)).arrayBuffer())], exam.reports[0].id));
  equal(createHash('sha256').update(bytes).digest('hex'), exam.reports[0].sha256, 'the hash shown is that of the bytes');
  check((await page.textContent('.reports .hash')).includes(exam.reports[0].sha256), 'the hash stands on the page');
  const file = join(folder, 'report.pdf');
  writeFileSync(file, bytes);
  const verified = JSON.parse(run('verify', file, '--json'));
  equal(verified.holds, true, 'ogive verify holds');
  equal(page.troubles.join('; '), '', 'nothing went wrong in the page');
});
