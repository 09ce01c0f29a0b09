// Every tool in a real browser against arithmetic done here: distance, ellipse by points, outline, angle, ratio, ellipsoid,
// M-mode time and rate, spectral velocity and trace, on pictures made for the test. Keys alone; fingers alone.
import { mkdirSync } from 'node:fs';
import { join } from 'node:path';
import { ask, check, equal, finish, folder, near, onScreen, open, openMade, until } from './browser.mjs';
import { picture, region, uid } from './dicom.mjs';

const columns = 640;
const rows = 480;
const whole = [0, 0, columns - 1, rows - 1];
const S = 4;      // unit codes of PS3.3 C.8.5.5: 3 cm, 4 s, 7 cm/s
const CM = 3;
const CM_S = 7;

await finish(async () => {
  const study = uid();
  const out = join(folder, 'tools');
  mkdirSync(out);
  const base = { study, columns, rows, pixels: Buffer.alloc(columns * rows, 70) };
  const made = {
    plane: picture(join(out, '1'), { ...base, regions: [region({ box: whole, delta: [0.02, 0.03] })] }),
    mmode: picture(join(out, '2'), { ...base, regions: [region({ box: whole, delta: [0.004, 0.02], format: 2, units: [S, CM], reference: [0, 0] })] }),
    spectrum: picture(join(out, '3'), { ...base, regions: [region({ box: whole, delta: [0.005, -0.25], format: 3, type: 3, units: [S, CM_S], reference: [0, 400] })] }),
  };
  const { page, id, object, show } = await openMade(out, made);
  const at = (name, p) => onScreen(page, object[name], p);
  const click = async (name, ...points) => { for (const p of points) await page.mouse.click(...await at(name, p)); };
  const result = async () => {
    await page.keyboard.press('Enter');
    await page.waitForSelector('.prompt .dim:has-text("not in any row")');
    return page.textContent('.prompt b');
  };
  const done = () => page.keyboard.press('Escape');
  const number = (said, re) => { check(re.test(said), `"${said}" does not say ${re}`); return Number(re.exec(said)[1]); };

  await show('plane');
  await page.keyboard.press('d');
  await click('plane', [100, 100], [200, 150]);
  let text = await result();
  near(number(text, /^([\d.]+) mm/), Math.hypot(100 * 0.2, 50 * 0.3), 0.06, 'distance, mm');
  // A second one, and their ratio.
  await done();
  await page.keyboard.press('d');
  await click('plane', [100, 300], [150, 300]);
  await result();
  await page.click('.prompt button:has-text("Ratio")');
  await page.waitForSelector('.prompt b:has-text("Ratio")');
  near(number(await page.textContent('.prompt b'), /([\d.]+)$/), Math.hypot(20, 15) / 10, 0.002, 'ratio');
  await done();
  await page.keyboard.press('d');
  await click('plane', [100, 350], [180, 350]);
  await result();
  await page.click('.prompt button:has-text("ellipsoid")');
  await page.waitForSelector('.prompt b:has-text("Ellipsoid")');
  near(number(await page.textContent('.prompt b'), /([\d.]+) mL/), (Math.PI / 6) * 25 * 10 * 16 / 1000, 0.01, 'ellipsoid, mL');
  await done();

  // A right angle in the body is none in these pixels.
  await page.keyboard.press('a');
  await click('plane', [400, 100], [300, 200], [300 + 30, 200 + 100 * 0.2 * 30 * 0.2 / (100 * 0.3) / 0.3]);
  text = await result();
  near(number(text, /^([\d.]+)°/), 90, 0.1, 'angle, degrees');
  await done();

  // Outline by clicks: a rectangle of 40 by 30 mm.
  await page.keyboard.press('c');
  await page.keyboard.press('o');
  await click('plane', [200, 150], [400, 150], [400, 250], [200, 250]);
  await page.keyboard.press('Enter');
  text = await result();
  near(number(text, /around ([\d.]+) mm/), 140, 0.06, 'outline, mm around');
  near(number(text, /area ([\d.]+) mm/), 1200, 0.6, 'outline, mm2');
  await done();
  await page.keyboard.press('c');

  // Ellipse by eight points on one of 60 by 40 mm, turned by 30 degrees.
  await page.keyboard.press('p');
  const on = [];
  for (let i = 0; i < 8; i++) {
    const a = 30 * Math.cos((i * Math.PI) / 4 + 0.2);
    const b = 20 * Math.sin((i * Math.PI) / 4 + 0.2);
    on.push([320 + (a * Math.cos(Math.PI / 6) - b * 0.5) / 0.2, 240 + (a * 0.5 + b * Math.cos(Math.PI / 6)) / 0.3]);
  }
  await click('plane', ...on);
  await page.keyboard.press('Enter');
  text = await result();
  near(number(text, /axes ([\d.]+) mm/), 60, 0.06, 'ellipse by points, longer axis');
  near(number(text, /× ([\d.]+) mm/), 40, 0.06, 'ellipse by points, shorter axis');
  let turn = 0; // perimeter by summing 100,000 chords
  for (let i = 0, n = 100000; i < n; i++) turn += Math.hypot(30 * (Math.cos(((i + 1) * 2 * Math.PI) / n) - Math.cos((i * 2 * Math.PI) / n)), 20 * (Math.sin(((i + 1) * 2 * Math.PI) / n) - Math.sin((i * 2 * Math.PI) / n)));
  near(number(text, /around ([\d.]+) mm/), turn, 0.11, 'ellipse by points, mm around');
  await done();

  // Time and rate on the M-mode strip: 105 columns of 4 ms are 420 ms, 143 beats a minute.
  await show('mmode');
  await page.keyboard.press('t');
  await click('mmode', [200, 200], [305, 220]);
  text = await result();
  near(number(text, /([\d.]+) ms/), 420, 0.5, 'M-mode time, ms');
  near(number(text, /rate ([\d.]+)/), 60000 / 420, 0.6, 'M-mode rate, /min');
  await done();
  await page.click('.row[data-quantity="fhr"] .row-main');
  await click('mmode', [200, 200], [305, 220]);
  await page.keyboard.press('Enter');
  const ledger = async (q) => (await ask(page, `/api/exams/${id}`)).exam.ledger.find((r) => r.quantity === q);
  await until('heart rate stored', () => ledger('fhr'));
  near((await ledger('fhr')).value, 60000 / 420, 0.01, 'heart rate in the ledger');

  // One point on the spectrum, and a cycle drawn by hand: 60 to 15 cm/s, falling evenly.
  await page.keyboard.press('Escape');
  await page.keyboard.press('Escape');
  await show('spectrum');
  await page.keyboard.press('y');
  await click('spectrum', [150, 400 - 60 / 0.25]);
  text = await result();
  near(number(text, /([\d.]+) cm\/s/), 60, 0.06, 'velocity at a point, cm/s');
  await done();
  await page.click('.row[data-quantity="ua-pi"] .row-main');
  const [x0, y0] = await at('spectrum', [150, 160]);
  const [x1, y1] = await at('spectrum', [250, 340]);
  await page.mouse.move(x0, y0);
  await page.mouse.down();
  for (let i = 1; i <= 40; i++) await page.mouse.move(x0 + ((x1 - x0) * i) / 40, y0 + ((y1 - y0) * i) / 40);
  await page.mouse.up();
  await page.waitForSelector('.accept');
  await page.click('.accept');
  await until('pulsatility stored', () => ledger('ua-pi'));
  near((await ledger('ua-pi')).value, (60 - 15) / 37.5, 0.01, 'UA PI by hand');
  near((await ledger('ua-ri')).value, 0.75, 0.005, 'UA RI along with it');
  near((await ledger('ua-psv')).value, 60, 0.2, 'UA PSV along with it');

  // By keys alone: an end is nudged by a quarter pixel, four of them are one pixel of 0.2 mm.
  await page.keyboard.press('Escape');
  await page.keyboard.press('Escape');
  await show('plane');
  await page.keyboard.press('d');
  await click('plane', [100, 100], [200, 100]);
  for (let i = 0; i < 40; i++) await page.keyboard.press('ArrowRight');
  await page.keyboard.press('Tab');
  for (let i = 0; i < 10; i++) await page.keyboard.press('Shift+ArrowLeft');
  text = await result();
  near(number(text, /^([\d.]+) mm/), (100 + 10 + 10) * 0.2, 0.06, 'nudged distance, mm');
  await done();

  // Marks are data: an arrow and a caption, taken away again by undo.
  await page.keyboard.press('w');
  await click('plane', [300, 300], [350, 340]);
  await page.waitForSelector('.mark');
  equal((await ask(page, `/api/exams/${id}/marks`)).marks.length, 1, 'marks');
  await page.keyboard.press('Control+z');
  await until('mark undone', async () => (await ask(page, `/api/exams/${id}/marks`)).marks.length === 0);
  await page.keyboard.press('Control+y');
  await until('mark redone', async () => (await ask(page, `/api/exams/${id}/marks`)).marks.length === 1);

  // Fingers: two taps measure, two fingers enlarge without placing anything.
  const touch = await open(page.url(), { touch: true, width: 1180, height: 820, who: 'Bea' });
  await touch.waitForSelector('.exam-page[data-ready="yes"]');
  await touch.tap(`.thumb[data-object="${object.plane}"]`);
  await onScreen(touch, object.plane, [1, 1]);
  await touch.tap('.tool[title^="Distance"]');
  for (const p of [[100, 100], [200, 100]]) await touch.touchscreen.tap(...await onScreen(touch, object.plane, p));
  await touch.tap('.accept');
  await touch.waitForSelector('.prompt .dim:has-text("not in any row")');
  near(number(await touch.textContent('.prompt b'), /^([\d.]+) mm/), 20, 0.3, 'distance by finger, mm');

  equal([...page.troubles, ...touch.troubles].join('; '), '', 'nothing went wrong in the pages');
});
