// Where a doctor looks for what the flow means: the multiple of the median with its limits, absent end-diastolic flow and the notch
// stand beside the values and in the report. Limits: Mari 2000 (doi 10.1056/NEJM200001063420102), 1.29, 1.50 and 1.55 multiples.
// Truth: the phantom's spectra.
import { execFileSync } from 'node:child_process';
import { mkdirSync } from 'node:fs';
import { join } from 'node:path';
import { ask, check, equal, finish, folder, openMade, reads, run, until } from './browser.mjs';
import { uid } from './dicom.mjs';
import { phantomSpectrum } from './spectra.mjs';

await finish(async () => {
  const study = uid();
  const out = join(folder, 'made');
  mkdirSync(out);
  const made = {
    umbilical: phantomSpectrum(out, 'umbilical', study, '--seed', '5', '--vessel', 'umbilical', '--diastole', 'absent', '--psv', '40'),
    cerebral: phantomSpectrum(out, 'cerebral', study, '--seed', '6', '--vessel', 'mca', '--psv', '46'),
    left: phantomSpectrum(out, 'left', study, '--seed', '7', '--vessel', 'uterine'),
    right: phantomSpectrum(out, 'right', study, '--seed', '8', '--vessel', 'uterine'),
  };
  const { page, id, object, show } = await openMade(out, Object.fromEntries(Object.entries(made).map(([name, t]) => [name, t.instance])));
  const stored = async (name) => (await ask(page, `/api/exams/${id}`)).exam.ledger.filter((r) => r.object === object[name]);
  const accept = async (name, key, quantity, notch) => {
    await show(name);
    await page.keyboard.press('3');
    await page.waitForSelector('.proposal[data-kind="spectrum"][data-accepted="yes"][data-busy="no"]');
    await page.keyboard.press(key);
    await page.waitForSelector(`.proposed-values [data-quantity="${quantity}"]`);
    await page.waitForSelector('.proposal[data-busy="no"]');
    if (notch) {
      check(await page.locator('.proposal').evaluate((e) => e.querySelector('.notch').compareDocumentPosition(e.querySelector('.proposed-values')) & Node.DOCUMENT_POSITION_FOLLOWING), 'the notch is asked for before the values');
      await page.keyboard.press(notch);
    }
    await page.keyboard.press('Enter');
    await until(`${name} is stored`, async () => (await stored(name)).length > 0);
  };
  await accept('umbilical', 'u', 'ua-pi');
  await accept('cerebral', 'm', 'mca-pi');
  await accept('left', 'l', 'uta-pi-left', 'p');
  await accept('right', 'r', 'uta-pi-right', 'o');

  // Beside the values.
  await reads(page, '.row[data-quantity="ua-pi"] .judged', /^absent$/, 'absent flow stands beside the umbilical index');
  await reads(page, '.row[data-quantity="mca-psv"] .judged', /^severe$/, 'the class stands beside the peak velocity');
  await reads(page, '.row[data-quantity="uta-pi-left"] .symbol', /[^o] ?notch$|Lnotch$/, 'the notch stands beside the left uterine artery');
  await reads(page, '.row[data-quantity="uta-pi-right"] .symbol', 'no notch', 'and that there is none beside the right one');
  const strip = page.locator('.row[data-quantity="mca-psv"] .multiples');
  equal((await strip.locator('.limit').evaluateAll((l) => l.map((e) => e.dataset.limit))).join(), '1.29,1.5,1.55', 'the limits are drawn');
  const x = (s) => strip.locator(s).last().evaluate((e) => Number(e.getAttribute('x1')));
  const [needle, last] = [await x('.needle'), await x('.limit')];
  check(needle > last && needle <= 98, `the needle (${needle}) lies beyond the last limit (${last}) and within the strip`);
  const apart = await page.locator('.row .row-main').evaluateAll((rows) => rows.filter((r) => {
    const range = document.createRange();
    range.selectNodeContents(r.querySelector('.symbol'));
    return [...range.getClientRects()].some((b) => b.right > r.querySelector('.amount').getBoundingClientRect().left + 0.5);
  }).map((r) => r.textContent));
  equal(apart.join('; '), '', 'no name runs into its value');
  await page.click('.row[data-quantity="mca-psv"] .unfold');
  await reads(page, '.readings .judged', /1\.50 MoM or more.*Mari/, 'unfolded, the limits and their source are told');

  // In the facts and on paper.
  const { facts } = await ask(page, `/api/exams/${id}`);
  const rule = (name) => facts.assessment.find((a) => a.rule === name);
  equal(`${rule('ua-flow').answer} ${rule('ua-flow').class}`, 'met absent', 'the rule hears of absent flow');
  const mom = facts.values.find((v) => v.quantity === 'mca-psv').centiles[0].mom;
  check(rule('mca-psv-anaemia').because.includes(mom.toFixed(2)), `the multiple is told with the two decimals of its limits: ${rule('mca-psv-anaemia').because}`);
  const pdf = join(folder, 'report.pdf');
  run('report', id, '-o', pdf);
  const paper = execFileSync('pdftotext', ['-layout', pdf, '-'], { encoding: 'utf8', maxBuffer: 8 << 20 }).replace(/\s+/g, ' ');
  check(paper.includes('Early diastolic notch of the uterine arteries: left present, right absent.'), 'the report has the notch');
  check(paper.includes('absent end-diastolic flow'), 'and the absent flow');
  equal(page.troubles.join('; '), '', 'nothing went wrong in the page');
});
