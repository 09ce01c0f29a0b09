#!/usr/bin/env python3
"""Write docs/references.md from the files that hold charts, formulas and rules: every source, with its population, range,
caliper convention and status. `--check` only says whether the page is up to date (exit code 1 when it is not).
"""
import glob
import json
import os
import sys

ROOT = os.path.dirname(os.path.dirname(os.path.abspath(__file__)))
PAGE = os.path.join(ROOT, 'docs/references.md')
STATUS = {'verified': 'verified', 'single-source': 'single source', 'from-memory': 'from memory'}


def load(path):
    with open(os.path.join(ROOT, 'data', path), encoding='utf-8') as f:
        return json.load(f)


def charts():
    for path in sorted(glob.glob(os.path.join(ROOT, 'data/charts/*.json'))):
        doc = load(path)
        for one in doc.get('charts', [doc]):
            yield {**doc.get('common', {}), **one}


def age(days):
    return '%d+%d' % divmod(days, 7)


def extent(x):
    if x['unit'] == 'd':
        return '%s to %s weeks' % (age(x['low']), age(x['high']))
    return '%s %g to %g %s' % (x['name'].upper(), x['low'], x['high'], x['unit'])


def cell(text):
    return str(text).replace('|', '\\|').replace('\n', ' ')


def table(heads, rows):
    out = ['| ' + ' | '.join(heads) + ' |', '|' + ' --- |' * len(heads)]
    return out + ['| ' + ' | '.join(cell(c) for c in r) + ' |' for r in rows] + ['']


def state(c):
    s = STATUS[c['status']]
    if c.get('default'):
        s += ', default'
    if c.get('enabled') is False:
        s += ', switched off'
    return s


def source(c):
    return c['citation'] + (', doi ' + c['doi'] if c.get('doi') else '')


def chart_part():
    """One block for each source: what it is, then its charts."""
    all_charts = sorted(charts(), key=lambda c: c['id'])
    names = {q['id']: q['name'] for q in load('quantities.json')['quantities']}
    counts = {s: sum(c['status'] == s for c in all_charts) for s in STATUS}
    lines = ['## Charts', '',
             '%d charts: %d verified, %d with a single source, %d from memory (these are switched off). A default is '
             'always a verified chart.' % (len(all_charts), counts['verified'], counts['single-source'], counts['from-memory']), '']
    sources = {}
    for c in all_charts:
        sources.setdefault((source(c), c['population'] if not c['id'].startswith(('who', 'nichd')) else ''), []).append(c)
    for (text, population), group in sorted(sources.items(), key=lambda kv: kv[0][0].lower()):
        lines += ['### ' + group[0]['id'] + (' and %d more' % (len(group) - 1) if len(group) > 1 else ''), '', text + '.', '']
        if population:
            lines += ['Population: ' + population + '.', '']
        lines += table(['chart', 'quantity', 'range', 'calipers', 'model', 'status'],
                       [[c['id'], names.get(c['quantity'], c['quantity']) + (', weights by ' + c['formula'] if c.get('formula') else ''),
                         extent(c['x']), c.get('convention') or 'any', c['model'], state(c)] for c in group])
        notes = {}
        for c in group:
            notes.setdefault(c.get('note', ''), []).append(c['id'])
        for note, ids in notes.items():
            if note:
                lines += [('' if len(ids) == len(group) else ', '.join(ids) + ': ') + note, '']
    return lines


def list_part(title, path, key, extra=()):
    if not os.path.exists(os.path.join(ROOT, 'data', path)):
        return []
    rows = [[r['id'], r.get('title', ''), r['citation'] + (', doi ' + r['doi'] if r.get('doi') else ''), STATUS.get(r['status'], r['status'])]
            + [r.get(e, '') if r.get(e) is not None else '' for _, e in extra] for r in load(path)[key]]
    return ['## ' + title, ''] + table(['id', 'what', 'source', 'status'] + [h for h, _ in extra], rows)


def page():
    lines = ['# References', '',
             'Made by `scripts/references.py` from the files under `data/`; do not edit it here.', '',
             'Status: **verified** means that two independent sources agree, or that the equation reproduces the published '
             'table; **single source** means one source was seen; **from memory** means written from knowledge of the paper '
             'and not compared with it. Charts from memory are switched off; compare them with the print before use. '
             'Ogive supports the judgement of qualified staff; local protocol and licensed practice decide which reference '
             'a department uses.', '']
    lines += chart_part()
    lines += ['## Conversions between caliper conventions', '']
    lines += table(['quantity', 'from', 'to', 'equation, mm', 'source', 'status'],
                   [[c['quantity'].upper(), c['from'], c['to'], '%g + %g x' % (c['intercept'], c['slope']), source(c), STATUS[c['status']]]
                    for c in load('conventions.json')['conversions']])
    lines += list_part('Weight formulas', 'weight/formulas.json', 'formulas', (('error, SD %', 'error_sd_percent'), ('error from', 'error_source')))
    lines += list_part('Dating formulas', 'dating/formulas.json', 'formulas', (('SD from', 'sd_source'),))
    lines += list_part('Dating rules', 'dating/rules.json', 'rules')
    for path in sorted(glob.glob(os.path.join(ROOT, 'data/rules/*.json'))):
        rules = load(path)
        if isinstance(rules.get('rules'), list):
            lines += list_part('Rules: ' + os.path.basename(path)[:-5], os.path.relpath(path, os.path.join(ROOT, 'data')), 'rules')
    return '\n'.join(lines).rstrip() + '\n'


def main():
    text = page()
    if sys.argv[1:] == ['--check']:
        with open(PAGE, encoding='utf-8') as f:
            if f.read() == text:
                return 0
        print('docs/references.md is not up to date: run scripts/references.py and commit the page')
        return 1
    with open(PAGE, 'w', encoding='utf-8') as f:
        f.write(text)
    return 0


if __name__ == '__main__':
    sys.exit(main())
