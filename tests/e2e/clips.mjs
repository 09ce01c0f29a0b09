// A clip for the tests and benchmarks of playing: 120 frames of 1024 x 768, taken into the record and opened on the stage.
import { mkdirSync } from 'node:fs';
import { join } from 'node:path';
import { equal, folder, run } from './browser.mjs';
import { picture, region, uid } from './dicom.mjs';

const columns = 1024;
const rows = 768;
const frames = 120;

/** Frames with speckle that moves and a number on each, made by the browser's own JPEG encoder. */
async function makeFrames(page) {
  const list = await page.evaluate(async ([w, h, n]) => {
    const c = new OffscreenCanvas(w, h);
    const ctx = c.getContext('2d');
    const noise = new ImageData(w / 4, h / 2); // speckle is wider than it is deep
    let seed = 12345;
    for (let i = 0; i < noise.data.length; i += 4) {
      seed = (seed * 1103515245 + 12345) & 0x7fffffff;
      const v = (seed >> 16) & 127;
      noise.data.set([v, v, v, 255], i);
    }
    const still = await createImageBitmap(noise);
    ctx.imageSmoothingQuality = 'high';
    const out = [];
    for (let k = 0; k < n; k++) {
      ctx.fillStyle = '#000';
      ctx.fillRect(0, 0, w, h);
      ctx.save();
      ctx.beginPath(); // the sector of a curved probe; black outside, as scanners send it
      ctx.moveTo(w * 0.35, 40);
      ctx.lineTo(w * 0.65, 40);
      ctx.lineTo(w * 0.97, h * 0.8);
      ctx.quadraticCurveTo(w / 2, h * 1.1, w * 0.03, h * 0.8);
      ctx.clip();
      ctx.drawImage(still, 0, 0, w, h);
      ctx.restore();
      ctx.fillStyle = '#ddd';
      ctx.beginPath();
      ctx.ellipse(w / 2, h / 2, 120 + 40 * Math.sin(k / 6), 90, k / 40, 0, 7);
      ctx.fill();
      ctx.fillStyle = '#000';
      ctx.font = '60px sans-serif';
      ctx.fillText(String(k), w / 2 - 40, h / 2 + 20);
      const bytes = new Uint8Array(await (await c.convertToBlob({ type: 'image/jpeg', quality: 0.8 })).arrayBuffer());
      let text = '';
      for (let i = 0; i < bytes.length; i += 8192) text += String.fromCharCode(...bytes.subarray(i, i + 8192));
      out.push(btoa(text));
    }
    return out;
  }, [columns, rows, frames]);
  return list.map((t) => Buffer.from(t, 'base64'));
}

/** The clip on the stage goes to a frame. */
export async function slide(page, frame) {
  await page.locator('.transport input[type="range"]').fill(String(frame));
  await page.waitForFunction((k) => Number(document.querySelector('.cell').dataset.shown) === k, frame);
}

/** The clip loops between two frames and stands on the first of them. */
export async function loopOver(page, from, to) {
  await slide(page, from);
  await page.keyboard.press('[');
  await slide(page, to);
  await page.keyboard.press(']');
  await slide(page, from);
}

/** Half of the speckle reduction is switched on. */
export async function reduceSpeckle(page) {
  await page.keyboard.press('u');
  await page.locator('.looks input').nth(0).fill('0.5');
  await page.waitForSelector('.shown-as.filtered[data-side="filtered"]');
  await page.keyboard.press('u');
}

/** Writes the clip, opens its exam on the page and shows it. Returns its object, its size and the rate that the record gives it. */
export async function openClip(page, rate) {
  const jpeg = await makeFrames(page);
  console.log(`  ${frames} frames of ${columns} x ${rows}, ${Math.round(jpeg.reduce((s, j) => s + j.length, 0) / frames / 1024)} kB each`);
  mkdirSync(join(folder, 'clip'));
  picture(join(folder, 'clip/IM1'), { study: uid(), columns, rows, frames, jpeg, samples: 3, frameMs: 1000 / rate,
    regions: [region({ box: [0, 0, columns - 1, rows - 1], delta: [0.02, 0.02] })] });
  run('import', join(folder, 'clip'));
  await page.reload();
  await page.click('.exam-card');
  await page.waitForSelector('.exam-page[data-ready="yes"]');
  const id = await page.locator('.thumb[data-object]').first().getAttribute('data-object');
  await page.click(`.thumb[data-object="${id}"]`);
  await page.waitForSelector('.transport');
  await page.waitForFunction(() => Number(document.querySelector('.cell').dataset.shown) >= 0);
  const info = await page.evaluate(async (o) => (await fetch(`/api/objects/${o}`)).json(), id);
  equal(info.picture.frames, frames, 'frames');
  return { id, frames, columns, rows, rate: 1000 / info.picture.frame_ms };
}
