#!/usr/bin/env python3
"""The calculators on the command line: CSV streaming, JSON, exit codes, messages for bad input."""
import json
import math
import os
import subprocess
import tempfile

OGIVE = os.environ.get('OGIVE') or os.path.join(os.path.dirname(os.path.abspath(__file__)), '../../build/ogive')


def run(*args, text=None, env=None):
    return subprocess.run([OGIVE, *args], input=text, capture_output=True, text=True, env=env)


def expect(args, code, says, text=None):
    p = run(*args, text=text)
    assert p.returncode == code, (args, p.returncode, p.stdout, p.stderr)
    assert says in p.stdout + p.stderr, (args, says, p.stdout, p.stderr)
    return p


def bad_input():
    expect(['weight', '--hc', '17.5', '--ac', '15', '--fl', '3.2'], 5, 'it would be if cm was meant')
    expect(['weight', '--hc', '295', '--ac', '275', '--fl', '6.0'], 5, 'cannot belong to one fetus')
    expect(['weight', '--hc', '295', '--ac', '275'], 3, 'needs FL')
    expect(['weight', '--hc', '295', '--ac', '275', '--fl', 'x'], 2, 'needs a number')
    expect(['weight', '--hc', '295', '--ac', '275', '--fl', '60', '--formula', 'nobody'], 4, 'no weight formula')
    expect(['weight', '--hc', '295', '--ac', '275', '--fl', '60', '--ga', '32w0d', '--chart', 'intergrowth-efw'], 0, 'no centile')
    expect(['weight', '--ac', '275', '--formula', 'hadlock1984-ac'], 3, 'from memory')
    expect(['weight', '--hc', '295', '--ac', '275', '--fl', '60', '--unit', 'g'], 3, 'g cannot become mm')
    expect(['date', '--lmp', '2026-01-01', '--cycle', '60'], 3, 'a cycle of 60 days')
    expect(['date', '--lmp', '2026-01-01', '--edd', '2025-12-01'], 3, 'not after the period')
    expect(['date', '--lmp', '01/02/2026'], 3, 'YYYY-MM-DD')
    expect(['date', '--lmp', '2026-02-30'], 3, 'not a day of the calendar')
    expect(['date', '--crl', '4.5@2026-01-20'], 5, 'If it was read in cm')
    expect(['date', '--bpd', '4.7', '--on', '2026-05-01'], 5, 'cm was meant')
    expect(['date', '--crl', '50@2026-01-20', '--formula', 'crl-none'], 4, 'crl-none')
    expect(['date', '--lmp', '2026-01-01', '--rule', 'mine'], 4, 'no redating rule')
    expect(['date'], 2, 'at least one piece')
    expect(['rules', '--fact', 'A.bpd=4.7'], 5, 'not plausible')
    expect(['rules', '--fact', 'A.efw'], 3, 'is not a fact')
    expect(['rules', '--fact', 'A.efw=1400', '--rule', 'none'], 4, 'no rule')
    expect(['growth', 'change', '--chart', 'intergrowth-ac', '--scan', '28w0d:240', '--scan', '29w5d:250'], 5, '12 days between')
    expect(['growth', 'change', '--chart', 'nothing', '--scan', '28w0d:240', '--scan', '32w0d:250'], 4, 'nothing')
    expect(['growth', 'change', '--chart', 'intergrowth-ac', '--scan', '28w0d:24', '--scan', '32w0d:250'], 5, 'cm was meant')


def rule_codes():
    facts = ['rules', '--ga', '30w0d', '--rule', 'fgr-early-delphi2016', '--fact', 'A.ua-pi.centile=96', '--fact', 'A.ua-edf=forward',
             '--fact', 'A.ac.centile=20', '--fact', 'pregnancy.uta-pi.centile=50']
    expect(facts + ['--fact', 'A.efw.centile=8'], 0, 'met')
    expect(facts + ['--fact', 'A.efw.centile=11'], 1, 'not-met')
    expect(facts, 4, 'cannot-tell')
    p = run('rules', '--lines', '-', text='{"ga":"30w0d","fetuses":{"A":{"dvp":15}}}\nnot json\n{"fetuses":{"A":{"dvp":50}}}\n')
    out = [json.loads(line) for line in p.stdout.splitlines()]
    assert len(out) == 3 and out[0]['answers'][0]['class'] == 'oligohydramnios' and out[1]['error'] and \
        out[2]['answers'][0]['answer'] == 'not-met', p.stdout


def csv_rows():
    text = '\ufeffid,hc,ac,fl,ga,remark\r\n1,295,275,60,32w0d,"a, ""quoted"" remark"\r\n2,29.5,275,60,32w0d,cm\r\n\r\n3,295,275,60,,\r\n' \
           '4,295,x,60,32w0d,\r\n5,295,275\r\n6,295,275,60,32w0d,"two\nlines"\r\n'
    p = run('weight', '--csv', '-', text=text)
    assert p.returncode == 0, p.stderr
    import csv
    import io
    rows = list(csv.DictReader(io.StringIO(p.stdout)))
    assert [r['id'] for r in rows] == ['1', '2', '3', '4', '5', '6'], p.stdout
    assert rows[0]['efw_g'] == '1804.06' and rows[0]['remark'] == 'a, "quoted" remark' and rows[0]['refused'] == '' and rows[0]['z']
    assert 'cm' in rows[1]['refused'] and rows[1]['efw_g'] == ''
    assert rows[2]['efw_g'] == '1804.06' and rows[2]['z'] == ''
    assert 'not a number' in rows[3]['refused'] and 'needs FL' in rows[4]['refused']
    assert rows[5]['remark'] == 'two\nlines' and rows[5]['efw_g'] == '1804.06'
    assert '3 of 6 rows refused' in p.stderr
    assert run('weight', '--csv', '-', '--strict', text=text).returncode == 3
    expect(['weight', '--csv', '-'], 3, 'no column ac', text='a,b\n1,2\n')
    expect(['weight', '--csv', '-'], 3, 'no header', text='')
    expect(['weight', '--csv', '-'], 3, 'not closed', text='hc,ac,fl\n"295,275,60\n')
    expect(['weight', '--csv', '-'], 3, '4 fields', text='hc,ac,fl\n295,5,275,60\n')
    expect(['weight', '--csv', '/nonexistent.csv'], 4, 'nonexistent')
    text = 'lmp,crl,crl_date,transfer,embryo_age_days,ga_on\n2026-01-01,55,2026-03-25,,,2026-05-20\n2026-01-01,35,2026-03-25,,,2026-05-20\n' \
           ',,,2026-01-01,5,2026-05-20\n2026-13-01,,,,,\n,,,,,\n'
    rows = list(csv.DictReader(io.StringIO(run('date', '--csv', '-', text=text).stdout)))
    assert [r['basis'] for r in rows] == ['lmp', 'crl', 'transfer', '', ''], rows
    assert rows[0]['due'] == '2026-10-08' and rows[0]['ga_days'] == '139' and rows[1]['difference_days'] == '11'
    assert rows[2]['due'] == '2026-09-19' and 'calendar' in rows[3]['refused'] and 'nothing dates' in rows[4]['refused']


def same_answer_everywhere():
    """One engine: CSV, JSON and options give the same numbers."""
    a = json.loads(run('weight', '--hc', '295', '--ac', '275', '--fl', '60', '--ga', '32w0d', '--json').stdout)
    b = json.loads(run('weight', '--input', '-', text='[{"hc":29.5,"ac":27.5,"fl":6.0,"unit":"cm","ga_days":224}]').stdout)[0]
    assert abs(a['efw_g'] - b['efw_g']) < 1e-9 and abs(a['centile']['z'] - b['centile']['z']) < 1e-9
    row = run('weight', '--csv', '-', text='hc,ac,fl,ga_days\n295,275,60,224\n').stdout.splitlines()[1].split(',')
    assert abs(float(row[4]) - a['efw_g']) < 0.0051 and abs(float(row[7]) - a['centile']['z']) < 1e-6
    a, b = run('date', '--lmp', '2026-01-01', '--crl', '55@2026-03-25', '--json').stdout, run('date', '--lmp', '2026-01-01', '--crl', '5.5@2026-03-25', '--unit', 'cm', '--json').stdout
    a, b = json.loads(a), json.loads(b)
    assert a['edd'] == b['edd'] and a['estimates'] == b['estimates']
    assert run('date', '--lmp', '2026-01-01', '--json').stdout == run('date', '--lmp', '2026-01-01', '--json').stdout


def correlation_from_a_department():
    import random
    r = random.Random(5)
    with tempfile.TemporaryDirectory() as folder:
        os.makedirs(folder + '/growth')
        with open(folder + '/exams.csv', 'w') as f:
            f.write('fetus,ga_days,value\n')
            rows = []
            for k in range(150):
                base = r.gauss(0, 1)
                first = r.randint(140, 180)
                for ga in (first, first + r.randint(20, 40), first + r.randint(50, 80)):
                    z = 0.85**0.5 * base + 0.15**0.5 * r.gauss(0, 1)
                    w = ga / 7
                    mean = -81.3243 + 11.6772 * w - 0.000561865 * w**3  # INTERGROWTH-21st AC
                    sd = -4.36302 + 0.121445 * w**2 - 0.0130256 * w**3 + 0.00282143 * w**3 * math.log(w)
                    rows.append(f'F{k},{ga},{mean + z * sd:.2f}\n')
            r.shuffle(rows)
            f.writelines(rows + ['F9999,20,5\n'])
        out = folder + '/growth/intergrowth-ac.json'
        p = expect(['growth', 'fit', '--chart', 'intergrowth-ac', '--csv', folder + '/exams.csv', '-o', out], 0, '150 fetuses')
        assert '1 rows left out' in p.stdout
        fit = json.load(open(out))
        assert abs(fit['r_at_4_weeks'] - 0.85) < 4 * fit['r_at_4_weeks_se'], fit
        env = dict(os.environ, OGIVE_DATA=folder)
        scans = ['growth', 'change', '--chart', 'intergrowth-ac', '--scan', '26w0d:220', '--scan', '30w0d:240', '--json']
        with_fit, without = json.loads(run(*scans, env=env).stdout), json.loads(run(*scans).stdout)
        assert with_fit['centile_conditional'] is not None and without['centile_conditional'] is None
        expect(['growth', 'fit', '--chart', 'intergrowth-ac', '--csv', '-'], 5, 'fetuses have two scans', text='fetus,ga_days,value\nA,150,160\nA,185,210\nB,150,165\n')


def department_files():
    """A department's own files take the place of the built-in ones; a broken one is named, never skipped in silence."""
    with tempfile.TemporaryDirectory() as folder:
        env = dict(os.environ, OGIVE_DATA=folder)
        weight = ['weight', '--hc', '295', '--ac', '275', '--fl', '60']

        def put(path, text):
            os.makedirs(os.path.dirname(f'{folder}/{path}'), exist_ok=True)
            with open(f'{folder}/{path}', 'w') as f:
                f.write(text)

        def broken(path, text, says, args=weight):
            put(path, text)
            p = run(*args, env=env)
            assert p.returncode not in (0, 70) and p.returncode > 0 and says in p.stderr, (path, p.returncode, p.stdout, p.stderr)
            os.remove(f'{folder}/{path}')

        broken('weight/formulas.json', '{"default": "x", "formulas": [', 'weight/formulas.json, line 1')
        broken('weight/formulas.json', '{"default":"x","formulas":[{"id":"x","title":"X","citation":"c","status":"from-memory","low_g":1,'
               '"high_g":9000,"lengths":"cm","outer":"exp10","terms":[{"c":1}]}]}', 'cannot be the default')
        broken('weight/formulas.json', '{"default":"x","formulas":[{"id":"x","title":"X","citation":"c","status":"verified","low_g":1,'
               '"high_g":9000,"lengths":"inch","outer":"exp10","terms":[{"c":1}]}]}', 'must be mm, cm or m')
        broken('quantities.json', '{"quantities": []}', 'missing or empty')
        broken('dating/rules.json', '{"default":"mine","rules":[{"id":"mine"}]}', 'title', ['date', '--lmp', '2026-01-01'])
        broken('rules/own.json', '{"area":"own","rules":[{"id":"a"}]}', 'title', ['rules', '--fact', 'A.dvp=15'])
        put('weight/formulas.json', '{"default":"own","formulas":[{"id":"own","title":"Own","citation":"our audit","status":"verified","low_g":1,'
            '"high_g":9000,"lengths":"cm","outer":"identity","terms":[{"c":60,"ac":1}],"error_sd_percent":7}]}')
        w = json.loads(run('weight', '--ac', '275', '--json', env=env).stdout)
        assert abs(w['efw_g'] - 1650) < 1e-9 and w['formula']['id'] == 'own' and abs(w['accuracy']['sd_g'] - 115.5) < 1e-9, w
        put('rules/own.json', '{"area":"own","rules":[{"id":"own-pocket","title":"Own limit","citation":"our protocol","status":"common-practice",'
            '"met":{"fact":"dvp.value","below":30}}]}')
        p = run('rules', '--fact', 'A.dvp=25', '--rule', 'own-pocket', env=env)
        assert p.returncode == 0 and 'our protocol' in p.stdout, p


def constant_memory():
    """A CSV a hundred times as long needs no more memory: the peak of that process alone, without the waiting list of freed blocks
    that a build with AddressSanitizer keeps. Whoever holds the rows, 21 bytes each, needs 8 MB more; seen are 0.4 MB."""
    env = dict(os.environ, ASAN_OPTIONS=os.environ.get('ASAN_OPTIONS', '') + ':quarantine_size_mb=0')

    def peak(rows):
        p = subprocess.Popen([OGIVE, 'weight', '--csv', '-'], stdin=subprocess.PIPE, stdout=subprocess.DEVNULL, env=env)
        p.stdin.write(b'hc,ac,fl,ga_days\n')
        for _ in range(rows // 1000):
            p.stdin.write(b'295.1,275.2,60.3,224\n' * 1000)
        p.stdin.close()
        _, status, used = os.wait4(p.pid, 0)
        p.returncode = os.waitstatus_to_exitcode(status)
        assert p.returncode == 0, p.returncode
        return used.ru_maxrss
    small, large = peak(4000), peak(400000)
    assert large < small + 5000, (small, large)  # kB


bad_input()
rule_codes()
csv_rows()
same_answer_everywhere()
correlation_from_a_department()
department_files()
constant_memory()
print('ok')
