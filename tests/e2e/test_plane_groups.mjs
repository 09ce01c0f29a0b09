// Pictures that carry no name are grouped on the strip by what the program takes them for, marked as its proposal, with the
// measurement that fits offered; a person's word goes before it and stays. The pictures are the phantom's planes.
import { join } from 'node:path';
import { picture, region } from './dicom.mjs';
import { readPng } from './png.mjs';
import { ask, check, counts, equal, finish, folder, open, run, serve, until } from './browser.mjs';

const kinds = ['head', 'abdomen', 'femur'];

await finish(async () => {
  run('init');
  const instances = {};
  for (const kind of kinds) {
    const png = join(folder, `${kind}.png`);
    run('phantom', 'plane', kind, '--seed', '3', '--week', '24w0d', '--width', '640', '--height', '480', png);
    const p = readPng(png);
    const path = join(folder, `${kind}.dcm`);
    instances[kind] = picture(path, { study: '2.25.99001', columns: 640, rows: 480, pixels: Buffer.from(p.pixels.filter((_, k) => k % p.samples === 0)),
      regions: [region({ box: [0, 0, 639, 479], delta: [0.03, 0.03] })] });
    run('import', path);
  }
  const dark = join(folder, 'dark.dcm');
  instances.dark = picture(dark, { study: '2.25.99001', columns: 640, rows: 480, pixels: Buffer.alloc(640 * 480, 3) });
  run('import', dark);
  const { address } = await serve();
  const page = await open(address);
  await page.click('.exam-card');
  await page.waitForSelector('.exam-page[data-ready="yes"]');
  const id = page.url().split('/').pop();
  const objects = async () => (await ask(page, `/api/exams/${id}`)).exam.objects;
  const of = Object.fromEntries((await objects()).map((o) => [Object.keys(instances).find((k) => instances[k] === o.instance), o.id]));
  const groupOn = (object) => page.locator(`.strip-group:has(.thumb[data-object="${object}"])`).getAttribute('aria-label');

  await counts(page, '.guess', 3, 'the three are marked as proposed');
  equal(await groupOn(of.head), 'Head', 'the head stands with the heads');
  equal(await groupOn(of.abdomen), 'Abdomen', 'the abdomen with the abdomens');
  equal(await groupOn(of.femur), 'Limbs', 'the femur with the limbs');
  check(['Stills'].includes(await groupOn(of.dark)), 'what the program cannot tell stays among the stills');

  // The measurement that fits is offered.
  await page.click(`.thumb[data-object="${of.femur}"]`);
  await page.waitForSelector('.propose .offer:has-text("FL")');
  await page.click(`.thumb[data-object="${of.head}"]`);
  await page.waitForSelector('.propose .offer:has-text("HC, BPD, OFD")');
  if (process.env.E2E_SHOT) await page.screenshot({ path: process.env.E2E_SHOT });

  // A person's word goes before it.
  await page.locator(`.thumb-place:has(.thumb[data-object="${of.head}"]) .guess`).click();
  await page.click('dialog .choices button:has-text("Other")');
  await page.click('dialog button.main');
  await until('the group is stored', async () => (await objects()).find((o) => o.id === of.head).group === 'Other');
  await page.waitForFunction((o) => document.querySelector(`.thumb[data-object="${o}"]`)?.closest('.strip-group')?.getAttribute('aria-label') === 'Other', of.head);
  await counts(page, '.guess', 2, 'what a person said is no proposal any more');
  await page.reload();
  await page.waitForSelector('.guess');
  equal(await groupOn(of.head), 'Other', 'and it stays');
  equal(page.troubles.join('; '), '', 'nothing went wrong in the page');
});
