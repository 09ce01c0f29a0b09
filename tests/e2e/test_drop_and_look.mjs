// From an empty record: a folder dropped on the page becomes an exam; damaged and foreign files are told by name; the exam
// opens with its first picture; every control has a name for a screen reader; two clips run in step.
import { readdirSync, readFileSync, statSync, writeFileSync } from 'node:fs';
import { join } from 'node:path';
import { ask, check, equal, finish, folder, open, reads, run, serve, until } from './browser.mjs';

function files(dir) {
  return readdirSync(dir).flatMap((n) => (statSync(join(dir, n)).isDirectory() ? files(join(dir, n)) : [join(dir, n)]));
}

/** Controls without a name, as a screen reader would find them. */
const unnamed = (page) => page.evaluate(() => [...document.querySelectorAll('button, a[href], input, select, [role="img"], [role="button"]')]
  .filter((e) => e.offsetParent !== null || e instanceof SVGElement)
  .filter((e) => !(e.getAttribute('aria-label') || e.getAttribute('title') || e.textContent.trim() || e.labels?.length || e.closest('label')?.textContent.trim()))
  .map((e) => e.outerHTML.slice(0, 120)));

await finish(async () => {
  run('init');
  const out = join(folder, 'export');
  run('phantom', '--seed', '21', '--week', '23w0d', '--quick', out);
  const { address } = await serve();
  const page = await open(address);
  await page.waitForSelector('.door');
  await reads(page, 'main', /No exams yet/, 'an empty record says what to do');
  equal((await unnamed(page)).join(' | '), '', 'controls of the day list without a name');

  const list = files(out).filter((f) => !f.endsWith('.json'));
  const cut = join(folder, 'cut-short');
  writeFileSync(cut, readFileSync(list[0]).subarray(0, 3000));
  const chooser = page.waitForEvent('filechooser');
  await page.click('.door label:has-text("Choose files")');
  await (await chooser).setFiles([...list, cut]);
  await page.waitForSelector('.notice.trouble');
  const said = await page.textContent('.notice.trouble');
  console.log(`  ${said}`);
  check(new RegExp(`${list.length} objects added`).test(said), 'how many were added');
  check(/1 not taken/.test(said), 'how many were not');
  await page.waitForSelector('.exam-card');
  const { exams } = await ask(page, '/api/exams');
  equal(exams.length, 1, 'exams');
  equal(exams[0].objects, list.length, 'objects');

  // The same files again add nothing.
  await page.click('.notice .quiet');
  const second = page.waitForEvent('filechooser');
  await page.click('.door label:has-text("Choose files")');
  await (await second).setFiles(list);
  await page.waitForSelector('.notice.done');
  await reads(page, '.notice.done', /0 objects added, \d+ known already/, 'the same files again');
  equal((await ask(page, '/api/exams')).exams[0].objects, list.length, 'objects after the same files again');

  await page.fill('#search', 'nobody of this name');
  await page.waitForFunction(() => document.querySelectorAll('.exam-card').length === 0);
  await page.fill('#search', '');
  await page.waitForSelector('.exam-card');
  await page.click('.exam-card');
  await page.waitForSelector('.exam-page[data-ready="yes"]');
  await page.waitForFunction(() => Number(document.querySelector('.cell').dataset.shown) >= 0);
  equal((await unnamed(page)).join(' | '), '', 'controls of the exam page without a name');

  // The same clip twice, in step: both show the same frame at the same time.
  const clip = await page.locator('.thumb[aria-label*="clip"]').first().getAttribute('data-object');
  await page.keyboard.press('2');
  await page.click(`.thumb[data-object="${clip}"]`);
  await page.keyboard.press('f');
  await page.click(`.thumb[data-object="${clip}"]`);
  await page.waitForFunction((c) => [...document.querySelectorAll('.cell')].every((e) => e.dataset.object === c && Number(e.dataset.shown) >= 0), clip);
  await page.keyboard.press(' ');
  await until('both clips are in the ring', () => page.evaluate(() => [...document.querySelectorAll('.cell')].every((e) => Number(e.dataset.decoded) > 10)));
  const apart = await page.evaluate(() => new Promise((resolve) => {
    const cells = [...document.querySelectorAll('.cell')];
    let n = 0;
    let most = 0;
    const frames = 60;
    const watch = () => {
      const d = Math.abs(Number(cells[0].dataset.frame) - Number(cells[1].dataset.frame));
      most = Math.max(most, Math.min(d, frames - d));
      if (++n < 60) requestAnimationFrame(watch); else resolve(most);
    };
    requestAnimationFrame(watch);
  }));
  equal(apart, 0, 'frames between two clips in step');
  await page.keyboard.press(' ');

  // The growth charts are drawn, and the report opens.
  await page.keyboard.press('q');
  await page.waitForFunction(() => [...document.querySelectorAll('.chart img')].filter((i) => i.complete && i.naturalWidth > 0).length >= 4);
  const report = await page.evaluate(async (id) => { const r = await fetch(`/api/exams/${id}/report.pdf`); return [r.status, r.headers.get('content-type'), (await r.text()).slice(0, 5)]; }, /exam\/([\w.-]+)/.exec(page.url())[1]);
  equal(report.join(' '), '200 application/pdf %PDF-', 'the report');
  equal(page.troubles.join('; '), '', 'nothing went wrong in the page');
});
