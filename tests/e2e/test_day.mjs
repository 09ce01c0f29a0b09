// The day list: exams of a day by room (the station that the pictures name), when each arrived; at the door everybody sees
// what is still arriving, what was taken in and which files were refused, with the reason.
import { deepEqual } from 'node:assert/strict';
import { mkdirSync, writeFileSync } from 'node:fs';
import { join } from 'node:path';
import { ask, check, counts, equal, finish, folder, open, run, serve, stopServing, until } from './browser.mjs';
import { picture, region, uid } from './dicom.mjs';

const columns = 64;
const rows = 48;

await finish(async () => {
  const out = join(folder, 'day');
  mkdirSync(out);
  const base = { columns, rows, pixels: Buffer.alloc(columns * rows, 70), regions: [region({ box: [0, 0, 63, 47], delta: [0.02, 0.02] })] };
  run('init');
  for (const [k, station] of [['1', 'ROOM 2'], ['2', 'ROOM 1'], ['3', undefined], ['4', 'ROOM 2']])
    picture(join(out, k), { ...base, study: uid(), station, patient: [`P-${k}`, `Sand^Ida ${k}`] });
  run('import', out);
  const { address } = await serve();
  const page = await open(address);
  const other = await open(address, { who: 'Ben Second' });
  await page.waitForSelector('.exam-card');
  const rooms = await page.locator('.room').evaluateAll((list) => list.map((e) => [e.dataset.room, e.querySelectorAll('.exam-card').length]));
  equal(JSON.stringify(rooms), JSON.stringify([['ROOM 1', 1], ['ROOM 2', 2], ['', 1]]), 'rooms of the day and their exams');
  await counts(page, '.exam-card small:has-text("arrived")', 4, 'each exam says when it arrived');
  equal(await page.locator('.receipts').count(), 0, 'nothing was dropped yet');

  // One file has come and the rest not yet: everybody sees it arriving.
  await page.evaluate(() => fetch('/api/imports/half/files?n=0&name=first.dcm', { method: 'POST', headers: { 'Content-Type': 'application/octet-stream', 'X-Ogive-Who': 'Ann%20Reader' }, body: new Uint8Array(10) }));
  await other.waitForSelector('.receipt[data-state="arriving"]:has-text("1 file so far")');

  // A picture and a file that is none are dropped: taken in, refused with name and reason, seen on the other screen too.
  const good = join(folder, 'new.dcm');
  picture(good, { ...base, study: uid(), station: 'ROOM 3', patient: ['P-9', 'Berg^Una'] });
  const bad = join(folder, 'shopping-list.txt');
  writeFileSync(bad, 'milk, bread, gel');
  await page.locator('input[type="file"]').last().setInputFiles([good, bad]);
  for (const p of [page, other]) {
    await p.waitForSelector('.receipt[data-state="done"]:has-text("1 added")');
    await p.click('.receipt summary:has-text("1 not taken")');
    const said = await p.locator('.receipt details li').innerText();
    check(/shopping-list\.txt: \S/.test(said), `the refused file: ${said}`);
    await p.waitForSelector('.room[data-room="ROOM 3"]');
  }
  const { receipts } = await ask(page, '/api/receipts');
  equal(receipts.length, 2, 'receipts');
  equal(receipts[0].who, 'Ann Reader', 'who dropped');
  await until('a batch that never came whole stays listed', async () => (await ask(page, '/api/receipts')).receipts[1].state === 'arriving');
  equal([...page.troubles, ...other.troubles].join('; '), '', 'nothing went wrong in the page');

  // The server is started anew: what was taken and what was not is still told, and the batch that was cut off is said to be lost.
  await stopServing();
  const again = await open((await serve()).address);
  await again.waitForSelector('.receipt[data-state="failed"]:has-text("1 file. The server was ended before they were read: send them again")');
  await again.click('.receipt[data-state="done"] summary:has-text("1 not taken")');
  check(/shopping-list\.txt: \S/.test(await again.locator('.receipt[data-state="done"] details li').innerText()), 'the refused file after a new start');
  const after = (await ask(again, '/api/receipts')).receipts;
  deepEqual(after.find((r) => r.state === 'done'), receipts[0], 'the receipt after a new start');
  equal(after.length, 2, 'receipts after a new start');
});
