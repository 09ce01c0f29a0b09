// The atrioventricular interval in the browser: a spectrum of inflow and outflow read with two keys, its onsets drawn, moved by
// hand and by key, a beat left out, stored with everything that was done, in the ledger, in the report and checked by `ogive
// verify`; the same from two walls of an M-mode strip that the person marks; pictures that cannot be read say why on the page.
// Truth: the phantom's own file, and what is drawn here.
import { execFileSync } from 'node:child_process';
import { copyFileSync, mkdirSync } from 'node:fs';
import { join } from 'node:path';
import { picture, region, uid } from './dicom.mjs';
import { phantomSpectrum } from './spectra.mjs';
import { ask, check, counts, equal, finish, folder, near, onScreen, openMade, reads, run, until } from './browser.mjs';

const study = uid();
const out = join(folder, 'made');
mkdirSync(out);

let seed = 7;
const speckle = () => { seed = (seed * 1103515245 + 12345) % 2147483648; return (seed >> 16) & 255; };

/** One broad wave a beat on each side of the baseline: E and A cannot be told apart. */
function fused() {
  const [columns, rows] = [600, 300];
  const pixels = Buffer.alloc(columns * rows);
  for (let x = 0; x < columns; x++) {
    const phase = ((x * 0.004 * 170) / 60) % 1;
    const goes = phase < 0.45 ? 90 * Math.sin((Math.PI * phase) / 0.45) : 0;
    const comes = phase > 0.5 && phase < 0.95 ? 70 * Math.sin((Math.PI * (phase - 0.5)) / 0.45) : 0;
    for (let y = 0; y < rows; y++) {
      const d = 150 - y;
      pixels[y * columns + x] = ((d > 2 ? d < comes : d < -2 && -d < goes) ? 130 : 5) + (speckle() & 31);
    }
  }
  return picture(join(out, 'fused.dcm'), { study, columns, rows, pixels, regions: [region({ box: [0, 0, columns - 1, rows - 1], format: 3, type: 3, units: [4, 7], delta: [0.004, -0.5], reference: [0, 150] })] });
}

const WALLS_MS = 120;
/** Two walls at 150 a minute, the lower one later. */
function walls() {
  const [columns, rows] = [600, 200];
  const pixels = Buffer.alloc(columns * rows);
  for (let x = 0; x < columns; x++)
    for (let y = 0; y < rows; y++) {
      let v = 0.2 * speckle();
      for (let w = 0; w < 2; w++) {
        const phase = (((x * 0.005 - (w * WALLS_MS) / 1000) * 150) / 60 + 10) % 1;
        const centre = (w ? 140 : 60) + 12 * (phase < 0.12 ? phase / 0.12 : (1 - phase) / 0.88);
        v += 200 * Math.exp((-0.5 * (y - centre) ** 2) / 9);
      }
      pixels[y * columns + x] = Math.min(255, v);
    }
  return picture(join(out, 'walls.dcm'), { study, columns, rows, pixels, regions: [region({ box: [0, 0, columns - 1, rows - 1], format: 2, units: [4, 3], delta: [0.005, 0.02] })] });
}

await finish(async () => {
  const heart = phantomSpectrum(out, 'heart', study, '--vessel', 'in-out', '--sweep', '2.6', '--seed', '77', '--av-ms', '124', '--rate', '138');
  const artery = phantomSpectrum(out, 'artery', study, '--seed', '5');
  const { page, id, object, show } = await openMade(out, { heart: heart.instance, artery: artery.instance, fused: fused(), walls: walls() });
  const rows = async (name) => (await ask(page, `/api/exams/${id}`)).exam.ledger.filter((r) => r.object === object[name] && r.quantity === 'av-interval');
  const standing = async (name) => (await rows(name)).find((r) => !r.superseded_by && r.state === 'accepted');
  const idle = (how) => page.waitForSelector(`.proposal[data-kind="av-interval"][data-accepted="${how}"][data-busy="no"]`);
  const edits = (n) => page.waitForSelector(`.proposal[data-kind="av-interval"][data-edits="${n}"][data-busy="no"]`);
  const read = async () => {
    await page.keyboard.press('3');
    await page.waitForSelector('.proposal[data-kind="spectrum"][data-busy="no"]');
    await page.keyboard.press('v');
  };
  const shot = async (name) => { if (process.env.E2E_SHOTS) await page.screenshot({ path: join(process.env.E2E_SHOTS, `${name}.png`) }); };

  // Proposed, offered, accepted blind.
  await show('heart');
  await page.keyboard.press('3');
  await page.waitForSelector('.proposal[data-kind="spectrum"] .offered');
  await page.keyboard.press('v');
  await idle('yes');
  const drawn = await page.locator('.timing-layer .onsets').count();
  check(drawn >= 3, `${drawn} beats are drawn`);
  await counts(page, '.timing-layer .grip', 2 * drawn, 'both onsets of each can be taken');
  await counts(page, '.proposed-values .covered', 1, 'the value stays covered');
  check(!/\d ms/.test(await page.locator('.proposal').innerText()), 'no number is shown');
  await reads(page, '.proposal', /local protocol decides/, 'that no reference is built in is said');
  await shot('av-proposed');
  await page.keyboard.press('Enter');
  await until('the interval is stored', async () => await standing('heart'));
  const first = await standing('heart');
  near(first.value, heart.av_ms, 8, 'interval (ms)');
  equal(first.unit, 'ms', 'unit');
  equal(first.source, 'proposed', 'untouched it says that it was proposed');
  equal(first.evidence.how.blind, true, 'accepted blind');
  equal(first.evidence.beats.length, drawn, 'the onsets are the evidence');
  check(first.sd > 3 && first.sd < 15, `with its SD of ${first.sd.toFixed(1)} ms`);
  await page.waitForSelector('.accepted-onsets');
  await counts(page, '.accepted-onsets .onsets', drawn, 'accepted onsets stay on the picture');
  await page.waitForFunction((text) => document.querySelector('.row[data-quantity="av-interval"]')?.innerText.includes(text), first.value.toFixed(0));

  // Read again, the earlier value is covered.
  await read();
  await idle('yes');
  check(!/\d ms/.test(await page.locator('.row[data-quantity="av-interval"]').innerText()), 'the earlier value is covered');
  await page.keyboard.press('Escape');
  await page.waitForFunction((text) => document.querySelector('.row[data-quantity="av-interval"]')?.innerText.includes(text), first.value.toFixed(0));

  // By hand: an onset dragged 6 columns earlier and taken back, another by key, a beat left out.
  await read();
  await idle('yes');
  const beats = first.evidence.beats;
  const middle = (heart.box[1] + heart.box[3]) / 2;
  const drag = async (x, by) => {
    const [x0, y0] = await onScreen(page, object.heart, [x, middle]);
    const [x1] = await onScreen(page, object.heart, [x + by, middle]);
    await page.mouse.move(x0, y0);
    await page.mouse.down();
    await page.mouse.move((x0 + x1) / 2, y0 + 9, { steps: 3 });
    await page.mouse.move(x1, y0, { steps: 3 });
    await page.mouse.up();
  };
  await drag(beats[1].atrial_x, -6);
  await edits(1);
  await counts(page, '.timing-layer .automatic', (n) => n > 0, 'the automatic onsets stay dashed');
  await shot('av-dragged');
  await page.keyboard.press('Backspace');
  await edits(2);
  await page.locator('.grip[data-beat="1"][data-mark="ventricular"]').focus();
  await page.keyboard.press('ArrowRight');
  await edits(3);
  await page.locator(`.leave[data-beat="${drawn}"]`).click();
  await edits(4);
  await counts(page, '.onsets.left-out', 1, 'a beat is left out');
  // An onset of A dragged beyond its outflow is refused in words, and what stood comes back.
  await drag(beats[1].atrial_x, beats[1].ventricular_x - beats[1].atrial_x + 12);
  await page.waitForSelector('.proposal .said');
  await reads(page, '.proposal .said', /out of order/, 'out of order is said');
  await edits(4);
  await page.locator('.proposal .accept').click();
  await page.click('.choices button');
  await page.click('dialog button.main');
  await until('the correction is stored', async () => (await standing('heart')).id !== first.id);
  const second = await standing('heart');
  equal(second.supersedes, first.id, 'it supersedes the first');
  equal(second.source, 'geometry', 'and is the person’s');
  const { proposal } = second.evidence;
  equal(JSON.stringify(proposal.beats), JSON.stringify(beats), 'the automatic onsets are kept');
  equal(proposal.adjusted_by, 'Ann Reader', 'and who adjusted them');
  equal(proposal.edits.map((e) => `${e.beat}${e.mark}${e.taken_back ? ' back' : ''}`).join(', '), `2atrial, 2atrial back, 1ventricular, ${drawn}used`, 'each change');
  equal(second.evidence.beats[1].atrial_x, beats[1].atrial_x, 'what was taken back stands as before');
  equal(second.evidence.beats[0].ventricular_x, beats[0].ventricular_x + 0.25, 'a key press is a quarter column');
  equal(second.evidence.beats[drawn - 1].used, false, 'the beat left out');
  await page.locator('.row[data-quantity="av-interval"] button[aria-expanded]').click();
  check(/onsets adjusted by Ann Reader/.test(await page.locator('.behind-beats').first().innerText()), 'the ledger says who adjusted it');
  await shot('av-ledger');
  await page.locator('.row[data-quantity="av-interval"] button[aria-expanded]').click();

  // What cannot be read says why.
  for (const [name, words] of [['artery', /one side of the baseline/], ['fused', /E and A/]]) {
    await show(name);
    await read();
    await idle('no');
    check(words.test(await page.locator('.proposal').innerText()), `${name}: ${await page.locator('.proposal').innerText()}`);
    equal(await page.locator('.proposal .accept').count(), 0, `${name} cannot be accepted`);
    await shot(`av-${name}`);
    await page.keyboard.press('Escape');
  }

  // Two walls of an M-mode strip.
  await show('walls');
  await page.locator('.propose-row button', { hasText: 'Atrioventricular interval' }).click();
  await page.waitForSelector('.proposal[data-kind="av-interval"]');
  await reads(page, '.proposal', /atrial wall/, 'it asks for the atrial wall');
  const mark = async (from, to) => {
    const [x, y0] = await onScreen(page, object.walls, [300, from]);
    const [, y1] = await onScreen(page, object.walls, [300, to]);
    await page.mouse.move(x, y0);
    await page.mouse.down();
    await page.mouse.move(x, y1, { steps: 4 });
    await page.mouse.up();
  };
  await mark(40, 41);
  await reads(page, '.proposal .said', /above the wall/, 'a click is no wall');
  await mark(40, 90);
  await page.waitForFunction(() => /ventricular wall/i.test(document.querySelector('.proposal b')?.textContent ?? ''));
  await mark(120, 170);
  await idle('yes');
  await shot('av-walls');
  await page.keyboard.press('Enter');
  await until('the interval of the walls is stored', async () => await standing('walls'));
  const strip = await standing('walls');
  near(strip.value, WALLS_MS, 8, 'interval of two walls (ms)');
  equal(strip.evidence.from, 'm-mode', 'its evidence says so');

  // The report names it; the check recomputes both readings.
  const pdf = join(folder, 'report.pdf');
  run('report', id, '-o', pdf);
  const checks = JSON.parse(run('verify', pdf, '--json')).checks;
  for (const r of [second, strip]) check(checks.some((c) => c.what.includes(r.id) && c.holds), `verify recomputes ${r.id}`);
  const value = (await ask(page, `/api/exams/${id}`)).facts.values.find((v) => v.quantity === 'av-interval');
  check(value.interval_text, `the report gives ${value.text} ${value.interval_text} ms`);
  let text;
  try { text = execFileSync('pdftotext', ['-layout', pdf, '-'], { encoding: 'utf8' }); } catch { console.log('  no pdftotext: the words of the report are not looked at'); }
  if (text) {
    check(new RegExp(`AV +Atrioventricular interval.* ${value.text} ± \\d+ ms`).test(text), 'the report has its line, with its uncertainty');
    const beats = second.evidence.beats.filter((b) => b.used).length + strip.evidence.beats.length;
    check(text.includes(`mean of ${beats} beats`) && /No reference range is built\s+in/.test(text), 'and says what it rests on, and that nothing judges it');
  }
  if (text) check(/joins readings from a spectrum and from an M-mode strip/.test(text), 'and that two ways of reading were joined');
  if (process.env.E2E_SHOTS) copyFileSync(pdf, join(process.env.E2E_SHOTS, 'report.pdf'));
  equal(page.troubles.join('; '), '', 'nothing went wrong in the page');
});
