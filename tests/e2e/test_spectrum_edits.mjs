// A spectrum in the hand of a person: cycles are left out and taken in, a change is taken back with the undo key, what was stored
// is gone on with after a reload and stands beside the automatic curve; of several spectra one must be chosen. Truth: the phantom's
// file; the mean over chosen cycles is computed here from what the command says of each cycle.
import { mkdirSync } from 'node:fs';
import { join } from 'node:path';
import { ask, check, counts, equal, finish, folder, near, onScreen, openMade, reads, run, until } from './browser.mjs';
import { picture, region, uid } from './dicom.mjs';
import { readPng } from './png.mjs';
import { phantomSpectrum } from './spectra.mjs';

await finish(async () => {
  const study = uid();
  const out = join(folder, 'made');
  mkdirSync(out);
  const one = phantomSpectrum(out, 'one', study, '--seed', '12', '--vessel', 'umbilical', '--rate', '150');
  // The same picture as two spectra beside each other: the left third, the right two thirds.
  const { width, height, samples, pixels } = readPng(join(folder, 'one.png'));
  const [x0, y0, x1, y1] = one.box;
  const cut = Math.round(x0 + (x1 - x0) * 0.4);
  const part = (from, to, scale) => region({ box: [from, y0, to, y1], format: 3, type: 3, units: [4, 7], delta: [one.s_per_px, -one.cm_s_per_px * scale], reference: [0, Math.round(one.baseline_row) - y0] });
  const two = picture(join(out, 'two.dcm'), { study, columns: width, rows: height, samples, pixels, regions: [part(x0, cut, 1), part(cut + 1, x1, 2)] });
  const { page, id, object, show } = await openMade(out, { one: one.instance, two });
  const rows = async (name) => (await ask(page, `/api/exams/${id}`)).exam.ledger.filter((r) => r.object === object[name] && r.evidence.type === 'spectrum');
  const standing = async (name, quantity) => (await rows(name)).find((r) => r.quantity === quantity && r.state === 'accepted' && !r.superseded_by);
  const idle = (accepted = 'yes') => page.waitForSelector(`.proposal[data-kind="spectrum"][data-accepted="${accepted}"][data-busy="no"]`);
  const vessel = async () => {
    await page.keyboard.press('u');
    await page.waitForSelector('.proposed-values [data-quantity="ua-pi"]');
    await idle();
  };
  const accept = async (name, n, why) => {
    await page.keyboard.press('Enter');
    if (why) {
      await page.click(`dialog .choices button:has-text("${why}")`);
      await page.click('dialog button.main');
    }
    await until('the rows are stored', async () => (await rows(name)).filter((r) => r.quantity === 'ua-pi').length === n);
  };
  const cycle = (i, used) => page.waitForSelector(`.choose-cycle[data-cycle="${i}"][data-used="${used}"]`, { state: 'attached' });

  // A cycle is left out, taken in and left out again; the mean is that of the others.
  await show('one');
  await page.keyboard.press('3');
  await idle();
  await vessel();
  for (const used of ['no', 'yes', 'no']) {
    await page.locator('.choose-cycle[data-cycle="1"]').click();
    await cycle(1, used);
    await idle();
  }
  await reads(page, '.proposal', '1 cycle left out by you', 'it is said');
  await accept('one', 1);
  const told = JSON.parse(run('measure', 'spectrum', join(out, 'one.dcm'), '--json'));
  const others = told.cycles.filter((c, i) => c.used && i !== 1).map((c) => c.pi);
  const first = await standing('one', 'ua-pi');
  near(first.value, others.reduce((a, b) => a + b) / others.length, 0.002, 'PI without the second cycle');
  equal(first.source, 'geometry', 'a reading with chosen cycles is the person’s');
  equal(first.evidence.chosen.map((c) => c.used).join(), 'false,true,false', 'every choice is kept');
  check(first.evidence.chosen.every((c) => /^\d{4}-.*Z$/.test(c.at) && 'who' in c), 'with its time and author');
  equal(first.evidence.cycles[1].why, 'left out by hand', 'and its reason');

  // Drawn over, taken back with the undo key (not what was stored before), drawn over again.
  await page.keyboard.press('3');
  await idle();
  await vessel();
  const middle = first.evidence.geometry.points[Math.round(first.evidence.geometry.points.length / 2)];
  const draw = async (edits, by) => {
    const [x, y] = await onScreen(page, object.one, [middle[0], middle[1] - by]);
    await page.mouse.move(x, y);
    await page.mouse.down();
    await page.mouse.move(x + 24, y, { steps: 4 });
    await page.mouse.up();
    await page.waitForSelector(`.proposal[data-edits="${edits}"][data-busy="no"]`);
  };
  await draw(1, 6);
  await page.keyboard.press('Control+z');
  await page.waitForSelector('.proposal[data-edits="2"][data-busy="no"]');
  equal((await standing('one', 'ua-pi')).id, first.id, 'undo takes the stroke back, not the stored reading');
  await draw(3, 6);
  await accept('one', 2, 'Envelope corrected');
  const second = await standing('one', 'ua-pi');
  equal(second.evidence.proposal.edits.map((e) => e.taken_back === true).join(), 'false,true,false', 'every stroke is kept');

  // After a reload: the automatic curve beside the stored one, and the stored one is gone on with.
  await page.reload();
  await page.waitForSelector('.exam-page[data-ready="yes"]');
  await show('one');
  await counts(page, '.automatic-curve', 1, 'the automatic curve stands beside the stored one');
  const label = await page.locator('.shape-label').first().evaluate((e) => { const b = e.getBoundingClientRect(); const c = e.closest('.cell').getBoundingClientRect(); return b.left >= c.left && b.right <= c.right; });
  check(label, 'the name of the curve lies within the picture');
  await page.keyboard.press('3');
  await idle();
  await page.click('.go-on');
  await page.waitForSelector('.proposal .sites [data-site="umbilical-artery"][aria-pressed="true"]');
  await idle();
  await counts(page, '.proposal-layer .automatic', 1, 'the automatic curve is dashed');
  await draw(1, -5);
  await accept('one', 3, 'Envelope corrected');
  const third = await standing('one', 'ua-pi');
  equal(third.supersedes, second.id, 'it supersedes the reading that it goes on from');
  const from = (await rows('one')).find((r) => r.id === third.evidence.proposal.from);
  equal(JSON.stringify(from?.evidence.geometry.points), JSON.stringify(second.evidence.geometry.points), 'and names a row of it');
  const moved = (a, b) => { const old = new Map(a.evidence.geometry.points); return b.evidence.geometry.points.filter((p) => old.get(p[0]) !== p[1]).length; };
  check(moved(second, third) > 0 && moved(second, third) < 60, 'only the new stroke differs from the stored curve');

  // Two spectra: neither is taken unasked.
  await show('two');
  await page.keyboard.press('3');
  await idle('no');
  await reads(page, '.proposal', 'choose one', 'the choice is asked for');
  await counts(page, '.choose-spectrum', 2, 'both are shown');
  await page.keyboard.press('Enter');
  await page.mouse.click(...await onScreen(page, object.two, [cut + 60, y0 + 40]));
  await idle();
  await vessel();
  await accept('two', 1);
  const chosen = await standing('two', 'ua-psv');
  equal(chosen.evidence.region.index, 1, 'the one that was pressed is read');
  near(chosen.value, 2 * one.psv_cm_s, 0.12 * one.psv_cm_s, 'PSV on its own scale');
  equal(page.troubles.join('; '), '', 'nothing went wrong in the page');
});
