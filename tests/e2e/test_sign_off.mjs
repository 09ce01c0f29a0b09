// Two people at one report: both look, one signs, the other is told; words changed keep their numbers; a picture deleted
// after it was chosen; an amendment with its difference; signers with names in Arabic, Devanagari and Chinese.
import { execFileSync } from 'node:child_process';
import { writeFileSync } from 'node:fs';
import { join } from 'node:path';
import { ask, check, equal, exam, finish, folder, open, reads, run, serve } from './browser.mjs';

const names = ['سلمى الحداد', 'सीता देवी', '王芳'];

await finish(async () => {
  exam('one', '--seed', '12', '--week', '21w0d', '--quick');
  const { address } = await serve();
  const first = await open(address, { who: names[0] });
  await first.waitForSelector('.exam-card');
  const { exams } = await ask(first, '/api/exams');
  const id = exams[0].id;
  const post = (page, path, body, method = 'POST') => page.evaluate(async ([p, b, m]) => {
    const r = await fetch(p, { method: m, headers: { 'Content-Type': 'application/json', 'X-Ogive-Who': encodeURIComponent(localStorage.getItem('ogive.who')) }, body: JSON.stringify(b) });
    return { status: r.status, ...(await r.json()) };
  }, [path, body, method]);

  // Nothing is recorded yet: the button is shut, and the server refuses by name whoever asks it past the page.
  await first.goto(`${address}exam/${id}/report`);
  await first.waitForSelector('[data-open="structure-missing"]');
  check(await first.locator('.sign-button').isDisabled(), 'the button is shut while something is open');
  let s = await ask(first, `/api/exams/${id}/sign`);
  const refused = await post(first, `/api/exams/${id}/sign`, { seen: s.seen });
  equal(refused.status, 400, 'the server refuses too');
  check(/Transcerebellar diameter is required/.test(refused.error.what) && /more/.test(refused.error.what), `names what is missing: ${refused.error.what}`);

  const { facts } = await ask(first, `/api/exams/${id}`);
  const items = facts.coverage.structures.filter((x) => x.required).map((x) => ({ fetus: x.fetus, structure: x.structure, state: 'normal' }));
  items.push(...facts.coverage.rows.filter((r) => r.required && r.state === 'missing').map((r) => ({ fetus: r.fetus, structure: `measure:${r.quantity}`, state: 'not-seen', reason: 'shadow' })));
  equal((await post(first, `/api/exams/${id}/findings`, { items })).status, 201, 'coverage stored');
  await first.click('[data-open="dating-proposed"] button');
  await first.waitForFunction(() => document.querySelector('.sign-button:not([disabled])'));

  // A sentence is changed: its words, not its number.
  await first.click('.sentence[data-sentence="A/efw"] button:has-text("Change")');
  await first.evaluate(() => { for (const n of [...document.querySelector('.editor').childNodes]) if (n.nodeType === 3) n.textContent = n.textContent.replace('Estimated fetal weight', 'Weight by ultrasound'); });
  await first.click('.editing button:has-text("Keep it")');
  await first.waitForFunction(() => /Weight by ultrasound/.test(document.querySelector('.sentence[data-sentence="A/efw"]')?.textContent ?? ''));
  const edited = (await ask(first, `/api/exams/${id}`)).facts;
  const weight = edited.values.find((v) => v.key === 'A/efw');
  const sentence = edited.sentences.find((x) => x.id === 'A/efw');
  check(sentence.text.startsWith(`Weight by ultrasound ${weight.text} g`), `the number is the ledger's: ${sentence.text}`);
  equal(sentence.edited, names[0], 'who changed it');

  // A picture without a reading is chosen alone, then deleted: the report says so and cannot be signed.
  const plain = edited.pictures.find((p) => !p.measured);
  check(plain, 'the phantom has a picture without a reading');
  const draft = await ask(first, `/api/exams/${id}/draft`);
  equal((await post(first, `/api/exams/${id}/draft`, { version: draft.version, content: { ...draft.content, settings: { pictures: [plain.object] } } }, 'PUT')).status, 200, 'chosen');
  equal((await post(first, `/api/objects/${plain.object}/events`, { verb: 'remove', why: 'taken twice' })).status, 200, 'deleted');
  await first.waitForSelector('[data-open="picture-gone"]');
  check(await first.locator('.sign-button').isDisabled(), 'not signed without it');
  await first.click('[data-open="picture-gone"] button'); // once, although the draft was changed past this page
  await first.waitForFunction(() => !document.querySelector('[data-open]') && document.querySelector('.sign-button:not([disabled])'));
  const measured = edited.pictures.find((p) => p.measured);
  equal((await post(first, `/api/objects/${measured.object}/events`, { verb: 'remove', why: 'taken twice' })).status, 409, 'a picture that a reading rests on stays');

  // Two signers look at the same report.
  const second = await open(`${address}exam/${id}/report`, { who: names[1] });
  await second.waitForFunction(() => document.querySelector('.sign-button:not([disabled])'));
  for (const page of [first, second]) { await page.click('.sign-button'); await page.waitForSelector('dialog button.main'); }
  await first.click('dialog button.main');
  await first.waitForSelector('.reports li[data-state="signed"]');
  await second.click('dialog button.main');
  await second.waitForSelector('.notice.trouble');
  await reads(second, '.notice.trouble', `${names[0]} has signed report 1`, 'the second is told who signed');
  equal((await ask(second, `/api/exams/${id}`)).exam.reports.length, 1, 'one report');

  // The third amends: with a reason, and what changed.
  const third = await open(`${address}exam/${id}/report`, { who: names[2] });
  await third.waitForSelector('.reports li');
  check(await third.locator('.sign-button').isDisabled(), 'nothing new, nothing to amend');
  await post(third, `/api/exams/${id}/findings`, { structure: 'bladder', fetus: 'A', state: 'not-seen', reason: 'fetal position' });
  await third.waitForFunction(() => document.querySelector('.sign-button:not([disabled])'));
  await third.click('.sign-button');
  await reads(third, 'dialog .changes', /Bladder: normal → not seen: fetal position/, 'the difference is shown before signing');
  check(await third.locator('dialog button.main').isDisabled(), 'a reason is asked for');
  await third.fill('dialog input', 'bladder was another structure');
  await third.click('dialog button.main');
  await third.waitForSelector('.reports li[data-report="2"][data-state="signed"]');
  const { exam: after } = await ask(third, `/api/exams/${id}`);
  equal(after.reports[0].state, 'amended', 'the first is amended, and still there');

  const report = async (r) => Buffer.from(await third.evaluate(async (x) => [...new Uint8Array(await (await fetch(`/api/reports/${x}/report.pdf`)).arrayBuffer())], r.id));
  for (const [i, r] of after.reports.entries()) {
    const file = join(folder, `report-${i}.pdf`);
    writeFileSync(file, await report(r));
    equal(JSON.parse(run('verify', file, '--json')).holds, true, `report ${r.number} verifies`);
    const text = execFileSync('pdftotext', ['-layout', file, '-'], { encoding: 'utf8' });
    check(/Weight by ultrasound/.test(text), 'the changed words are in print');
    if (i === 1) {
      check(text.includes('王芳'), 'the signer in Chinese');
      check(/bladder was another structure/.test(text) && /amends report 1/.test(text), 'the amendment says what it is');
    }
  }
  equal([first, second, third].flatMap((p) => p.troubles).join('; '), '', 'nothing went wrong in the pages');
});
