// Amniotic fluid by four quadrants as one tool: four pockets on two pictures, each an upright distance stored as a reading
// of its own, values covered until the set is whole, one refused, one said to be empty, two taken back; the index is the
// sum of the four by arithmetic done here (Phelan JP et al. J Reprod Med 1987;32:540-542, citation from memory).
import { mkdirSync } from 'node:fs';
import { join } from 'node:path';
import { ask, check, equal, finish, folder, near, onScreen, openMade, run, until } from './browser.mjs';
import { picture, region, uid } from './dicom.mjs';

const columns = 640;
const rows = 480;
const MM_Y = 0.3; // 0.03 cm a row

await finish(async () => {
  const study = uid();
  const out = join(folder, 'fluid');
  mkdirSync(out);
  // The region ends above the picture's lower edge: a pocket that leaves it has no length.
  const base = { study, columns, rows, pixels: Buffer.alloc(columns * rows, 70), regions: [region({ box: [0, 0, columns - 1, 399], delta: [0.02, 0.03] })] };
  const made = { upper: picture(join(out, '1'), base), lower: picture(join(out, '2'), base) };
  const { page, id, object, show } = await openMade(out, made);
  const place = async (name, ...points) => { for (const p of points) await page.mouse.click(...await onScreen(page, object[name], p)); };
  const now = () => page.textContent('.prompt b');
  const live = async (q) => (await ask(page, `/api/exams/${id}`)).exam.ledger.filter((r) => r.quantity === q && r.state === 'accepted');
  const stored = (q) => until(`${q} stored`, async () => (await live(q)).length === 1);
  const inHand = (label) => page.waitForFunction((l) => document.querySelector('.prompt b')?.textContent === l, label);
  const index = async () => (await ask(page, `/api/exams/${id}`)).facts.values.find((v) => v.quantity === 'afi');

  await show('upper');
  await page.click('.tool-box button:has-text("Pockets")');
  await inHand('Q1');
  // The second point lies 40 columns aside: the line stays upright.
  await place('upper', [150, 100], [190, 250]);
  await page.keyboard.press('Enter');
  await inHand('Q2'); // the next one is in the hand at once
  await stored('afi-q1');
  const [q1] = await live('afi-q1');
  near(q1.value, 150 * MM_Y, 0.25, 'first pocket, mm');
  equal(q1.object, object.upper, 'picture of the first pocket');
  near(q1.evidence.geometry.points[1][0], q1.evidence.geometry.points[0][0], 1e-9, 'column of both ends');
  equal(q1.evidence.how.blind, true, 'taken blind');
  // Its shape stays on the picture, its value does not show before the set is whole.
  await page.waitForSelector('.row[data-quantity="afi-q1"] .covered');
  await page.waitForFunction(() => [...document.querySelectorAll('.overlay .shape-label')].some((t) => t.textContent === 'Q1'));

  // A pocket that leaves the region is refused; it stays in the hand with the reason, and nothing is stored.
  await place('upper', [350, 300], [350, 450]);
  await page.keyboard.press('Enter');
  await page.waitForSelector('.notice.trouble');
  await inHand('Q2');
  equal((await live('afi-q2')).length, 0, 'a refused pocket is not stored');
  await page.click('.notice.trouble .quiet');
  await page.keyboard.press('Escape');
  await place('upper', [350, 120], [350, 220]);
  await page.keyboard.press('Enter');
  await inHand('Q3');
  await stored('afi-q2');

  // Taken back: it is the next one again.
  await page.keyboard.press('Control+z');
  await inHand('Q2');
  await until('withdrawn', async () => (await live('afi-q2')).length === 0);
  await place('upper', [350, 120], [350, 200]);
  await page.keyboard.press('Enter');
  await stored('afi-q2');
  near((await live('afi-q2'))[0].value, 80 * MM_Y, 0.25, 'second pocket, mm');
  equal(await index(), undefined, 'no index of two pockets');

  await show('lower');
  await inHand('Q3');
  await place('lower', [150, 100], [150, 220]);
  await page.keyboard.press('Enter');
  await stored('afi-q3');
  equal((await live('afi-q3'))[0].object, object.lower, 'picture of the third pocket');
  await inHand('Q4');
  equal(await page.locator('.row[data-quantity="afi"]').count(), 0, 'the index while a pocket is missing');
  await page.click('.prompt button:has-text("No pocket here")');
  await stored('afi-q4');
  await page.waitForSelector('.notice:has-text("AFI")');
  near((await index()).value, (150 + 80 + 120) * MM_Y, 0.75, 'index with an empty quadrant, mm');
  equal((await live('afi-q4'))[0].source, 'typed', 'an empty quadrant has no geometry to show');

  await page.keyboard.press('Control+z');
  await inHand('Q4');
  await until('no index of three', async () => (await index()) === undefined);
  await place('lower', [350, 150], [350, 240]);
  await page.keyboard.press('Enter');
  await stored('afi-q4');
  const sum = (150 + 80 + 120 + 90) * MM_Y;
  await until('index', async () => (await index())?.value !== undefined);
  const afi = await index();
  near(afi.value, sum, 1, 'index, mm');
  equal(afi.origin, 'derived', 'origin');
  equal(afi.inputs.length, 4, 'inputs');
  check(afi.sd > 0 && afi.sd < 0.05 * sum, `SD of the index ${afi.sd}`);
  await page.waitForFunction(() => /\d/.test(document.querySelector('.row[data-quantity="afi"] .amount b')?.textContent ?? ''));
  equal(await page.locator('.row[data-quantity="afi-q1"] .covered').count(), 0, 'nothing covered after the set');
  const report = join(folder, 'report.pdf');
  run('report', id, '-o', report);
  const verified = JSON.parse(run('verify', report, '--json'));
  check(verified.holds, `verify: ${JSON.stringify(verified.checks.filter((c) => !c.holds))}`);
  check(verified.checks.some((c) => c.what === 'A/afi' && c.holds), 'verify names the index');

  // With all four measured the tool begins a further set: repeats are kept.
  await page.keyboard.press('Shift+q');
  await inHand('Q1');
  await page.keyboard.press('Escape');
  equal(await page.locator('.prompt').count(), 0, 'put down');
  equal(page.troubles.join('\n'), '', 'troubles');
});
