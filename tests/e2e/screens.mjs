// Writes the pictures of docs/screens and docs/pictures from a synthetic pregnancy of three exams, the one that scripts/demo makes:
// node tests/e2e/screens.mjs (OGIVE: the program, else build/ogive). Pages of the report need pdftoppm.
import { execFileSync } from 'node:child_process';
import { mkdirSync, readFileSync, writeFileSync } from 'node:fs';
import { join } from 'node:path';
import { exam, finish, folder, objectsByView, onScreen, open, run, serve } from './browser.mjs';
import { fewColours } from './palette.mjs';

const docs = join(process.env.SOURCE_ROOT ?? process.cwd(), 'docs');
for (const name of ['screens', 'pictures']) mkdirSync(join(docs, name), { recursive: true });

/** Onsets of the atrioventricular interval of the exam at 30 weeks, accepted so that the report has it. */
async function interval(address, truth) {
  const page = await open(address);
  await page.locator('.exam-card', { hasText: '30w1d' }).click();
  await page.waitForSelector('.exam-page[data-ready="yes"]');
  const heart = (await objectsByView(page, truth, page.url().split('/').pop())).find((f) => f.view === 'left ventricular inflow and outflow');
  await page.click(`.thumb[data-object="${heart.id}"]`);
  await page.waitForFunction((o) => { const e = document.querySelector('.cell'); return e?.dataset.object === o && Number(e.dataset.shown) >= 0; }, heart.id);
  await page.keyboard.press('3');
  await page.waitForSelector('.proposal[data-kind="spectrum"][data-busy="no"]');
  await page.keyboard.press('v');
  await page.waitForSelector('.proposal[data-kind="av-interval"][data-accepted="yes"]');
  await page.waitForTimeout(700);
  writeFileSync(join(docs, 'screens/av-interval-1366x768.png'), fewColours(await page.screenshot()));
  await page.keyboard.press('Enter');
  await page.waitForSelector('.accepted-onsets');
  await page.context().close();
}

/** The report of the last exam as pages, and one of its charts as the dark screen has it. */
function report() {
  const pdf = join(folder, 'report.pdf');
  run('report', 'latest', '-o', pdf);
  const small = (from, to) => writeFileSync(join(docs, 'pictures', to), fewColours(readFileSync(join(folder, from))));
  execFileSync('pdftoppm', ['-r', '90', '-l', '4', '-png', pdf, join(folder, 'page')]);
  for (const n of [1, 2, 3, 4]) small(`page-${n}.png`, `report-page-${n}.png`);
  run('report', 'latest', '--figure', 'growth', '--quantity', 'hc', '--dark', '--width', '640', '--height', '440', '-o', join(folder, 'dark.png'));
  small('dark.png', 'growth-hc-dark.png');
}

await finish(async () => {
  let truth;
  let later;
  for (const [k, week] of [[1, '12w2d'], [2, '20w3d'], [3, '30w1d']]) {
    const t = exam(`exam-${k}`, '--seed', '7', '--serial', String(k), '--week', week, '--centile', '35');
    if (k === 2) truth = t;
    later = t;
  }
  const { address } = await serve();
  for (const [width, height] of [[1366, 768], [1920, 1080], [1180, 820]]) {
    const page = await open(address, { width, height });
    const shot = async (name) => { await page.waitForTimeout(700); writeFileSync(join(docs, `screens/${name}-${width}x${height}.png`), fewColours(await page.screenshot())); };
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
        if (view === 'report') await page.waitForFunction(() => [...document.querySelectorAll('.page')].some((i) => i.complete && i.naturalWidth));
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
  await interval(address, later);
  report();
});
