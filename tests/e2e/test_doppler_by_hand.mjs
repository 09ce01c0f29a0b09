// Doppler corrected by a person. The angle: velocities follow its cosine and say so, ratios stay; over 60 degrees a warning, over
// 70 no velocities, and the ones that stood are withdrawn. The heart rate of a clip: read with one key and accepted; and where
// something else moves in the picture it is refused, and a click on the heart finds it. Truth: the phantom's file; arithmetic here.
import { join } from 'node:path';
import { picture, region } from './dicom.mjs';
import { ask, check, equal, exam, finish, folder, near, objectsByView, onScreen, open, reads, run, serve, until } from './browser.mjs';

const RATE = 150;
/** A small disc that beats beside a large one that jumps about. */
function beating(path) {
  const [columns, rows, frames] = [320, 240, 80];
  let seed = 7;
  const random = () => { seed = (seed * 1103515245 + 12345) % 2147483648; return seed / 2147483648; };
  const list = [];
  let x = 70;
  for (let k = 0; k < frames; k++) {
    const f = Buffer.alloc(columns * rows, 20);
    x = Math.max(50, Math.min(90, x + (random() - 0.5) * 16));
    const grey = 60 + random() * 150;
    const disc = (cx, cy, r, v) => {
      for (let v0 = Math.floor(cy - r); v0 <= cy + r; v0++)
        for (let u = Math.floor(cx - r); u <= cx + r; u++) if (Math.hypot(u - cx, v0 - cy) < r) f[v0 * columns + u] = v;
    };
    disc(x, 120, 45, grey);
    disc(260, 60, 16 + 5 * Math.sin((2 * Math.PI * k * 0.025 * RATE) / 60), 170);
    list.push(f);
  }
  picture(path, { study: '2.25.66001', columns, rows, frames, pixels: Buffer.concat(list), frameMs: 25, regions: [region({ box: [0, 0, 319, 239], delta: [0.04, 0.04] })] });
}

await finish(async () => {
  const truth = exam('exam', '--seed', '11', '--week', '26w0d');
  beating(join(folder, 'beating.dcm'));
  run('import', join(folder, 'beating.dcm'));
  const { address } = await serve();
  const page = await open(address);
  const enter = async (text) => {
    await page.locator('.exam-card', { hasText: text }).click();
    await page.waitForSelector('.exam-page[data-ready="yes"]');
    return page.url().split('/').pop();
  };
  const show = async (object) => {
    await page.click(`.thumb[data-object="${object}"]`);
    await page.waitForFunction((o) => { const e = document.querySelector('.cell'); return e?.dataset.object === o && Number(e.dataset.shown) >= 0; }, object);
  };
  let id = await enter('26w0d');
  const ledger = async () => (await ask(page, `/api/exams/${id}`)).exam.ledger;
  const files = await objectsByView(page, truth, id);

  // --- the angle ---
  const mca = files.find((f) => f.kind === 'spectrum' && f.view.includes('middle cerebral'));
  const stored = (await ask(page, `/api/objects/${mca.id}`)).regions.find((r) => r.kind === 'spectrum').correction_angle_deg;
  check(stored > 0 && stored < 30, `the picture was taken at ${stored} degrees`);
  const cos = (deg) => Math.cos((deg * Math.PI) / 180);
  const spectral = async (quantity) => (await ledger()).filter((r) => r.object === mca.id && r.quantity === quantity && r.evidence.type === 'spectrum');
  const standing = async (quantity) => (await spectral(quantity)).find((r) => r.state === 'accepted' && !r.superseded_by);
  const propose = async () => {
    await page.keyboard.press('3');
    await page.waitForSelector('.proposal[data-kind="spectrum"][data-accepted="yes"][data-busy="no"]');
    await page.keyboard.press('m');
    await page.waitForSelector('.proposed-values [data-quantity="mca-psv"]');
    await page.waitForSelector('.proposal[data-busy="no"]');
  };
  const turn = async (deg) => {
    const answered = page.waitForResponse((r) => r.url().endsWith('/proposals') && r.request().postDataJSON().angle_deg === deg);
    await page.fill('.proposal input[type="number"]', String(deg));
    await page.keyboard.press('Tab');
    const answer = await (await answered).json();
    await page.waitForSelector('.proposal[data-busy="no"]');
    return answer;
  };
  await show(mca.id);
  await propose();
  const forty = await turn(40);
  equal(forty.angle_deg, 40, 'the angle is the one given');
  await page.evaluate(() => document.activeElement?.blur());
  await page.keyboard.press('Enter');
  await until('the reading is stored', async () => await standing('mca-psv') !== undefined);
  const psv = await standing('mca-psv');
  const pi = await standing('mca-pi');
  near(psv.value, (mca.truth.psv_cm_s * cos(stored)) / cos(40), 0.06 * psv.value, 'MCA PSV at 40 degrees');
  near(pi.value, mca.truth.pi, 0.06 * mca.truth.pi, 'MCA PI at 40 degrees');
  equal(psv.evidence.angle_changed, true, 'the reading says that the angle was changed');
  equal(psv.evidence.angle_deg, 40, 'and to what');
  equal(psv.evidence.region.correction_angle_deg, stored, 'beside the one stored in the picture');

  await propose();
  const steep = await turn(65);
  check(/over 60/.test(steep.scale_note), 'over 60 degrees it warns');
  await reads(page, '.proposal', 'over 60', 'on the screen');
  check(steep.values.find((v) => v.quantity === 'mca-psv').value > psv.value, 'velocities are still given');
  const over = await turn(75);
  check(/over 70/.test(over.scale_note), 'over 70 degrees it says so');
  check(over.values.find((v) => v.quantity === 'mca-psv').refused, 'and refuses velocities');
  near(over.values.find((v) => v.quantity === 'mca-pi').value, pi.value, 1e-6, 'the ratio stays');
  await page.waitForSelector('.proposed-values [data-quantity="mca-psv"] .dim');
  await page.evaluate(() => document.activeElement?.blur());
  await page.keyboard.press('Enter');
  await page.click('dialog .choices button:has-text("Angle corrected")');
  await page.click('dialog button.main');
  await until('the correction is stored', async () => (await spectral('mca-pi')).length === 2);
  equal((await standing('mca-pi')).supersedes, pi.id, 'the new ratio supersedes the old');
  equal(await standing('mca-psv'), undefined, 'no velocity stands');
  const gone = (await spectral('mca-psv'))[0];
  equal(gone.state, 'withdrawn', 'the one that stood is withdrawn');
  check(gone.events.pop().why.startsWith('Angle corrected'), 'with the reason');

  // --- the rate of a clip ---
  const heart = files.find((f) => f.kind === 'clip');
  await show(heart.id);
  await page.click('.row[data-quantity="fhr"] .row-main'); // the chosen row says what is wanted: no plane is looked for first
  await show(heart.id);
  await page.keyboard.press('3');
  await page.waitForSelector('.proposal[data-kind="rate"][data-accepted="yes"]');
  await page.keyboard.press('Enter');
  const rates = async () => (await ledger()).filter((r) => r.quantity === 'fhr' && r.evidence?.type === 'rate');
  await until('the rate is stored', async () => (await rates()).length === 1);
  const [fhr] = await rates();
  near(fhr.value, heart.truth.rate_bpm, 2, 'heart rate of the clip');
  equal(fhr.source, 'proposed', 'it says that it was proposed');
  equal(fhr.object, heart.id, 'its evidence is the clip');
  equal(fhr.evidence.frames.join(), `0,${heart.frames - 1}`, 'all of its frames');

  await page.goto(address);
  id = await enter('Ida Sand');
  const clip = (await ask(page, `/api/exams/${id}`)).exam.objects.find((o) => o.frames === 80).id;
  await show(clip);
  await page.click('.row[data-quantity="fhr"] .row-main');
  await page.keyboard.press('3');
  await page.waitForSelector('.proposal[data-kind="rate"][data-accepted="no"]');
  await page.mouse.click(...await onScreen(page, clip, [260, 60]));
  await page.waitForSelector('.proposal[data-kind="rate"][data-accepted="yes"]');
  await page.keyboard.press('Enter');
  await until('the rate is stored', async () => (await rates()).length === 1);
  const [found] = await rates();
  near(found.value, RATE, 2, 'rate where the heart was shown');
  check(found.evidence.box[0] > 150 && found.evidence.box[3] < 160, 'the evidence names the part that was looked at');
  equal(page.troubles.join('; '), '', 'nothing went wrong in the page');
});
