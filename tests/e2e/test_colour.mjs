// Colour Doppler on the stage: one key counts the colour in the colour box of a still, a drawn region counts there, a clip
// gives its curve; what is kept has its evidence and can be taken back; a picture without a bar is refused in words; the
// relief display is said to be on, and changes nothing that is stored; a picture that states the velocity at the end of
// its bar needs nobody to type it; the report tells what was kept, and `ogive verify` counts it again. Truth: the phantom's own count of what it painted,
// and for the clip a count of the pixels that this test left coloured.
import { join } from 'node:path';
import { readFileSync, writeFileSync } from 'node:fs';
import { picture, region } from './dicom.mjs';
import { readPng } from './png.mjs';
import { ask, check, counts, equal, exam, finish, folder, near, objectsByView, onScreen, open, reads, run, serve, until } from './browser.mjs';

const chroma = (p, i) => Math.max(p[i], p[i + 1], p[i + 2]) - Math.min(p[i], p[i + 1], p[i + 2]);

/** A clip made of one colour still: in frame k a known part of its coloured pixels is turned to grey. */
function pulsing(path, png, box, bar, frames, { withBar = true, flash = -1, component = undefined } = {}) {
  const { width, height, pixels } = readPng(png);
  const shares = [];
  const list = [];
  const top = ((bar[1] + 20) * width + ((bar[0] + bar[2]) >> 1)) * 3;
  const warm = pixels.subarray(top, top + 3);
  for (let k = 0; k < frames; k++) {
    const f = Buffer.from(pixels);
    const keep = 0.55 + 0.4 * Math.sin((2 * Math.PI * k) / 6);
    let coloured = 0;
    for (let y = 0; y < height; y++)
      for (let x = 0; x < width; x++) {
        const i = (y * width + x) * 3;
        const inBar = x >= bar[0] - 2 && x <= bar[2] + 2 && y >= bar[1] - 2 && y <= bar[3] + 2;
        if (inBar) { if (!withBar) f.fill(0, i, i + 3); continue; }
        const boxed = x >= box[0] && x <= box[2] && y >= box[1] && y <= box[3];
        if (k === flash && boxed && chroma(f, i) < 40) f.set(warm, i); // tissue moves: colour everywhere
        if (chroma(f, i) < 40) continue;
        if (k !== flash && ((x * 7919 + y * 104729) % 1000) / 1000 >= keep) f.fill(60, i, i + 3);
        else if (boxed) coloured++;
      }
    shares.push(coloured / ((box[2] - box[0] + 1) * (box[3] - box[1] + 1)));
    list.push(f);
  }
  picture(path, { study: '2.25.88001', columns: width, rows: height, frames, pixels: Buffer.concat(list), samples: 3, frameMs: 50,
    regions: [region({ box: [0, 0, width - 1, height - 1], delta: [0.01, 0.01] }), region({ box, delta: [0.01, 0.01], type: 2, component })] });
  return shares;
}

await finish(async () => {
  const truth = exam('exam', '--seed', '11', '--week', '26w0d');
  const file = truth.files.find((f) => f.kind === 'colour');
  const t = file.truth;
  const png = join(folder, 'colour.png');
  run('dicom', join(folder, 'exam', file.file), '--png', png);
  const shares = pulsing(join(folder, 'pulse.dcm'), png, t.box, t.bar, 12, { flash: 7, component: { unit: 7, type: 3, low: -31, high: 31 } });
  pulsing(join(folder, 'bare.dcm'), png, t.box, t.bar, 2, { withBar: false });
  for (const f of ['pulse.dcm', 'bare.dcm']) run('import', join(folder, f));
  const { address } = await serve();
  const page = await open(address);
  const cards = page.locator('.exam-card');
  await cards.first().waitFor();
  const openExam = async (name) => {
    await page.locator('.exam-card', { hasText: name }).click();
    await page.waitForSelector('.exam-page[data-ready="yes"]');
    return page.url().split('/').pop();
  };
  const show = async (object) => {
    await page.click(`.thumb[data-object="${object}"]`);
    await page.waitForFunction((o) => { const e = document.querySelector('.cell'); return e?.dataset.object === o && Number(e.dataset.shown) >= 0; }, object);
  };
  const kept = async (id) => (await ask(page, `/api/exams/${id}`)).exam.events.filter((e) => e.verb === 'colour').map((e) => e.detail);

  // A still: counted in its colour box, shown when asked, kept.
  let id = await openExam('26w0d');
  const still = (await objectsByView(page, truth, id)).find((f) => f.kind === 'colour');
  await show(still.id);
  await page.keyboard.press('3');
  await page.waitForSelector('.proposal[data-kind="colour"][data-accepted="yes"]');
  equal(await page.locator('[data-colour="fraction"]').count(), 0, 'the values are covered at first');
  await page.click('.proposal button:has-text("Show the values now")');
  const read = parseFloat(await page.textContent('[data-colour="fraction"] b')) / 100;
  near(read, t.fraction, 0.01, 'coloured share of the box');
  const aliased = (await page.locator('[data-colour="aliased"]').count()) > 0;
  await page.fill('.proposal input[type="number"]', String(t.bar_top_cm_s));
  await page.keyboard.press('Tab');
  const speed = parseFloat(await page.textContent('[data-colour="velocity"] b'));
  near(speed, t.mean_speed_cm_s, 0.1 * t.bar_top_cm_s, 'mean velocity');
  if (process.env.E2E_SHOT) await page.screenshot({ path: `${process.env.E2E_SHOT}-still.png` });
  await page.click('.proposal .accept');
  await until('it is kept', async () => (await kept(id)).length === 1);
  const [first] = await kept(id);
  near(first.colour.colour_fraction, t.fraction, 0.01, 'share as kept');
  near(first.mean_velocity_cm_s, speed, 0.06, 'velocity as kept');
  equal(first.bar_end_from, 'typed', 'the velocity at the end is a person\'s');
  equal(aliased, first.colour.aliased_fraction >= 0.02, 'aliasing is said when there is some');
  equal(first.by, 'box', 'its region is the colour box');
  check(first.geometry.points.length === 4 && first.colour.bar.length === 4, 'region and bar are its evidence');
  await page.waitForSelector('.colour-kept li');

  // A drawn region: only what lies in it counts.
  await page.keyboard.press('3');
  await page.waitForSelector('.proposal[data-kind="colour"][data-accepted="yes"]');
  const [x0, y0, x1, y1] = t.box;
  const corners = [[x0 + 4, y0 + 4], [(x0 + x1) / 2, y0 + 4], [(x0 + x1) / 2, y1 - 4], [x0 + 4, y1 - 4]];
  for (const [k, p] of [...corners, corners[0]].entries()) {
    await page.mouse.move(...await onScreen(page, still.id, p));
    if (!k) await page.mouse.down();
  }
  const again = page.waitForResponse((r) => r.url().endsWith('/colour') && r.request().postDataJSON().outline);
  await page.mouse.up();
  const half = await (await again).json();
  equal(half.by, 'person', 'the region is the drawn one');
  check(half.colour.pixels < 0.6 * first.colour.pixels && half.colour.pixels > 0.4 * first.colour.pixels, 'it holds half of the box');
  await page.waitForSelector('.proposal[data-kind="colour"][data-busy="no"]');
  await page.keyboard.press('Enter');
  await until('the second is kept', async () => (await kept(id)).length === 2);
  equal((await kept(id))[1].by, 'person', 'kept with its own region');

  // One is taken back, with a reason; it stays in the record.
  await page.locator('.colour-kept li').nth(1).locator('button:has-text("Take back")').click();
  await page.click('dialog .choices button:has-text("Wrong region")');
  await page.click('button:has-text("Take it back")');
  await until('it is taken back', async () => (await kept(id)).some((k) => k.withdraws));
  await page.waitForFunction(() => document.querySelectorAll('.colour-kept li').length === 1);

  // The relief: said to be on, only where there is a bar; the stored picture stays.
  const bytes = (path) => page.evaluate(async (p) => [...new Uint8Array(await (await fetch(p, { cache: 'no-store' })).arrayBuffer())].reduce((a, b) => (a * 31 + b) % 1000003, 7), path);
  const before = await bytes(`/api/objects/${still.id}/frames/0`);
  await page.keyboard.press('u');
  await page.click('.look[data-filter="relief"] [role="switch"]');
  await page.waitForSelector('.shown-as.filtered:has-text("colour as a relief")');
  if (process.env.E2E_SHOT) await page.screenshot({ path: `${process.env.E2E_SHOT}-relief.png` });
  equal(await bytes(`/api/objects/${still.id}/frames/0`), before, 'the stored picture is as it was');
  check(await bytes(`/api/objects/${still.id}/frames/0?filters=${encodeURIComponent('{"relief":true}')}`) !== before, 'the shown one is lit');
  const head = (await objectsByView(page, truth, id)).find((f) => f.view === 'head');
  await show(head.id);
  await page.waitForFunction(() => !document.querySelector('.shown-as.filtered'));
  await page.click('.looks button:has-text("All off")');
  await page.keyboard.press('u');

  // A clip: its curve, share by share; then a picture without a bar.
  await page.goto(address);
  id = await openExam('Ida Sand');
  const objects = (await ask(page, `/api/exams/${id}`)).exam.objects;
  const clip = objects.find((o) => o.frames === 12).id;
  const bare = objects.find((o) => o.frames === 2).id;
  await show(clip);
  await page.keyboard.press('3');
  await page.waitForSelector('.colour-curve .flow');
  if (process.env.E2E_SHOT) await page.screenshot({ path: `${process.env.E2E_SHOT}-clip.png` });
  await reads(page, '[data-colour="end"]', '31 cm/s', 'the picture states the velocity at the end of its bar');
  equal(await page.locator('.proposal input[type="number"]').count(), 0, 'so nobody types it');
  await reads(page, '[data-colour="flash"]', 'One frame', 'a flash is left out, and said');
  await counts(page, '.colour-curve .left-out', 1, 'and marked on the curve');
  await page.keyboard.press('Enter');
  await until('the curve is kept', async () => (await kept(id)).length === 1);
  const [c] = await kept(id);
  equal(c.curve.length, 12, 'every frame was counted');
  shares.forEach((s, k) => check(Math.abs(c.curve[k].colour_fraction - s) < 0.005, `frame ${k + 1}: ${c.curve[k].colour_fraction} is not ${s}`));
  equal(c.curve.map((x, k) => (x.left_out ? k : '')).join(''), '7', 'the frame with the flash is left out');
  const used = c.curve.filter((x) => !x.left_out);
  const flow = used.map((x) => x.colour_fraction * x.mean_magnitude);
  near(c.pulsatility, (Math.max(...flow) - Math.min(...flow)) / (flow.reduce((a, b) => a + b) / 11), 1e-6, 'pulsation');
  near(c.mean_velocity_cm_s, (31 * used.reduce((a, x) => a + x.mean_magnitude, 0)) / 11, 1e-6, 'mean velocity by the picture\'s own scale');
  equal(c.bar_end_from, 'region', 'it is said where the velocity comes from');
  await show(bare);
  await page.keyboard.press('3');
  await page.waitForSelector('.proposal[data-kind="colour"][data-accepted="no"]');
  await reads(page, '.proposal', 'no colour bar was found', 'a picture without a bar is refused, and says so');
  // The report has it, and verification counts it again from the clip; a copy that says something else is found.
  const pdf = join(folder, 'colour.pdf');
  run('report', id, '-o', pdf);
  const verdict = (file) => { try { return JSON.parse(run('verify', file, '--store', '--all', '--json')); } catch (e) { return JSON.parse(e.stdout); } };
  const whole = verdict(pdf);
  equal(whole.checks.filter((k) => !k.holds).map((k) => `${k.what}: ${k.why}`).join('; '), '', 'the report holds');
  check(whole.checks.some((k) => k.what.includes('from the picture, curve of 12 frames')), 'the frames were counted again');
  check(whole.checks.some((k) => k.what.includes('from the picture, end of the bar')), 'the velocity at the end was read again');
  if (process.env.E2E_SHOT) writeFileSync(`${process.env.E2E_SHOT}.pdf`, readFileSync(pdf));
  equal(page.troubles.join('; '), '', 'nothing went wrong in the page');
});
