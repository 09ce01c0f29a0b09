// Several people: the first administrator is made on the page, everybody logs in; wrong passwords and the waiting after
// many of them; what a role may not do is not offered and is refused; the page locks itself and keeps what was not stored;
// a closed account ends its sessions; logging out.
import { check, equal, exam, finish, open, reads, serve, until } from './browser.mjs';

const words = { ada: 'correct horse battery', sue: 'seven quiet ferries', rae: 'nine orange lanterns' };
const status = (page, path, method = 'GET', body, who = '') => page.evaluate(async ([p, m, b, w]) =>
  (await fetch(p, { method: m, headers: { ...(b ? { 'Content-Type': 'application/json' } : {}), 'X-Ogive-Who': w }, body: b && JSON.stringify(b) })).status, [path, method, body, who]);

async function logIn(page, user, password) {
  await page.fill('.log-in input[name="user"]', user);
  await page.fill('.log-in input[name="password"]', password);
  await page.click('.log-in button.main');
}
async function entered(address, user, options = {}) {
  const page = await open(address, { who: '', ...options });
  await page.waitForSelector('.log-in');
  await logIn(page, user, words[user]);
  await page.waitForSelector('.exam-card');
  return page;
}
async function add(page, user, name, role) {
  await page.fill('form input[name="user"]', user);
  await page.fill('form input[name="name"]:not([maxlength])', name);
  if (role) await page.selectOption('form select[name="role"]', role);
  await page.fill('form input[name="password"]', words[user]);
  await page.click('form button.main');
}

await finish(async () => {
  exam('one', '--seed', '12', '--week', '21w0d', '--quick');
  const { address } = await serve();

  // Nobody yet: one person works without log-in. The first person switches it on.
  const ada = await open(`${address}people`, { who: 'Ann Reader' });
  await add(ada, 'ada', 'Ada Admin');
  await ada.click('dialog button.main');
  await ada.waitForSelector('.log-in');
  equal(await status(ada, '/api/exams'), 401, 'the record is shut');
  await ada.reload();
  await logIn(ada, 'ada', 'not the password');
  await reads(ada, '.log-in .warning', /wrong/, 'a wrong password is told, without saying which of the two it was');
  await logIn(ada, 'ada', words.ada);
  await ada.waitForSelector('.people-page');
  const [cookie] = await ada.context().cookies();
  check(cookie.httpOnly && cookie.sameSite === 'Strict' && !cookie.secure, `the cookie, without TLS: ${JSON.stringify(cookie)}`);
  await add(ada, 'sue', 'Sue Sono', 'sonographer');
  await ada.waitForSelector('.people li:has-text("Sue Sono")');
  await add(ada, 'rae', 'Rae Reporter', 'reporter');
  await ada.waitForSelector('.people li:has-text("Rae Reporter")');
  await ada.click('[aria-label="The page locks after"] button:has-text("30 minutes")');
  await ada.waitForSelector('[aria-label="The page locks after"] button[aria-pressed="true"]:has-text("30 minutes")');

  // A sonographer: what is for others is not there, and the server refuses it to whoever asks past the page.
  const sue = await open(address, { who: '' });
  await sue.clock.install();
  await sue.reload();
  await sue.waitForSelector('.log-in');
  await logIn(sue, 'sue', words.sue);
  await sue.waitForSelector('.exam-card');
  const id = (await sue.getAttribute('.exam-card', 'href')).split('/')[2];
  await sue.click('[aria-label="Settings"]');
  equal(await sue.locator('.settings a').count(), 0, 'no way to set-up');
  check(await sue.locator('.switch:has-text("Blind measuring") input').isDisabled(), 'the department decides about blind measuring');
  await sue.goto(`${address}protocols`);
  await sue.waitForSelector('.p-edit[disabled]');
  equal(await sue.locator('button:has-text("Store")').count(), 0, 'protocols are to read');
  await sue.goto(`${address}people`);
  await sue.waitForSelector('.people-page:has-text("A lead or administrator sets this up")');
  equal(await sue.locator('.people-page form').count(), 0, 'no people, no department');
  for (const [path, method, body] of [['/api/people', 'GET'], ['/api/people', 'POST', { user: 'sue', role: 'administrator' }], ['/api/setup', 'POST', { blind: false }],
    ['/api/department', 'POST', { lock_minutes: 0 }], ['/api/protocols/growth', 'PUT', { id: 'growth' }], [`/api/exams/${id}/sign`, 'POST', { seen: 'x' }]])
    equal(await status(sue, path, method, body, 'sue'), 403, `refused: ${method} ${path}`);
  equal(await status(sue, `/api/exams/${id}/findings`, 'POST', { structure: 'stomach', fetus: 'A', state: 'normal' }, 'rae'), 409, 'nobody writes under another name');
  equal(await status(ada, `/api/exams/${id}/findings`, 'POST', { structure: 'stomach', fetus: 'A', state: 'normal' }, 'ada'), 403, 'an administrator does no clinical work');
  await sue.goto(`${address}exam/${id}/report`);
  await sue.waitForSelector('.sign:has-text("Your role may not sign")');
  equal(await sue.locator('.sign-button').count(), 0, 'no button to sign with');

  // Nobody's hand on the page: it locks, hides the patient, ends the session on the server; what was typed stays.
  await sue.fill('textarea[placeholder^="Values"]', 'Seen with the trainee.');
  await sue.clock.fastForward('15:00');
  equal(await sue.locator('dialog.lock').count(), 0, 'not after fifteen minutes');
  await sue.clock.fastForward('16:00');
  await sue.waitForSelector('dialog.lock');
  equal(await sue.locator('.exam-page').isVisible(), false, 'nothing of the patient is seen');
  await until('the session is over on the server', async () => await status(sue, '/api/exams') === 401);
  await sue.keyboard.press('Escape');
  await sue.keyboard.press('Escape');
  check(await sue.locator('dialog.lock').isVisible(), 'Escape does not open it');
  await sue.fill('dialog.lock input', 'guess');
  await sue.click('dialog.lock button.main');
  await sue.waitForSelector('dialog.lock .warning');
  await sue.fill('dialog.lock input', words.sue);
  await sue.click('dialog.lock button.main');
  await sue.waitForSelector('dialog.lock', { state: 'detached' });
  equal(await sue.inputValue('textarea[placeholder^="Values"]'), 'Seen with the trainee.', 'what was not stored is still there');
  await sue.click('.writing form button:has-text("Add")');
  await sue.waitForSelector('.sentence:has-text("Seen with the trainee.")');

  // A closed account: its sessions are over, and its page covers itself.
  await ada.click('.people li:has-text("Sue Sono") button:has-text("Close")');
  await ada.waitForSelector('.people li.closed:has-text("Sue Sono")');
  await sue.waitForSelector('dialog.lock');
  await sue.fill('dialog.lock input', words.sue);
  await sue.click('dialog.lock button.main');
  await reads(sue, 'dialog.lock .warning', /closed/, 'a closed account does not open it');

  // Many wrong passwords: waiting begins, for the right one too, and ends by itself.
  const rae = await open(address, { who: '' });
  const answer = async (password) => {
    const reply = rae.waitForResponse((r) => r.url().endsWith('/api/session') && r.request().method() === 'POST');
    await logIn(rae, 'rae', password);
    return (await reply).status();
  };
  await until('waiting begins, and the right one waits too', async () => await answer('wrong, as it happens') === 429
    && await status(rae, '/api/session', 'POST', { user: 'rae', password: words.rae }) === 429);
  await reads(rae, '.log-in', /too many wrong passwords: wait \d+ seconds/i, 'how long is told');
  await until('the waiting ends', async () => await answer(words.rae) === 200);
  await rae.waitForSelector('.exam-card');

  // Out: the page is the log-in again, the cookie is gone, the old one is worth nothing.
  const [old] = await rae.context().cookies();
  await rae.click('button.person');
  await rae.click('dialog button:has-text("Log out")');
  await rae.waitForSelector('.log-in');
  equal((await rae.context().cookies()).length, 0, 'no cookie');
  await rae.context().addCookies([old]);
  equal(await status(rae, '/api/exams'), 401, 'the old cookie opens nothing');
  equal([ada, sue, rae].flatMap((p) => p.troubles).join('; '), '', 'nothing went wrong in the pages');
});
