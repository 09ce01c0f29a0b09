// Writes the pictures of docs/screens from a synthetic pregnancy of three exams: node tests/e2e/screens.mjs
import { mkdirSync } from 'node:fs';
import { join } from 'node:path';
import { exam, finish, folder, objectsByView, onScreen, open, run, serve } from './browser.mjs';
import { uid } from './dicom.mjs';
import { phantomSpectrum } from './spectra.mjs';

const out = join(process.env.SOURCE_ROOT ?? process.cwd(), 'docs/screens');
mkdirSync(out, { recursive: true });

await finish(async () => {
  let truth;
  for (const [k, week] of [[1, '12w2d'], [2, '20w3d'], [3, '30w1d']]) {
    const t = exam(`exam-${k}`, '--seed', '7', '--serial', String(k), '--week', week, '--centile', '35');
    if (k === 2) truth = t;
  }
  const { address } = await serve();
  for (const [width, height] of [[1366, 768], [1920, 1080], [1180, 820]]) {
    const page = await open(address, { width, height });
    const shot = async (name) => { await page.waitForTimeout(700); await page.screenshot({ path: join(out, `${name}-${width}x${height}.png`) }); };
    const all = width === 1366;
    await page.waitForSelector('.exam-card');
    await shot('day');
    await page.locator('.exam-card', { hasText: '20w3d' }).click();
    await page.waitForSelector('.exam-page[data-ready="yes"]');
    await page.waitForFunction(() => Number(document.querySelector('.cell').dataset.shown) >= 0);
    await shot('exam');
    const files = await objectsByView(page, truth, page.url().split('/').pop());
    const head = files.find((f) => f.view === 'head' && f.truth?.geometry && !f.truth.operator?.burned_in);
    await page.click('.row[data-quantity="hc"] .row-main');
    await page.click(`.thumb[data-object="${head.id}"]`);
    const p = head.truth.geometry.points;
    for (let i = 0; i < 3; i++) await page.mouse.click(...await onScreen(page, head.id, p[i]));
    await shot('measuring');
    await page.keyboard.press('Escape');
    await page.keyboard.press('Escape');
    const burned = files.find((f) => f.view === 'head' && f.truth?.operator?.burned_in);
    if (burned) {
      await page.click(`.thumb[data-object="${burned.id}"]`);
      await page.waitForSelector('.text-sign');
      await shot('covered-text');
    }
    const abdomen = files.find((f) => f.view === 'abdomen');
    await page.click(`.thumb[data-object="${abdomen.id}"]`);
    await page.click('.tool-box button:has-text("Pockets")');
    for (const q of [[250, 260], [250, 330]]) await page.mouse.click(...await onScreen(page, abdomen.id, q));
    await shot('pockets');
    await page.keyboard.press('Escape');
    await page.keyboard.press('Escape');
    if (all) {
      await page.click('.row[data-quantity="hc"] .unfold');
      await shot('readings');
      await page.locator('.acts button', { hasText: 'Dispute' }).first().click();
      await shot('dispute');
      await page.keyboard.press('Escape');
      await page.click('.row[data-quantity="hc"] .unfold');
      await page.click('.thumb[aria-label*="clip"]');
      await page.waitForSelector('.transport');
      await page.keyboard.press(' ');
      await page.waitForTimeout(900);
      await shot('clip');
      await page.keyboard.press(' ');
      await page.click(`.thumb[data-object="${head.id}"]`);
      await page.keyboard.press('u');
      await page.locator('.looks input').nth(0).fill('0.6');
      await page.locator('.looks input').nth(1).fill('0.4');
      await page.waitForTimeout(1200);
      await shot('filters');
      await page.click('.looks button:has-text("All off")');
      await page.keyboard.press('u');
      await page.keyboard.press('3');
      await page.waitForSelector('.prompt .accept', { timeout: 60000 });
      await shot('proposal');
      await page.keyboard.press('Escape');
      await page.keyboard.press('Escape');
      const colour = files.find((f) => f.kind === 'colour');
      if (colour) {
        await page.click(`.thumb[data-object="${colour.id}"]`);
        await page.waitForFunction((o) => { const e = document.querySelector('.cell'); return e?.dataset.object === o && Number(e.dataset.shown) >= 0; }, colour.id);
        await page.keyboard.press('3');
        await page.waitForSelector('.proposal[data-kind="colour"][data-accepted="yes"]');
        await page.click('.proposal button:has-text("Show the values now")');
        await shot('colour');
        await page.keyboard.press('Escape');
        await page.click(`.thumb[data-object="${head.id}"]`);
      }
      await page.keyboard.press('4');
      const thumbs = page.locator('.strip button.thumb');
      for (const i of [2, 4, 6]) {
        await page.keyboard.press('f');
        await thumbs.nth(i).click();
        await page.waitForTimeout(400);
      }
      await shot('four');
      await page.keyboard.press('1');
      await page.keyboard.press('m');
      await page.mouse.move(...await onScreen(page, await page.locator('.cell').first().getAttribute('data-object'), p[1]));
      await shot('magnifier');
      await page.keyboard.press('m');
      await page.keyboard.press('?');
      await shot('help');
      await page.keyboard.press('Escape');
      await page.click('[aria-label="Settings"]');
      await page.locator('.switch', { hasText: 'High contrast' }).click();
      await shot('settings');
      await page.keyboard.press('Escape');
      await shot('contrast');
      await page.click('[aria-label="Settings"]');
      await page.locator('.switch', { hasText: 'High contrast' }).click();
      await page.keyboard.press('Escape');
    }
    await page.keyboard.press('q');
    await page.waitForTimeout(1500);
    await shot('growth');
    if (all) {
      for (const view of ['coverage', 'safety', 'report']) {
        await page.goto(page.url().replace(/(\/exam\/[^/]+).*/, `$1/${view}`));
        await page.waitForSelector(`.${view}-view`);
        await page.waitForTimeout(1500);
        await shot(view);
      }
      await page.goto(`${address}people`);
      await shot('people');
      await page.goto(`${address}protocols`);
      await page.click('nav button:has-text("Second trimester")');
      await shot('protocols');
    }
    await page.context().close();
  }
  // Onsets of the atrioventricular interval, on a picture of their own.
  const made = join(folder, 'heart');
  mkdirSync(made);
  phantomSpectrum(made, 'heart', uid(), '--vessel', 'in-out', '--sweep', '2.6', '--seed', '77', '--av-ms', '124', '--rate', '138');
  run('import', made);
  const page = await open(address);
  await page.locator('.exam-card', { hasText: 'Ida Sand' }).click();
  await page.waitForSelector('.exam-page[data-ready="yes"]');
  await page.waitForFunction(() => Number(document.querySelector('.cell').dataset.shown) >= 0);
  await page.keyboard.press('3');
  await page.waitForSelector('.proposal[data-kind="spectrum"][data-busy="no"]');
  await page.keyboard.press('v');
  await page.waitForSelector('.proposal[data-kind="av-interval"][data-accepted="yes"]');
  await page.waitForTimeout(700);
  await page.screenshot({ path: join(out, 'av-interval-1366x768.png') });
});
