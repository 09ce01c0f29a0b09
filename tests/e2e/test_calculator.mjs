// The calculator page: the same engine as the reports, its source and curve shown, clear words for slips and bad input.
import { check, equal, finish, open, run, serve } from './browser.mjs';

await finish(async () => {
  run('init');
  const { address } = await serve();
  const page = await open(new URL('/calculator', address).href);
  const big = () => page.locator('.c-big').innerText();

  // Published: INTERGROWTH-21st HC at 20+0, 50th centile 172.5 mm, 3rd 158.5 (Papageorghiou 2014, table).
  await page.fill('#c-x', '20w0d');
  await page.fill('#c-value', '172.5');
  await page.waitForSelector('.c-big');
  const centile = Number((await big()).replace(/[^\d.]/g, ''));
  check(Math.abs(centile - 50) < 0.5, `172.5 mm at 20w0d is ${centile}, not the 50th centile`);
  check((await page.locator('.c-source').innerText()).includes('Lancet 2014'), 'the source is not shown');
  await page.waitForFunction(() => { const i = document.querySelector('img.c-curve'); return i?.complete && i.naturalWidth > 100; });

  // A value in centimetres is said to look like a slip; an age outside the chart gets no centile; words are refused.
  await page.fill('#c-value', '17.25');
  await page.waitForFunction(() => /10/.test(document.querySelector('.c-outcome .c-note')?.textContent ?? ''));
  await page.fill('#c-x', '10w0d');
  await page.waitForFunction(() => document.querySelector('.c-outcome [role=alert]'));
  equal(await page.locator('.c-big').count(), 0, 'centiles outside the range');
  await page.fill('#c-value', 'big');
  await page.waitForFunction(() => /not a number/.test(document.querySelector('[role=alert]')?.textContent ?? ''));

  // Worked example: Hadlock 1985 HC, AC, FL 29.5, 27.5, 6.0 cm: 1804.1 g (computed from the printed formula).
  await page.click('text=Weight');
  for (const [k, v] of [['hc', '295'], ['ac', '275'], ['fl', '60'], ['ga', '32w0d']]) await page.fill(`#c-${k}`, v);
  await page.waitForSelector('tr.usual');
  check((await page.locator('tr.usual').innerText()).includes('1804 g'), 'the usual weight is not 1804 g');
  await page.fill('#c-fl', '6');
  await page.waitForFunction(() => !document.querySelector('tr.usual'));

  // ACOG 700: 5 days apart at 8 weeks keeps the period, 6 days replaces it.
  await page.click('text=Due date');
  await page.fill('#c-lmp', '2026-01-01');
  await page.fill('#c-crl', '55');
  await page.fill('#c-crl_date', '2026-03-25');
  await page.waitForSelector('.c-big');
  equal(await big(), 'due 8 Oct 2026', 'due date by period');
  await page.fill('#c-crl_date', '2026-04-10');
  await page.waitForFunction(() => !/8 Oct/.test(document.querySelector('.c-big')?.textContent ?? '8 Oct'));
  equal(page.troubles.length, 0, `troubles on the page: ${page.troubles.join('; ')}`);
});
