// Chorionicity of twins: missing, it is named where rules cannot tell; stated on the page by its signs it holds for the
// whole pregnancy, in coverage, sentences, rules and on the next exam; a second writer who has not seen it is told; the
// command shows the same rows. Criteria: Khalil A et al. 2019, doi 10.1002/uog.19013.
import { ask, check, equal, exam, finish, open, reads, run, serve } from './browser.mjs';

await finish(async () => {
  exam('first', '--seed', '5', '--week', '20w3d', '--fetuses', '2', '--quick');
  exam('second', '--seed', '5', '--week', '28w2d', '--fetuses', '2', '--quick', '--serial', '3', '--centile', '2');
  const { address } = await serve();
  const page = await open(address);
  const { exams } = await ask(page, '/api/exams');
  const [later, id] = exams.sort((a, b) => (a.date < b.date ? 1 : -1)).map((e) => e.id);
  const facts = async (e = id) => (await ask(page, `/api/exams/${e}`)).facts;
  const rules = (f) => f.assessment.filter((a) => /^sfgr-(mono|di)chorionic/.test(a.rule));

  let f = await facts();
  check(f.pregnancy.fetuses.length === 2, 'twins');
  const small = rules(await facts(later)).filter((a) => a.answer === 'cannot-tell'); // a twin below the 3rd centile
  check(small.length > 0 && small.every((a) => a.missing.includes('chorionicity')), `what is missing is named: ${JSON.stringify(small.map((a) => a.missing))}`);
  check(f.limits.some((l) => l.code === 'no-chorionicity'), 'and stands among the limits');

  // On the pregnancy line, from any view.
  await page.goto(`${address}exam/${id}/coverage`);
  await page.click('.line-chorion.missing');
  const press = (group, name) => page.click(`dialog [aria-label="${group}"] button:text-is("${name}")`);
  await press('Chorions', 'monochorionic');
  check(await page.locator('dialog button.main').isDisabled(), 'not without a sign');
  await press('Known by', 'T sign');
  await press('Known by', 'one placenta');
  await press('Amnions', 'diamniotic');
  await page.click('dialog button.main');
  await page.waitForSelector('.line-chorion:text("monochorionic diamniotic")');
  await page.waitForSelector('.structure[data-structure="chorionicity"][data-state="normal"]:has-text("T sign, one placenta")');
  f = await facts();
  equal(f.pregnancy.chorionicity, 'monochorionic-diamniotic', 'the word of the rules');
  check(f.sentences.some((s) => s.text === 'Chorionicity: monochorionic diamniotic (T sign, one placenta).'), 'a sentence says it');
  check(!f.limits.some((l) => l.code === 'no-chorionicity'), 'no longer among the limits');
  check(rules(f).every((a) => !(a.missing ?? []).includes('chorionicity')), 'no rule lacks it');
  const next = await facts(later);
  equal(next.pregnancy.chorionicity, 'monochorionic-diamniotic', 'it holds at the next exam');
  equal(rules(next).filter((a) => a.answer === 'met').map((a) => a.rule).join(), 'sfgr-monochorionic-khalil2019', 'where the rule can tell now');

  // Somebody who has not seen it cannot replace it; amnions fewer than chorions are refused.
  const post = (body) => page.evaluate(async ([e, b]) => {
    const r = await fetch(`/api/exams/${e}/chorionicity`, { method: 'POST', headers: { 'Content-Type': 'application/json', 'X-Ogive-Who': 'Bo' }, body: JSON.stringify(b) });
    return { status: r.status, ...(await r.json()) };
  }, [id, body]);
  const told = await post({ chorionicity: 'dichorionic', basis: ['lambda-sign'], supersedes: '' });
  equal(told.status, 409, 'a stale statement is refused');
  check(/stated meanwhile by Ann Reader/.test(told.error.what), told.error.what);
  equal((await post({ chorionicity: 'dichorionic', amnionicity: 'monoamniotic', basis: ['lambda-sign'] })).status, 400, 'each chorion holds an amnion');
  equal((await post({ chorionicity: 'dichorionic', basis: [] })).status, 400, 'a sign is asked for');
  equal((await post({ chorionicity: 'unknown' })).status, 400, 'and a reason why it cannot be told');

  // Corrected from the command line at the later exam; the earlier statement stays to be read.
  run('chorionicity', later, '--is', 'dichorionic-diamniotic', '--by-sign', 'earlier-report', '--text', 'report of 11 weeks', '--by', 'Cy');
  await page.goto(`${address}exam/${id}/coverage`);
  await page.click('.line-chorion:text("dichorionic diamniotic")');
  await reads(page, 'dialog', /Before: monochorionic diamniotic T sign/, 'the earlier one is shown');
  const rows = JSON.parse(run('chorionicity', id, '--json'));
  equal(rows.length, 2, 'both rows');
  equal(rows[1].who, 'Cy', 'who stated it');
  check(/superseded.*monochorionic/.test(run('chorionicity', id)), 'the command marks the earlier one');
  equal(page.troubles.join('; '), '', 'nothing went wrong in the page');
});
