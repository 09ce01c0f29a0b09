// Pictures that no sound scanner sends: each is shown or refused in words, none gives a wrong millimetre.
import { mkdirSync } from 'node:fs';
import { join } from 'node:path';
import { ask, check, counts, equal, finish, folder, onScreen, openMade, reads } from './browser.mjs';
import { picture, region, uid } from './dicom.mjs';

const columns = 320;
const rows = 240;
const grey = (frames = 1) => Buffer.alloc(columns * rows * frames, 90);
const whole = [0, 0, columns - 1, rows - 1];

await finish(async () => {
  const study = uid();
  const out = join(folder, 'odd');
  mkdirSync(out);
  const base = { study, columns, rows };
  const made = {
    noTimes: picture(join(out, '1'), { ...base, frames: 10, pixels: grey(10), regions: [region({ box: whole, delta: [0.02, 0.02] })] }),
    backTimes: picture(join(out, '2'), { ...base, frames: 4, pixels: grey(4), times: [0, 30, -20, 30], regions: [region({ box: whole, delta: [0.02, 0.02] })] }),
    zeroRegion: picture(join(out, '3'), { ...base, pixels: grey(), regions: [region({ box: [50, 50, 50, 50], delta: [0.02, 0.02] })] }),
    zeroDelta: picture(join(out, '4'), { ...base, pixels: grey(), regions: [region({ box: whole, delta: [0, 0] })] }),
    none: picture(join(out, '5'), { ...base, pixels: grey() }),
    // Says interleaved, but the bytes are three planes, red 200, green 60, blue 30.
    planar: picture(join(out, '6'), { ...base, samples: 3, planar: 1, pixels: Buffer.concat([200, 60, 30].map((v) => Buffer.alloc(columns * rows, v))), regions: [region({ box: whole, delta: [0.02, 0.02] })] }),
    oblong: picture(join(out, '7'), { ...base, pixels: grey(), regions: [region({ box: whole, delta: [0.02, 0.05] })] }),
    two: picture(join(out, '8'), { ...base, pixels: grey(), regions: [region({ box: [0, 0, 159, 239], delta: [0.02, 0.02] }), region({ box: [160, 0, 319, 239], delta: [0.01, 0.01] })] }),
  };
  const { page, id, object, show } = await openMade(out, made);
  const measure = async (name, a, b) => {
    await show(name);
    await page.keyboard.press('d');
    for (const p of [a, b]) await page.mouse.click(...await onScreen(page, object[name], p));
  };
  const geometry = (name, points, kind = 'distance') => page.evaluate(async ([o, p, k]) => {
    const r = await fetch(`/api/objects/${o}/geometry`, { method: 'POST', headers: { 'Content-Type': 'application/json' }, body: JSON.stringify({ frame: 0, geometry: { kind: k, points: p } }) });
    return { status: r.status, ...(await r.json()) };
  }, [object[name], points, kind]);

  await show('noTimes');
  await reads(page, '.rate', /guessed/, 'a clip without times is shown at a rate that is called a guess');
  await show('backTimes');
  await reads(page, '.rate', /guessed/, 'a clip whose times run back is shown at a rate that is called a guess');

  for (const name of ['zeroRegion', 'zeroDelta', 'none']) {
    await show(name);
    await page.keyboard.press('d');
    await page.waitForSelector('.stage-trouble');
    await reads(page, '.stage-trouble', /No millimetres/, `${name}: the page says why there are no millimetres`);
    const g = await geometry(name, [[40, 40], [100, 40]]);
    equal(g.status, 422, `${name}: the server refuses`);
    equal(g.error.code, 'no-calibration', `${name}: code`);
    check(g.error.todo.length > 0, `${name}: what to do`);
    await page.keyboard.press('Escape');
  }

  // The planes are put together as the tag says; the colour on the screen is the colour that was sent.
  await show('planar');
  const colour = await page.evaluate(async (o) => {
    const b = await createImageBitmap(await (await fetch(`/api/objects/${o}/frames/0`)).blob(), { colorSpaceConversion: 'none' });
    const c = new OffscreenCanvas(b.width, b.height).getContext('2d');
    c.drawImage(b, 0, 0);
    return [...c.getImageData(100, 100, 1, 1).data].slice(0, 3);
  }, object.planar);
  equal(colour.join(), '200,60,30', 'colour of the planar picture');

  // Pixels that are not square: 60 columns of 0.2 mm, 40 rows of 0.5 mm.
  const g = await geometry('oblong', [[40, 40], [100, 80]]);
  equal(g.status, 200, 'oblong pixels');
  check(Math.abs(g.extent.length_mm - Math.hypot(60 * 0.2, 40 * 0.5)) < 1e-9, `oblong: ${g.extent.length_mm}`);
  await measure('oblong', [40, 40], [100, 80]);
  await page.keyboard.press('Enter');
  await page.waitForSelector('.prompt b:has-text("23.3 mm")');
  await page.keyboard.press('Escape');

  // One geometry in two regions of different scale is no length.
  const across = await geometry('two', [[100, 100], [220, 100]]);
  check(across.status >= 400 && /region/.test(across.error.what), `across two regions: ${JSON.stringify(across)}`);
  check(Math.abs((await geometry('two', [[10, 100], [110, 100]])).extent.length_mm - 20) < 1e-9, 'left region');
  check(Math.abs((await geometry('two', [[200, 100], [300, 100]])).extent.length_mm - 10) < 1e-9, 'right region');
  await page.keyboard.press('Escape');
  await measure('two', [100, 100], [220, 100]);
  await page.keyboard.press('Enter');
  await page.waitForSelector('.notice.trouble');
  await counts(page, '.shape.thick', (n) => n > 0, 'the refused shape stays in the hand');

  // Off the picture, not finite, too many points: refused, nothing stored.
  equal((await geometry('oblong', [[40, 40], [400, 80]])).status, 400, 'off the picture');
  equal((await geometry('oblong', [[40, 40]])).status, 400, 'one point is no distance');
  equal((await geometry('oblong', Array.from({ length: 9000 }, (_, i) => [i % 300, 20]), 'outline')).status, 400, 'too many points');
  equal((await ask(page, `/api/exams/${id}`)).exam.ledger.length, 0, 'nothing was stored');
  equal(page.troubles.join('; '), '', 'nothing went wrong in the page');
});
