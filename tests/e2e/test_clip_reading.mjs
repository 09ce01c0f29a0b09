// A clip read by the program: one key, progress, the frames marked on the timeline and stepped through, one left out, a
// criterion of the plane ticked, accepted; a clip that is stopped; a clip that shows nothing is refused, and a click tries
// again. The clip is made of synthetic heads (the phantom's plane command); the truth is its own.
import { writeFileSync } from 'node:fs';
import { join } from 'node:path';
import { picture, region } from './dicom.mjs';
import { readPng } from './png.mjs';
import { ask, check, counts, equal, finish, folder, near, open, reads, run, serve, until } from './browser.mjs';

const columns = 640;
const rows = 480;
const black = 3;

function headClip(path, study) {
  const frames = [];
  let truth;
  for (let i = 0; i < 9; i++) {
    const png = join(folder, `head${i}.png`);
    truth = JSON.parse(run('phantom', 'plane', 'head', '--seed', '3', '--week', '24w0d', '--length', '80', '--breadth', '62', '--angle', String(8 + i / 2),
      '--mm-per-px', '0.24', '--gain', String(i / 4), '--width', String(columns), '--height', String(rows), '--json', png));
    const p = readPng(png);
    frames.push(Buffer.from(p.pixels.filter((_, k) => k % p.samples === 0)));
  }
  for (let i = 0; i < black; i++) frames.push(Buffer.alloc(columns * rows));
  picture(path, { study, columns, rows, frames: frames.length, pixels: Buffer.concat(frames), frameMs: 50, lmp: '20251024',
    regions: [region({ box: [0, 0, columns - 1, rows - 1], delta: [0.024, 0.024] })] });
  return truth;
}

await finish(async () => {
  run('init');
  const study = '2.25.77001';
  const truth = headClip(join(folder, 'heads.dcm'), study);
  picture(join(folder, 'dark.dcm'), { study, columns, rows, frames: 4, pixels: Buffer.alloc(columns * rows * 4, 8), frameMs: 50,
    lmp: '20251024', regions: [region({ box: [0, 0, columns - 1, rows - 1], delta: [0.024, 0.024] })] });
  for (const f of ['heads.dcm', 'dark.dcm']) run('import', join(folder, f));
  const { address } = await serve();
  const page = await open(address);
  await page.click('.exam-card');
  await page.waitForSelector('.exam-page[data-ready="yes"]');
  const id = page.url().split('/').pop();
  const { exam: stored } = await ask(page, `/api/exams/${id}`);
  const clip = stored.objects.find((o) => o.frames === 12).id;
  const dark = stored.objects.find((o) => o.frames === 4).id;
  const show = async (object) => {
    await page.click(`.thumb[data-object="${object}"]`);
    await page.waitForFunction((o) => { const e = document.querySelector('.cell'); return e?.dataset.object === o && Number(e.dataset.shown) >= 0; }, object);
  };
  const shown = () => page.evaluate(() => Number(document.querySelector('.cell').dataset.shown));
  const ledger = async () => (await ask(page, `/api/exams/${id}`)).exam.ledger;

  // Read, stopped: nothing stays in the hand, nothing is stored.
  await show(clip);
  await page.keyboard.press('3');
  await page.waitForSelector('.proposal[data-running], .proposal[data-clip="yes"]');
  await page.keyboard.press('Escape');
  await page.waitForSelector('.propose-row .propose:not([disabled])');
  equal(await page.locator('.proposal').count(), 0, 'a stopped reading leaves nothing behind');

  await page.keyboard.press('3');
  await page.waitForSelector('.proposal[data-clip="yes"]');
  await counts(page, '.clip-marks rect', (n) => n >= 6, 'frames are marked on the timeline');
  const marks = await page.locator('.clip-marks rect').evaluateAll((list) => list.map((e) => Number(e.dataset.frame)));
  check(marks.length >= 6 && marks.length <= 9, `${marks.length} frames are marked on the timeline`);
  check(marks.every((f) => f < 9), 'black frames are not read');
  await counts(page, '.clip-marks .best', (n) => n >= 1, 'the surest frames are marked');
  await counts(page, '.proposed-values .covered', (n) => n >= 1, 'the value is covered while it is looked at');
  await counts(page, '.proposal-layer .envelope', 1, 'the outline of the shown frame is drawn');
  const seen = new Set();
  for (let i = 0; i < marks.length; i++) {
    const before = await shown();
    await page.keyboard.press('k');
    await page.waitForFunction((f) => Number(document.querySelector('.cell').dataset.shown) !== f, before);
    seen.add(await shown());
  }
  equal([...seen].sort((a, b) => a - b).join(), marks.join(), 'a key steps through the frames that were read');
  const left = await shown();
  await page.keyboard.press('x');
  await page.waitForSelector(`.clip-marks .left-out[data-frame="${left}"]`);
  await page.click('[data-criterion="thalami"] .tick-off');
  await page.waitForSelector('[data-criterion="thalami"][data-state="met"]');
  equal(await page.getAttribute('[data-criterion="symmetry"]', 'data-state'), 'for-the-person', 'what nobody judged stays open');
  if (process.env.E2E_SHOT) await page.screenshot({ path: process.env.E2E_SHOT });
  await page.keyboard.press('Enter');
  await until('the reading is stored', async () => (await ledger()).length >= 3);
  const hc = (await ledger()).find((r) => r.quantity === 'hc');
  near(hc.value, truth.hc_mm, 1.96 * Math.SQRT2 * hc.evidence.sd.observer, 'HC over the clip');
  equal(hc.source, 'proposed', 'it says that it was proposed');
  equal(hc.evidence.type, 'clip', 'its evidence are frames of a clip');
  equal(hc.evidence.frames.accepted.filter((f) => f.left_out).map((f) => f.frame).join(), String(left), 'the frame left out is kept as left out');
  equal(hc.evidence.proposal.criteria.find((c) => c.id === 'thalami').by, 'Ann Reader', 'the tick has its author');
  equal(hc.evidence.proposal.criteria.find((c) => c.id === 'size').by, 'program', 'and the program its own judgement');
  equal(hc.evidence.proposal.criteria.find((c) => c.id === 'cavum').state, 'for-the-person', 'an open criterion stays open');
  await page.waitForSelector('.row[data-quantity="hc"][data-state="accepted"]');
  await counts(page, '.clip-marks rect', marks.length, 'the frames stay marked on the clip');
  await page.click('.row[data-quantity="hc"] .unfold');
  await page.waitForSelector('.row[data-quantity="hc"] .behind-clip');

  // The program verifies the report from its evidence: every frame is measured again.
  const pdf = join(folder, 'report.pdf');
  writeFileSync(pdf, Buffer.from(await page.evaluate(async (e) => [...new Uint8Array(await (await fetch(`/api/exams/${e}/report.pdf`)).arrayBuffer())], id)));
  const verified = JSON.parse(run('verify', '--json', pdf));
  equal(verified.holds, true, 'ogive verify holds');
  check(verified.checks.some((c) => c.what.includes(hc.id) && c.holds), 'and names the reading of the clip');

  // A clip that shows nothing: refused with its reason; a click tries again and is refused again, in words.
  await show(dark);
  await page.keyboard.press('3');
  await page.waitForSelector('.proposal[data-accepted="no"]');
  await reads(page, '.proposal', 'Click inside the structure', 'a refusal offers the click');
  const box = await page.locator('.proposal-layer .catch').boundingBox();
  const again = page.waitForResponse((r) => r.url().includes('/clip-readings') && r.request().postDataJSON().at?.length === 2);
  await page.mouse.click(box.x + box.width / 2, box.y + box.height / 2);
  await again;
  await page.waitForSelector('.proposal[data-accepted="no"]');
  equal((await ledger()).length, 3, 'nothing was stored of it');
  equal(page.troubles.join('; '), '', 'nothing went wrong in the page');
});
