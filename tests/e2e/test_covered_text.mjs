// While blind is on, what the scanner wrote into the pixels does not show: results in colour inside the scanned area and
// everything beside it, from the first painted picture on, under the magnifier as well. The cover can be lifted; a reading
// taken there then says so. Truth: the pixels that this test wrote.
import { mkdirSync } from 'node:fs';
import { join } from 'node:path';
import { ask, check, equal, finish, folder, onScreen, openMade, until } from './browser.mjs';
import { picture, region, uid } from './dicom.mjs';

const columns = 640;
const rows = 480;
const box = [80, 60, 559, 419];

function made() {
  const pixels = Buffer.alloc(columns * rows * 3, 0);
  const put = (x, y, rgb) => { for (let c = 0; c < 3; c++) pixels[3 * (y * columns + x) + c] = rgb[c]; };
  for (let y = box[1]; y <= box[3]; y++) for (let x = box[0]; x <= box[2]; x++) { const v = (x * 31 + y * 17) % 120; put(x, y, [v, v, v]); }
  const letters = (x, y, n, rgb) => { for (let k = 0; k < n; k++) for (let j = 0; j < 12; j++) for (let i = 0; i < 7; i++) if (i < 2 || j < 2 || j > 9) put(x + 10 * k + i, y + j, rgb); };
  letters(10, 20, 14, [255, 255, 255]); // beside the scanned area
  letters(90, 380, 9, [255, 170, 0]);   // a result inside it
  return pixels;
}

await finish(async () => {
  const study = uid();
  const out = join(folder, 'text');
  mkdirSync(out);
  const base = { study, columns, rows, samples: 3, pixels: made() };
  const instances = { text: picture(join(out, '1'), { ...base, regions: [region({ box, delta: [0.02, 0.02] })] }),
    unknown: picture(join(out, '2'), base) };
  const { page, id, object, show } = await openMade(out, instances);
  /** The brightest channel of the canvas round a point of the picture. */
  const light = async (name, p) => {
    const [x, y] = await onScreen(page, object[name], p);
    return page.evaluate(([sx, sy]) => {
      const c = document.querySelector('.cell canvas');
      const r = c.getBoundingClientRect();
      const k = c.width / r.width;
      const d = c.getContext('2d').getImageData(Math.round((sx - r.left) * k) - 6, Math.round((sy - r.top) * k) - 4, 12, 8).data;
      return Math.max(...d.filter((_, i) => i % 4 !== 3));
    }, [x, y]);
  };
  const outside = [60, 24];
  const inside = [130, 385];
  await show('text');
  await page.waitForSelector('.text-sign button:has-text("Show")');
  check(await light('text', outside) < 80, 'text beside the scanned area is covered');
  await until('a result in colour inside the scanned area is covered', async () => await light('text', inside) < 80);
  check(await light('text', [300, 240]) > 60, 'the structure is not covered');

  // Before the server says where the text is, everything beside the scanned area is covered.
  await page.route('**/covers', async (route) => { await until('released', () => page.released); await route.continue(); });
  await page.reload();
  await page.waitForSelector('.exam-page[data-ready="yes"]');
  await show('text');
  equal(await page.locator('.text-sign').count(), 0, 'no answer yet');
  check(await light('text', outside) < 80, 'covered before the answer');
  page.released = true;
  await page.waitForSelector('.text-sign button:has-text("Show")');
  await until('covered after the answer', async () => await light('text', inside) < 80);

  // A reading taken covered; then the cover is lifted, the text shows, and the next reading says so.
  const measure = async (q) => {
    const before = (await ask(page, `/api/exams/${id}`)).exam.ledger.filter((r) => r.quantity === q).length;
    await page.click(`.row[data-quantity="${q}"] .row-main`);
    for (const p of [[200, 200], [400, 200]]) await page.mouse.click(...await onScreen(page, object.text, p));
    await page.keyboard.press('Enter');
    let list;
    await until(`${q} stored`, async () => (list = (await ask(page, `/api/exams/${id}`)).exam.ledger.filter((r) => r.quantity === q)).length > before);
    await page.keyboard.press('Escape');
    return list[list.length - 1];
  };
  const q = await page.locator('.row[data-quantity="fl"]').count() ? 'fl' : 'bpd';
  equal((await measure(q)).evidence.how.text, 'covered', 'evidence of a covered reading');
  await page.keyboard.press('Shift+t');
  await page.waitForSelector('.text-sign.lifted');
  await until('lifted: the text shows', async () => await light('text', outside) > 200 && await light('text', inside) > 200);
  equal((await measure(q)).evidence.how.text, 'seen', 'evidence after the cover was lifted');
  await page.keyboard.press('Shift+t');
  await page.waitForSelector('.text-sign:not(.lifted)');
  await until('covered again', async () => await light('text', outside) < 80);
  equal((await measure(q)).evidence.how.text, 'seen', 'what was seen stays seen');

  // Where nobody knows the scanned area nothing is covered, and that is said.
  await show('unknown');
  await page.waitForSelector('.text-sign[role="note"]:has-text("not covered")');
  await until('nothing is covered there', async () => await light('unknown', outside) > 200);

  // The department measures with values shown: no cover.
  await page.evaluate(() => fetch('/api/setup', { method: 'POST', headers: { 'Content-Type': 'application/json', 'X-Ogive-Who': 'Ann%20Reader' }, body: '{"blind":false}' }));
  await show('text');
  await page.waitForFunction(() => !document.querySelector('.text-sign'));
  await until('not blind: the text shows', async () => await light('text', outside) > 200);
  equal(page.troubles.join('\n'), '', 'troubles');
});
