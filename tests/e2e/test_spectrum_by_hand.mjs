// A spectrum whose picture carries no calibration: refused, calibrated by hand with six clicks, and stored as such. And twins: a
// fetal vessel belongs to the fetus that was chosen. Truth: the phantom's file.
import { join } from 'node:path';
import { ask, check, equal, exam, finish, folder, near, objectsByView, onScreen, open, run, serve, until } from './browser.mjs';
import { picture, uid } from './dicom.mjs';

await finish(async () => {
  const truth = exam('twins', '--seed', '31', '--week', '29w0d', '--fetuses', '2');
  const { address } = await serve();
  const page = await open(address);
  await page.click('.exam-card');
  await page.waitForSelector('.exam-page[data-ready="yes"]');
  const id = page.url().split('/').pop();
  const files = (await objectsByView(page, truth, id)).filter((f) => f.kind === 'spectrum' && f.view.includes('umbilical'));
  const show = async (object) => {
    await page.click(`.thumb[data-object="${object}"]`);
    await page.waitForFunction((o) => { const e = document.querySelector('.cell'); return e?.dataset.object === o && Number(e.dataset.shown) >= 0; }, object);
  };
  const spectra = async (exam, object) => (await ask(page, `/api/exams/${exam}`)).exam.ledger.filter((r) => r.object === object && r.evidence.type === 'spectrum');
  const accept = async (exam, object) => {
    await page.keyboard.press('u');
    await page.waitForSelector('.proposed-values [data-quantity="ua-pi"]');
    await page.waitForSelector('.proposal[data-busy="no"]');
    await page.keyboard.press('Enter');
    await until('the rows are stored', async () => (await spectra(exam, object)).length > 0);
    return (await spectra(exam, object)).find((r) => r.quantity === 'ua-pi');
  };

  const second = files.find((f) => f.fetus && f.fetus !== 'A');
  check(second, 'the phantom has a spectrum of the second twin');
  await page.click(`.fetuses button:has-text("${second.fetus}")`);
  await show(second.id);
  await page.keyboard.press('3');
  await page.waitForSelector('.proposal[data-kind="spectrum"][data-busy="no"]');
  const twin = await accept(id, second.id);
  equal(twin.fetus, second.fetus, 'the site belongs to the chosen twin');
  near(twin.value, second.truth.pi, 0.05 * second.truth.pi, `UA PI of twin ${second.fetus}`);

  // The same picture written anew without its regions.
  const raw = await page.evaluate(async (o) => {
    const bitmap = await createImageBitmap(await (await fetch(`/api/objects/${o}/frames/0`)).blob());
    const c = new OffscreenCanvas(bitmap.width, bitmap.height);
    const g = c.getContext('2d');
    g.drawImage(bitmap, 0, 0);
    const d = g.getImageData(0, 0, bitmap.width, bitmap.height).data;
    let s = '';
    for (let i = 0; i < d.length; i += 4) s += String.fromCharCode(d[i], d[i + 1], d[i + 2]);
    return { width: bitmap.width, height: bitmap.height, rgb: btoa(s) };
  }, second.id);
  const bare = join(folder, 'bare.dcm');
  picture(bare, { study: uid(), columns: raw.width, rows: raw.height, samples: 3, pixels: Buffer.from(raw.rgb, 'base64') });
  run('import', bare);
  const list = await ask(page, '/api/exams?text=TEST-1');
  const other = list.exams[0].id;
  await page.goto(`${address.replace(/\/$/, '')}/exam/${other}`);
  await page.waitForSelector('.exam-page[data-ready="yes"]');
  const object = (await ask(page, `/api/exams/${other}`)).exam.objects[0].id;
  await page.waitForFunction((o) => { const e = document.querySelector('.cell'); return e?.dataset.object === o && Number(e.dataset.shown) >= 0; }, object);
  await page.keyboard.press('3');
  await page.waitForSelector('.proposal[data-accepted="no"]');
  check((await page.locator('.proposal').innerText()).length > 40, 'the refusal says why');
  await page.click('.proposal button:has-text("calibrate by hand")');
  const t = second.truth;
  const [x0, y0, x1, y1] = t.box;
  const press = async (p) => { const [x, y] = await onScreen(page, object, p); await page.mouse.click(x, y); };
  const type = async (text) => { await page.fill('dialog input', text); await page.click('dialog button.main'); };
  const up = t.drawn_up === false ? 1 : -1;
  check(!/a other|a abdomen/.test(await page.locator('.proposal').innerText()), 'in whole words');
  await press([x0 + 90, y0 + 50]);
  await page.waitForFunction(() => document.querySelector('.mark-count')?.textContent === '2 of 6');
  await page.keyboard.press('Backspace'); // a wrong mark is taken back, not all of them
  await page.waitForFunction(() => document.querySelector('.mark-count')?.textContent === '1 of 6');
  await press([x0 + 1, y0 + 1]);
  await press([x1 - 1, y1 - 1]);
  await press([(x0 + x1) / 2, t.baseline_row]);
  await press([(x0 + x1) / 2, t.baseline_row + (up * 40) / t.cm_s_per_px]);
  await type('40');
  await press([x0 + 20, (y0 + y1) / 2]);
  await press([x0 + 20 + 1.5 / t.s_per_px, (y0 + y1) / 2]);
  await type('1.5');
  await page.waitForSelector('.proposal[data-kind="spectrum"][data-accepted="yes"][data-busy="no"]');
  const row = await accept(other, object);
  near(row.value, t.pi, 0.06 * t.pi, 'PI calibrated by hand');
  equal(row.evidence.region.by_hand, true, 'the calibration says that it was made by hand');
  equal(row.evidence.calibration.velocity_cm_s, 40, 'and how');
  const rows = await spectra(other, object);
  near(rows.find((r) => r.quantity === 'ua-psv').value, t.psv_cm_s, 0.06 * t.psv_cm_s, 'PSV calibrated by hand');
  check(rows.find((r) => r.quantity === 'ua-psv').evidence.sd.calibration > 0, 'with its share of the uncertainty');

  // Later the marks are not made again: the stored calibration is gone on with.
  await page.reload();
  await page.waitForSelector('.exam-page[data-ready="yes"]');
  await page.waitForFunction((o) => { const e = document.querySelector('.cell'); return e?.dataset.object === o && Number(e.dataset.shown) >= 0; }, object);
  await page.keyboard.press('3');
  await page.click('.proposal[data-accepted="no"] .go-on');
  await page.waitForSelector('.proposal[data-kind="spectrum"][data-accepted="yes"][data-busy="no"]');
  await page.waitForSelector('.proposal .sites [data-site="umbilical-artery"][aria-pressed="true"]');
  check((await page.locator('.proposal').innerText()).includes('Calibrated by hand'), 'and says so');
  equal(page.troubles.join('; '), '', 'nothing went wrong in the page');
});
