#!/usr/bin/env python3
"""Twelve invented cases (tests/data/golden) against the conclusions that the published criteria give.

Each case keeps its expected conclusions with the reason and the source; they were written before the program was run. Three ways
are compared: what is expected; what the report concludes from the facts (`ogive report --facts`); and what the rules answer when
they get the bare measurements (`ogive rules --input`). That a size lies where a case says is read from the published tables
(tests/published/tables, each with its source), and weights are computed here again, not taken from the program.
"""
import csv
import datetime
import glob
import json
import os
import subprocess
import sys
import tempfile

HERE = os.path.dirname(os.path.abspath(__file__))
OGIVE = os.environ.get('OGIVE') or os.path.join(HERE, '../../build/ogive')
CASES = sorted(glob.glob(os.path.join(HERE, '../data/golden/*.json')))
COLUMNS = {'mom150': 'mom1_50', 'mom155': 'mom1_55'}
checked = 0


def hadlock(hc, ac, fl):
    """Hadlock FP et al. Am J Obstet Gynecol 1985;151:333-337, HC, AC and FL in cm."""
    return 10 ** (1.326 - 0.00326 * ac * fl + 0.0107 * hc + 0.0438 * ac + 0.158 * fl)


def table(name):
    with open(os.path.join(HERE, 'tables', name + '.csv'), encoding='utf-8') as f:
        return list(csv.DictReader(line for line in f if not line.startswith('#')))


def printed(name, week):
    return next(r for r in table(name) if r['ga_weeks'] == str(week))


def raw(facts, key):
    """The measurement as it was put in; the weight and the ratio by their formulas."""
    fetus, quantity = key.split('/')
    mine = {r['quantity']: r['value'] for r in facts['ledger'] if r['fetus'] == fetus}
    if quantity == 'efw':
        return hadlock(mine['hc'] / 10, mine['ac'] / 10, mine['fl'] / 10)
    return mine[quantity]


def run(*args, stdin=None):
    p = subprocess.run([OGIVE, *args], input=stdin, capture_output=True, text=True)
    assert p.returncode == 0, (args, p.returncode, p.stdout[:400], p.stderr[:400])
    return p.stdout


def answers(assessment, rule, fetus):
    return next((a for a in assessment if a['rule'] == rule and a.get('fetus', '') in (fetus, '')), None)


def check_answer(e, assessment, where):
    a = answers(assessment, e['rule'], e['fetus'])
    got = a['answer'] if a else 'not asked'
    if e['answer'] == 'no answer':
        assert got in ('cannot-tell', 'not asked'), (where, e, got)
        return
    assert got == e['answer'], (where, e['rule'], e['fetus'], 'expected', e['answer'], 'because', e['because'], 'got', a or got)
    if 'class' in e:
        assert a['class'] == e['class'], (where, e, a)
    if a:  # a conclusion shows its facts and its source
        assert a['citation'] and (a['used'] or a['missing']) and a['conditions'], (where, a)


def check_cell(e, facts, out):
    row, value = printed(e['table'], e['week']), raw(facts, e['value'])
    if 'above' in e:
        assert value > float(row[COLUMNS.get(e['above'], e['above'])]), (e, value)
    if 'below' in e:
        assert value < float(row[COLUMNS.get(e['below'], e['below'])]), (e, value)
    if e['value'].endswith('efw') and out:
        got = next(v for v in out['values'] if v['key'] == e['value'])['value']
        assert abs(got - value) < 0.5, (e, got, value)


def check_age(e, out):
    p, d = out['pregnancy'], out['dating']
    assert (p['ga_days'], p['edd']) == (e['ga_days'], e['edd']), (e, p)
    # 280 days on from the exam, the age taken off: the arithmetic is done again here
    exam = datetime.date.fromisoformat(out['exam']['date'])
    assert exam + datetime.timedelta(days=280 - e['ga_days']) == datetime.date.fromisoformat(e['edd'])
    if 'chosen' in e:
        assert d['evidence'][d['chosen']]['basis'] == e['chosen'], (e, d)
    if 'state' in e:
        assert d['state'] == e['state'], (e, d)


def check_discordance(e, facts):
    a, b = sorted((raw(facts, 'A/efw'), raw(facts, 'B/efw')))
    assert 100 * (b - a) / b >= e['at_least'], (e, a, b)


def value_of(out, key):
    return next((v for v in out['values'] if v['key'] == key), None)


def check(e, facts, out, name):
    kind = e['check']
    if kind == 'answer':
        check_answer(e, out['assessment'], name + ', report')
    elif kind in ('cell', 'by-period'):
        check_cell(e, facts, out)
    elif kind == 'age':
        check_age(e, out)
    elif kind == 'discordance':
        check_discordance(e, facts)
    elif kind == 'printed-age':
        row = next(r for r in table(e['table']) if r['crl_mm'] == str(e['mm']))
        assert int(row['p50_days']) == e['days'], (e, row)
    elif kind == 'sentence':
        assert any(s['template'] == e['template'] for s in out['sentences']), (name, e, [s['template'] for s in out['sentences']])
    elif kind == 'limit':
        assert any(x['code'] == e['code'] for x in out['limits']), (name, e, out['limits'])
    elif kind == 'no-value':
        assert value_of(out, e['key']) is None, (name, e)
    elif kind == 'no-centile':
        assert all('centile' not in c for c in value_of(out, e['key'])['centiles']), (name, e)
    elif kind == 'structure':
        assert next(s for s in out['coverage']['structures'] if s['structure'] == e['id'])['state'] == e['state'], (name, e)
    elif kind == 'again':
        assert out['coverage']['again']['date'] == e['date'], (name, out['coverage']['again'])
    elif kind == 'undated':
        assert 'ga_days' not in out['pregnancy'] and 'edd' not in out['pregnancy'], (name, out['pregnancy'])
    elif kind == 'proposal':
        assert out['dating']['proposal']['edd'] == e['edd'], (name, out['dating'])
    else:
        raise AssertionError(('unknown check', kind))


def bare(facts, out):
    """Measurements for `ogive rules`, without anything that the report computed but the age."""
    fetuses = {f: {} for f in facts['pregnancy']['fetuses']}
    for r in facts['ledger']:
        fetuses[r['fetus']][r['quantity']] = {'value': r['value'], 'unit': r['unit']}
    for r in facts['history']:
        now = fetuses[r['fetus']].get(r['quantity'])
        if now is not None:
            days = out['pregnancy']['ga_days'] - (datetime.date.fromisoformat(facts['exam']['date']) - datetime.date.fromisoformat(r['date'])).days
            now.setdefault('history', []).append({'ga_days': days, 'value': r['value']})
    for f, mine in fetuses.items():  # the weight by the formula above, now and before
        if all(q in mine for q in ('hc', 'ac', 'fl')):
            values = [mine[q].get('history', []) for q in ('hc', 'ac', 'fl')]
            mine['efw'] = {'value': raw(facts, f + '/efw'), 'unit': 'g', 'formula': 'hadlock1985-hc-ac-fl'}
            if all(values):
                mine['efw']['history'] = [{'ga_days': h['ga_days'], 'value': hadlock(h['value'] / 10, a['value'] / 10, b['value'] / 10)}
                                          for h, a, b in zip(*values)]
    given = {'fetuses': fetuses, 'pregnancy': {}}
    if 'ga_days' in out['pregnancy']:
        given['ga_days'] = out['pregnancy']['ga_days']
    if 'chorionicity' in facts['pregnancy']:
        given['chorionicity'] = facts['pregnancy']['chorionicity']
    return given


def one(path, folder):
    global checked
    with open(path, encoding='utf-8') as f:
        case = json.load(f)
    name, facts = case['case'], case['facts']
    for e in case['expected']:
        assert e['check'] == 'cell' or (e['because'] and e['source']), (name, 'an expectation without reason or source', e)
    inputs = os.path.join(folder, name + '.json')
    with open(inputs, 'w', encoding='utf-8') as f:
        json.dump(facts, f)
    out = json.loads(run('report', '--facts', inputs, '--facts-only'))
    for e in case['expected']:
        check(e, facts, out, name)
        checked += 1
    rules = json.loads(run('rules', '--input', '-', '--json', stdin=json.dumps(bare(facts, out))))
    rules = rules[0] if isinstance(rules, list) else rules
    for e in case['expected']:
        if e['check'] == 'answer':
            check_answer(e, rules['answers'], name + ', rules on the bare numbers')
            checked += 1
    pdf = os.path.join(folder, name + '.pdf')
    run('report', '--facts', inputs, '-o', pdf)
    assert 'holds' in run('verify', pdf), name
    keep = os.environ.get('GOLDEN_PAGES')  # pages as pictures for docs/golden
    if keep:
        page = os.environ.get('GOLDEN_PAGE', '1')
        subprocess.run(['pdftoppm', '-r', '110', '-f', page, '-l', page, '-singlefile', '-png', pdf, os.path.join(keep, name)], check=True)


def main():
    assert len(CASES) == 12, CASES
    with tempfile.TemporaryDirectory() as folder:
        for path in CASES:
            one(path, folder)
    print(f'{len(CASES)} cases, {checked} checks')


if __name__ == '__main__':
    sys.exit(main())
