// Two people work on one exam, and the page of one hears nothing of the other (its live events are cut): what it stores
// must not undo what it has not seen. Changes of different things are both kept without a second click; of the same
// words a person is asked; a finding is not replaced unseen, nor a mark removed unseen; many at once leave others as they are.
import { ask, check, counts, equal, exam, finish, open, reads, serve, until } from './browser.mjs';

await finish(async () => {
  exam('one', '--seed', '12', '--week', '21w0d', '--quick');
  const { address } = await serve();
  const page = await open(address, { who: 'Ann Reader' });
  const { exams } = await ask(page, '/api/exams');
  const id = exams[0].id;
  const as = (who, path, body, method = 'POST') => page.evaluate(async ([w, p, b, m]) => {
    const r = await fetch(p, { method: m, headers: { 'Content-Type': 'application/json', 'X-Ogive-Who': w }, body: JSON.stringify(b) });
    return { status: r.status, ...(await r.json()) };
  }, [who, path, body, method]);
  const draft = () => ask(page, `/api/exams/${id}/draft`);
  const facts = async () => (await ask(page, `/api/exams/${id}`)).facts;
  const elsewhere = async (change) => {
    const d = await draft();
    const content = { edits: {}, settings: {}, ...d.content };
    change(content);
    equal((await as('Bo', `/api/exams/${id}/draft`, { version: d.version, content }, 'PUT')).status, 200, 'stored by Bo');
  };

  await page.route('**/api/events', (r) => r.abort());
  await page.goto(`${address}exam/${id}/report`);
  await page.waitForSelector('.sentence[data-sentence="A/efw"]');
  const offered = (await facts()).pictures;
  const base = offered.filter((p) => p.chosen).map((p) => p.object);
  const [mine, theirs] = [base[0], base[1]];
  check(mine && theirs, 'two pictures are chosen at first');

  // The draft moves on unseen: Bo adds a sentence and takes a picture out; one click here takes out another.
  await elsewhere((c) => { c.edits.added = [{ id: 'own-bo', text: 'Seen together with the midwife.' }]; c.settings.pictures = base.filter((x) => x !== theirs); });
  await page.click(`[data-picture="${mine}"] .pick`);
  await page.waitForSelector(`[data-picture="${mine}"] .pick[aria-pressed="false"]`);
  let now = (await draft()).content;
  check(!now.settings.pictures.includes(mine), 'the picture clicked is out');
  check(now.edits.added.some((a) => a.id === 'own-bo'), "Bo's sentence is kept");

  // And again, now that both have a list of their own.
  await elsewhere((c) => { c.settings.pictures = [...c.settings.pictures.filter((x) => x !== base[2])]; });
  await page.click(`[data-picture="${mine}"] .pick`);
  await page.waitForSelector(`[data-picture="${mine}"] .pick[aria-pressed="true"]`);
  now = (await draft()).content;
  check(now.settings.pictures.includes(mine) && !now.settings.pictures.includes(base[2]), 'both changes of the list are kept');

  // The same sentence: the editor stays open with the words, both are shown, the person decides.
  const change = async (from, to) => {
    await page.click('.sentence[data-sentence="A/efw"] button:has-text("Change")');
    await page.evaluate(([a, b]) => { for (const n of [...document.querySelector('.editor').childNodes]) if (n.nodeType === 3) n.textContent = n.textContent.replace(a, b); }, [from, to]);
  };
  const template = (await facts()).sentences.find((s) => s.id === 'A/efw').editable;
  await change('Estimated fetal weight', 'Weight, by me,');
  await elsewhere((c) => { c.edits.sentences = { 'A/efw': { text: template.replace('Estimated fetal weight', 'Weight, by Bo,') } }; });
  await page.click('.editing button:has-text("Keep it")');
  await page.waitForSelector('dialog .clash');
  const shown = await page.textContent('dialog .clash');
  check(/Bo:.*Weight, by Bo,/.test(shown) && /Yours:.*Weight, by me,/.test(shown), `both are shown: ${shown}`);
  await page.click('dialog .answers button:has-text("Leave theirs")');
  await page.waitForSelector('dialog', { state: 'detached' });
  await reads(page, '.editor', /Weight, by me,/, 'the words are still in the editor');
  equal((await draft()).content.edits.sentences['A/efw'].who, 'Bo', "Bo's stand");
  await page.click('.editing button:has-text("Keep it")');
  await page.click('dialog button.main');
  await page.waitForSelector('.sentence[data-sentence="A/efw"] p:has-text("Weight, by me,")');

  // Dating: what is confirmed is the date that was on the screen.
  const { edd } = (await facts()).dating;
  equal((await as('Bo', `/api/exams/${id}/dating`, { edd: '2026-03-20', why: 'records of the clinic that transferred' })).status, 200, 'Bo decides another');
  check(edd !== '2026-03-20', 'which is another');
  await page.click('[data-open="dating-proposed"] button');
  await page.waitForSelector('.notice.trouble:has-text("as you saw it")');
  equal((await facts()).dating.edd, '2026-03-20', 'not changed unseen');

  // Coverage: a structure that Bo described is not replaced unseen by a single click, nor by "the open: seen, normal".
  await page.click('nav.views button:has-text("Coverage")');
  await page.waitForSelector('.structure[data-structure="bladder"][data-state="missing"]');
  const one = await as('Bo', `/api/exams/${id}/findings`, { fetus: 'A', structure: 'bladder', state: 'not-seen', reason: 'fetal position' });
  equal(one.status, 201, 'Bo records the bladder');
  await page.click('.structure[data-structure="bladder"] button:has-text("Normal")');
  await page.waitForSelector('dialog:has-text("recorded meanwhile")');
  await reads(page, 'dialog', /Bo: not seen, fetal position.*Yours: seen, normal/, 'who recorded what is shown');
  await page.click('dialog .answers button:has-text("Leave it")');
  await page.waitForSelector('.structure[data-structure="bladder"][data-state="not-seen"]');

  const group = page.locator('.coverage-group', { has: page.locator('[data-structure="stomach"]') });
  const open0 = await group.locator('.structure[data-state="missing"]').count();
  check(open0 >= 2, 'the group of the stomach has open structures');
  await as('Bo', `/api/exams/${id}/findings`, { fetus: 'A', structure: 'stomach', state: 'abnormal', text: 'small' });
  await group.locator('.all-normal').click();
  await until('the others are normal', async () => await group.locator('.structure[data-state="missing"].required, .structure[data-state="missing"]').count() < open0);
  await page.waitForSelector('.structure[data-structure="stomach"][data-state="abnormal"]');
  const findings = (await ask(page, `/api/exams/${id}`)).exam.findings;
  equal(findings.filter((f) => f.structure === 'stomach').length, 1, "one row of the stomach: Bo's");
  check(findings.filter((f) => f.state === 'normal' && f.who === 'Ann Reader').length >= 1, 'the others were stored at the same click');

  // Undo takes back only one's own: what was changed since is shown first.
  await page.click('.structure[data-structure="bladder"] button:has-text("Normal")');
  await page.waitForSelector('.structure[data-structure="bladder"][data-state="normal"]');
  await page.click('.notice:has-text("Bladder: seen, normal") button:has-text("Undo")');
  await page.waitForSelector('.structure[data-structure="bladder"][data-state="not-seen"]');

  // A mark on a picture that Bo removed, still on this screen: removing it is refused, who was faster is told, and it goes.
  const object = (await facts()).pictures.find((p) => p.chosen).object;
  const mark = { object, frame: 0, kind: 'arrow', data: { points: [[100, 100], [160, 140]] } };
  const placed = await as('Ann Reader', `/api/exams/${id}/marks`, mark);
  equal(placed.status, 201, 'an arrow is placed');
  await page.goto(`${address}exam/${id}`);
  await page.waitForSelector('.exam-page[data-ready="yes"]');
  await page.click(`.thumb[data-object="${object}"]`);
  await page.waitForSelector('.mark');
  equal((await as('Bo', `/api/exams/${id}/marks`, { ...mark, removed: true })).status, 400, 'a removal names what it removes');
  equal((await as('Bo', `/api/exams/${id}/marks`, { ...mark, supersedes: placed.id, removed: true })).status, 201, 'Bo removes it');
  await page.locator('.mark').focus();
  await page.keyboard.press('Enter');
  await page.click('dialog button:has-text("Remove it")');
  await page.waitForSelector('.notice.trouble:has-text("removed meanwhile by Bo")');
  await counts(page, '.mark', 0, 'the picture is shown as it is now');
  equal(page.troubles.join('; '), '', 'nothing went wrong in the page');
});
