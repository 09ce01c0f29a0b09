#!/usr/bin/env python3
"""The charts computed a second time, here, from the same citations and by other means (scipy), against `ogive chart`.

Nothing is read from data/charts: the equations below were typed from the papers' equations, and charts that are tables
are read from tests/published/tables. Value at z, z and centile of a value must agree to 1e-9 over a grid of ages (edges
and fractions of days included) and of z from -6 to 6, as far as the model goes.
"""
import csv
import math
import os
import subprocess
import sys

try:
    import numpy as np
    from scipy.optimize import brentq
    from scipy.special import inv_boxcox, boxcox, ndtr, ndtri
except ImportError:
    if sys.executable != '/usr/bin/python3' and os.path.exists('/usr/bin/python3'):
        os.execv('/usr/bin/python3', ['/usr/bin/python3'] + sys.argv)
    print('skipped: python3-scipy is not installed')
    sys.exit(77)

HERE = os.path.dirname(os.path.abspath(__file__))
OGIVE = os.environ.get('OGIVE') or os.path.join(HERE, '../../build/ogive')
ln, exp, log10, sqrt = math.log, math.exp, math.log10, math.sqrt
ZS = [-6, -5, -4, -3.3, -2.5, -1.8807936, -1.2815516, -0.6, 0, 1e-3, 0.7, 1.3, 1.9, 2.33, 3.1, 4, 5, 6]
TO = {'id': lambda y: y, 'ln': ln, 'log10': log10, 'sqrt': sqrt}
BACK = {'id': lambda u: u, 'ln': exp, 'log10': lambda u: 10 ** u, 'sqrt': lambda u: u * u}


def table(name):
    with open(os.path.join(HERE, 'tables', name)) as f:
        return list(csv.DictReader(line for line in f if not line.startswith('#')))


class Normal:
    def __init__(self, mean, sd, on='id', unit=1):
        self.mean, self.sd, self.on, self.unit = mean, sd, on, unit

    def value(self, x, z):
        u = self.mean(x) + z * self.sd(x)
        return None if self.on == 'sqrt' and u < 0 else self.unit * BACK[self.on](u)

    def z(self, x, y):
        return (TO[self.on](y / self.unit) - self.mean(x)) / self.sd(x)


class Lms:
    """Box-Cox on ln(y), as the INTERGROWTH-21st weight charts are written."""

    def __init__(self, l, m, s):
        self.l, self.m, self.s = l, m, s

    def value(self, x, z):
        l, m, s = self.l(x), self.m(x), self.s(x)
        return exp(m * float(inv_boxcox(s * z, l))) if 1 + l * s * z > 0 else None

    def z(self, x, y):
        return float(boxcox(ln(y) / self.m(x), self.l(x))) / self.s(x)


class ExponentialNormal:
    def __init__(self, l, mu, s):
        self.l, self.mu, self.s = l, mu, s

    def value(self, x, z):
        return self.mu(x) + self.s(x) * ln(1 + self.l * z) / self.l if 1 + self.l * z > 0 else None

    def z(self, x, y):
        return (exp((y - self.mu(x)) * self.l / self.s(x)) - 1) / self.l


class Quantiles:
    """q: list of (probability, function giving the quantile on the scale `on`); limit: largest |z| that is told."""

    def __init__(self, q, on, limit=99):
        self.z_of, self.f, self.on, self.limit = [float(ndtri(p)) for p, _ in q], [f for _, f in q], on, limit

    def value(self, x, z):
        if not self.z_of[0] <= z <= self.z_of[-1]:
            return None
        return BACK[self.on](float(np.interp(z, self.z_of, [f(x) for f in self.f])))

    def z(self, x, y):
        return float(np.interp(TO[self.on](y), [f(x) for f in self.f], self.z_of))


class Mixture:
    """Two normals on log10; weight of the first."""

    def __init__(self, w, a, b):
        self.w, self.a, self.b = w, a, b

    def tails(self, x, u):
        w, (ma, sa), (mb, sb) = self.w(x), self.a(x), self.b(x)
        za, zb = (u - ma) / sa, (u - mb) / sb
        return w * ndtr(za) + (1 - w) * ndtr(zb), w * ndtr(-za) + (1 - w) * ndtr(-zb)

    def z_scale(self, x, u):
        lower, upper = self.tails(x, u)
        return float(ndtri(lower)) if lower < upper else -float(ndtri(upper))

    def value(self, x, z):
        return 10 ** brentq(lambda u: self.z_scale(x, u) - z, -4, 4, xtol=1e-15, rtol=8.9e-16)

    def z(self, x, y):
        return self.z_scale(x, log10(y))


class Median:
    def __init__(self, f):
        self.f = f

    def value(self, x, z):
        return self.f(x) if z == 0 else None

    z = None


def const(v):
    return lambda x: v


def w(f):
    """A function of weeks as one of days."""
    return lambda d: f(d / 7)


C = {}  # id: (low, high, model); ages in days, other abscissae in mm or g


def intergrowth():
    def size(q, mean, sd):
        C['intergrowth-' + q] = (98, 280, Normal(w(mean), w(sd)))
    size('hc', lambda t: -28.2849 + 1.69267 * t**2 - 0.397485 * t**2 * ln(t),
         lambda t: 1.98735 + 0.0136772 * t**3 - 0.00726264 * t**3 * ln(t) + 0.000976253 * t**3 * ln(t)**2)
    size('bpd', lambda t: 5.60878 + 0.158369 * t**2 - 0.00256379 * t**3,
         lambda t: exp(0.101242 + 0.00150557 * t**3 - 0.000771535 * t**3 * ln(t) + 0.0000999638 * t**3 * ln(t)**2))
    size('ofd', lambda t: -12.4097 + 0.626342 * t**2 - 0.148075 * t**2 * ln(t),
         lambda t: exp(-0.880034 + 0.0631165 * t**2 - 0.0317136 * t**2 * ln(t) + 0.00408302 * t**2 * ln(t)**2))
    size('ac', lambda t: -81.3243 + 11.6772 * t - 0.000561865 * t**3,
         lambda t: -4.36302 + 0.121445 * t**2 - 0.0130256 * t**3 + 0.00282143 * t**3 * ln(t))
    size('fl', lambda t: -39.9616 + 4.32298 * t - 0.0380156 * t**2,
         lambda t: exp(0.605843 - 42.0014 / t**2 + 0.00000917972 * t**3))
    size('tcd', lambda t: -13.10907 + 20.8941 * (t / 10)**0.5 + 0.5035914 * (t / 10)**3,
         lambda t: 0.4719837 + 0.0500382 * (t / 10)**3)
    C['intergrowth-crl'] = (58, 105, Normal(lambda d: -50.6562 + 0.815118 * d + 0.00535302 * d**2,
                                            lambda d: -2.21626 + 0.0984894 * d))
    C['intergrowth-sfh'] = (112, 294, Normal(w(lambda t: 5.133374 + 0.1058353119 * t**2 - 0.0231295 * t**2 * ln(t)),
                                             w(lambda t: 0.9922667 + 0.0258087 * t), unit=10))
    C['intergrowth-efw'] = (154, 280, Lms(
        w(lambda t: -4.257629 - 2162.234 * t**-2 + 0.0002301829 * t**3),
        w(lambda t: 4.956737 + 0.0005019687 * t**3 - 0.0001227065 * t**3 * ln(t)),
        w(lambda t: 1e-4 * (-6.997171 + 0.057559 * t**3 - 0.01493946 * t**3 * ln(t)))))
    C['intergrowth-efw-hadlock'] = (126, 287, Lms(
        w(lambda t: 9.43643 + 9.41579 * (t / 10)**-2 - 83.54220 * ln(t / 10) * (t / 10)**-2),
        w(lambda t: -2.42272 + 1.86478 * t**0.5 - 1.93299e-5 * t**3),
        w(lambda t: 0.0193557 + 0.0310716 * (t / 10)**-2 - 0.0657587 * ln(t / 10) * (t / 10)**-2)))

    def brain(q, mu, s, on='id'):
        C['intergrowth-' + q] = (105, 252, Normal(w(mu), w(s), on))
    brain('pof', lambda t: 10.29428 - 122.8447 / t + 0.00001038 * t**3, lambda t: 1.596042 - 257.2297 / t**2)
    brain('sf', lambda t: 80.27012 - 32.7877 / sqrt(t) - 100.1593 / sqrt(t) * ln(t), lambda t: 2.304501 - 353.814 / t**2)
    brain('va-anterior', lambda t: 6.396214 + 0.00006205 * t**3, const(1.204454))
    brain('va', lambda t: 4.389214 + 38.10015 / t + 0.0000020063 * t**3, lambda t: 0.6707227 + 0.034258 * t)
    brain('cm', lambda t: 2.098095 - 239.0659 / t**2 - 0.0000001547 * t**3, lambda t: 0.2297936 + 8.1872 / t**2, 'ln')

    def umbilical(q, l, m, s):
        C['intergrowth-' + q] = (168, 280, ExponentialNormal(
            l, w(lambda t: m[0] + m[1] / t**2 + m[2] * t**3), w(lambda t: s[0] + s[1] * ln(t) / t**2 + s[2] / t**2)))
    umbilical('ua-pi', -0.0768617, (1.02944, 77.7456, -0.000004455), (-0.00645693, 254.885, -715.949))
    umbilical('ua-ri', 0.0172944, (0.674914, 25.3909, -0.0000022523), (0.0375921, 60.7614, -183.336))
    umbilical('ua-sd', -0.2752483, (2.60358, 445.991, -0.0000108754), (-0.503202, 1268.37, -3417.37))


def polynomial(cs):
    return lambda t: sum(c * t**i for i, c in enumerate(cs))


def who():
    rows = table('growth-who-coefficients.csv')
    for q, sex in {(r['quantity'], r['sex']) for r in rows}:
        mine = [r for r in rows if r['quantity'] == q and r['sex'] == sex]
        curves = [(float(r['quantile']), w(polynomial([float(r['b%d' % i]) for i in range(5)]))) for r in mine]
        name = 'who-' + q.lower() + {'any': '', 'M': '-male', 'F': '-female'}[sex]
        C[name] = (98, 280, Quantiles(curves, 'ln', limit=float(ndtri(0.975))))


def columns(rows, x, names, on, step, per=7, group=None):
    """A table's columns as quantile curves."""
    rows = [r for r in rows if group is None or r['group'] == group]
    xs = [float(r[x]) * per for r in rows]

    def curve(name):
        ys = [TO[on](float(r[name])) for r in rows]
        if step:
            return lambda v: ys[int(np.searchsorted(xs, v, side='right')) - 1]
        return lambda v: float(np.interp(v, xs, ys))
    return [(p / 100, curve(name)) for p, name in names]


def tables():
    seven = [(3, 'p3'), (5, 'p5'), (10, 'p10'), (50, 'p50'), (90, 'p90'), (95, 'p95'), (97, 'p97')]
    nine = [(2.5, 'p2_5'), (5, 'p5'), (10, 'p10'), (25, 'p25'), (50, 'p50'), (75, 'p75'), (90, 'p90'), (95, 'p95'),
            (97.5, 'p97_5')]
    short = {'White': 'white', 'Non-Hispanic White': 'white', 'Black': 'black', 'Non-Hispanic Black': 'black',
             'Hispanic': 'hispanic', 'Asian': 'asian', 'Asian & Pacific Islander': 'asian'}
    for q in ('hc', 'bpd', 'ac', 'fl', 'efw'):
        rows = table('growth-nichd-%s.csv' % q)
        for g in {r['group'] for r in rows}:
            C['nichd-%s-%s' % (q, short[g])] = (70, 294, Quantiles(columns(rows, 'ga_weeks', seven, 'ln', False, group=g), 'ln'))
    for q in ('ua-pi', 'ua-ri'):
        rows = table('doppler-%s-acharya2005.csv' % q)
        C['acharya2005-' + q] = (133, 287, Quantiles(columns(rows, 'ga_weeks', nine, 'id', False), 'id'))
    C['widnes2018-fhr-male'] = (140, 286, Quantiles(
        columns(table('other-fhr-male-widnes2018.csv'), 'ga_weeks', nine, 'id', True), 'id'))
    three = [(5, 'p5'), (50, 'p50'), (95, 'p95')]
    C['moore1990-afi'] = (112, 300, Quantiles(
        columns(table('other-afi-moore-cayle1990.csv'), 'ga_weeks', three, 'ln', True), 'ln'))
    C['campbell1977-hc-ac'] = (91, 300, Quantiles(
        columns(table('growth-hc-ac-ratio-campbell1977.csv'), 'ga_from', [(5, 'p5'), (50, 'mean'), (95, 'p95')], 'id', True),
        'id'))
    cl = table('other-cervical-length-iams1996.csv')
    C['iams1996-cl-24w'] = (168, 174, Quantiles([(float(r['centile']) / 100, const(float(r['length_mm']))) for r in cl], 'id'))
    fhr = table('other-fhr-by-crl-2014.csv')
    mean, sd = (columns(fhr, 'crl_mm_from', [(50, k)], 'id', True, per=1)[0][1] for k in ('mean', 'sd'))
    C['fhr-crl-2014'] = (5, 85, Normal(mean, sd))
    bones = table('growth-long-bones-jeanty-unverified.csv')
    for q, k in (('hl', 'humerus'), ('ulna', 'ulna'), ('radius', 'radius'), ('fl', 'femur'), ('tibia', 'tibia'), ('fibula', 'fibula')):
        C['jeanty1984-' + q] = (105, 280, Median(columns(bones, 'ga_weeks', [(50, k)], 'id', False)[0][1]))
    C['cohen1991-kidney'] = (126, 280, Median(
        columns(table('growth-kidney-length-unverified.csv'), 'ga_weeks', [(50, 'mean_mm')], 'id', False)[0][1]))
    C['mercer1987-foot'] = (84, 280, Median(
        lambda d: float(np.interp(d / 7, range(12, 44, 4), [8, 20, 33, 45, 55, 65, 74, 81]))))


def hearts():
    def abscissa(m, low, high):
        return {'GA': (low * 7, high * 7, 7, 'ga'), 'BPD': (28 if low == 15 else 18, 93, 10, 'bpd'),
                'FL': (17 if low == 15 else 8, 76, 10, 'fl'), 'FW': (60, 3500, 1, 'efw')}[m]
    for r in table('other-fetal-heart-schneider2005.csv'):
        lo, hi, per, word = abscissa(r['moderator'], 15, 39)
        a, b, s = float(r['intercept']), float(r['multiplier']), float(r['rmse'])
        C['schneider2005-%s-%s' % (r['structure'].replace('_', '-'), word)] = (lo, hi, Normal(
            lambda x, a=a, b=b, per=per: a + b * ln(x / per), const(s), 'ln', 100 if r['y_unit'] == 'cm2' else 10))
    for r in table('other-fetal-heart-krishnan2016.csv'):
        lo, hi, per, word = abscissa(r['moderator'], 12, 39)
        p = polynomial([float(r['c%d' % i]) for i in range(4)])
        C['krishnan2016-%s-%s' % (r['structure'].replace('_', '-'), word)] = (lo, hi, Normal(
            lambda x, p=p, per=per: p(x / per), const(float(r['rmse'])), {'identity': 'id'}.get(r['transform'], r['transform']), 10))
    C['sirilert2019-ct-ratio'] = (98, 280, Normal(w(lambda t: 0.365 + 0.004 * t), w(lambda t: 0.031 + 0.001 * t)))
    C['sirilert2019-ct-ratio-bpd'] = (25, 95, Normal(lambda b: 0.373 + 0.0014 * b, lambda b: 0.034 + 0.0004 * b))
    C['sirilert2019-ct-ratio-hc'] = (95, 345, Normal(lambda h: 0.373 + 0.0004 * h, lambda h: 0.032 + 0.0001 * h))
    C['cardiac-circ-2011'] = (98, 280, Normal(w(lambda t: -53.11 + 6.56 * t - 0.035 * t**2), w(lambda t: 0.67 + 0.18 * t)))
    C['cardiac-circ-2011-bpd'] = (25, 95, Normal(lambda b: -17.60 + 1.768 * b, lambda b: 1.651 + 0.061 * b))


def others():
    median = w(lambda t: exp(0.578 + 0.332 * t - 0.00354 * t**2))
    C['hadlock1991-sd127'] = (70, 280, Normal(median, lambda d: 0.127 * median(d)))
    C['hadlock1991-table'] = (70, 280, Normal(median, lambda d: 0.133 * median(d)))
    for q, f, s in (('bpd', lambda t: -3.08 + 0.41 * t - 0.000061 * t**3, 0.30),
                    ('hc', lambda t: -11.48 + 1.56 * t - 0.0002548 * t**3, 1.00),
                    ('ac', lambda t: -13.30 + 1.61 * t - 0.00998 * t**2, 1.34),
                    ('fl', lambda t: -3.91 + 0.427 * t - 0.0034 * t**2, 0.30)):
        C['hadlock1984-' + q] = (84, 294, Normal(w(f), const(s), unit=10))
    C['chitty1994-hc'] = (84, 294, Median(w(lambda t: -109.7 + 15.16 * t - 0.002388 * t**3)))
    C['chitty1994-ac-derived'] = (84, 294, Median(w(lambda t: -85.84 + 11.92 * t - 0.0007902 * t**3)))
    C['chitty1994-ac-traced'] = (84, 294, Normal(w(lambda t: -87.06 + 12.284 * t - 0.00080907 * t**3),
                                                 w(lambda t: -0.8553 + 0.49862 * t)))
    C['chitty1994-fl'] = (84, 294, Normal(w(lambda t: -32.43 + 3.416 * t - 0.0004791 * t**3), w(lambda t: 1.06 + 0.05833 * t)))
    C['nicolaides2018-efw'] = (140, 294, Normal(
        lambda d: 3.0893 + 0.00835 * (d - 199) - 0.00002965 * (d - 199)**2 - 0.00000006062 * (d - 199)**3,
        lambda d: 0.02464 + 0.00005640 * d, 'log10'))
    C['acharya2005-ua-sd'] = (133, 287, Normal(w(lambda t: 4.16676 - 0.9188 * ln(t)),
                                               w(lambda t: sqrt(0.4851 - 0.2678 * ln(t) + 0.04115 * ln(t)**2)), 'ln'))
    cpr = polynomial((-0.3564, 0.0003969, 0.00003199, -0.00000009266))
    cpr_sd = polynomial((0.1948, -0.001220, 0.000003262))
    for q, m, s in (('ua-pi', lambda d: log10(1.6473 - 0.003005 * d), polynomial((0.08713, -0.0002936, 0.0000009355))),
                    ('mca-pi', polynomial((0.3117, -0.007100, 0.00006345, -0.0000001443)), polynomial((0.1708, -0.001199, 0.000003211))),
                    ('cpr', cpr, cpr_sd), ('ucr', lambda d: -cpr(d), cpr_sd)):
        C['ciobanu2019-' + q] = (140, 293, Normal(m, s, 'log10'))
    C['mari2000-mca-psv'] = (126, 280, Median(w(lambda t: exp(2.30921 + 0.0463954 * t))))
    C['mari2000-fetal-hb'] = (126, 280, Median(w(lambda t: exp(2.84 - 8.55 / t))))
    C['baschat2003-cpr'] = (140, 280, Normal(w(polynomial((-4.0636, 0.383298, -0.0059259))),
                                             w(polynomial((-0.9664027, 0.09027, -0.0014825)))))
    C['gomez2008-uta-pi'] = (77, 287, Normal(polynomial((1.39, -0.012, 0.0000198)), lambda d: 0.272 - 0.000295 * d, 'ln'))
    for q, a, c, k in (('preload', 5.061, 0.4882, 0.211), ('pvi', 7.498, 0.5609, 0.2184), ('piv', 17.9, 0.6053, 0.2512),
                       ('sa', 300, 2.124, 0.3649)):
        C['dv2012-dv-' + q] = (98, 280, Median(w(lambda t, a=a, c=c, k=k: (a - c) * exp(-k * t) + c)))
    C['iams1996-cl-24w-normal'] = (168, 174, Normal(const(35.2), const(8.3)))
    C['iams1996-cl-28w'] = (196, 202, Normal(const(33.7), const(8.5)))

    def dependent(crl):
        c = min(crl, 81.1258)
        return -0.8951 + 0.02940 * c - 0.0001812 * c * c, 0.079
    C['wright2008-nt'] = (45, 84, Mixture(lambda crl: 1 / (1 + exp(0.3319 + 0.0379 * crl)), const((0.3019, 0.1945)), dependent))
    C['spencer2003-nt'] = (45, 84, Median(lambda c: 10**(-0.3599 + 0.0127 * c - 0.000058 * c * c)))
    C['scott1996-nt'] = (45, 84, Median(lambda c: 10**(-1.03 + 0.0314 * c - 0.00022 * c * c)))
    C['tannirandorn2000-fhr'] = (40, 99, Median(polynomial((-21.666, 5.4796, -0.0383))))
    C['hadlock1981-ci'] = (98, 280, Normal(const(78.3), const(4.4)))
    C['hc-ac-line'] = (91, 294, Median(w(lambda t: 1.32293 - 0.0084471 * t)))
    C['hadlock1983-fl-ac'] = (147, 294, Median(const(22)))
    C['hohler1981-fl-bpd'] = (154, 294, Median(const(79)))


def ogive(word, rows, column):
    """Runs one stream over rows (chart, x, number) and gives back the rows with the columns it added."""
    ages = {c for c, (_, _, m) in C.items()}
    assert ages
    unit = 'd'
    done = []
    # Ages are numbers of days, sizes numbers of the chart's own unit: two streams.
    for is_age in (True, False):
        part = [r for r in rows if (X_UNIT[r[0]] == 'd') == is_age]
        text = 'chart,x%s,%s\n' % ('_days' if is_age else '', column) + ''.join('%s,%r,%r\n' % r for r in part)
        out = subprocess.run([OGIVE, 'chart', word, '--csv', '-', '--x', 'x_days' if is_age else 'x', '--value', column,
                              '--unverified', '--any-value'] + (['--x-unit', unit] if is_age else []),
                             input=text, capture_output=True, text=True, check=True)
        done += list(csv.DictReader(out.stdout.splitlines()))
        if len(done) == 0:
            sys.exit(out.stderr)
    order = {(r[0], repr(r[1]), repr(r[2])): i for i, r in enumerate(rows)}
    done.sort(key=lambda d: order[(d['chart'], d.get('x_days') or d.get('x'), d[column])])
    return done


def grid(low, high):
    xs = [low + (high - low) * i / 11 for i in range(12)] + [math.floor((low + high) / 2), low + 0.5, high - 0.25]
    return sorted({min(max(x, low), high) for x in xs})


def main():
    global X_UNIT
    import json
    for fill in (intergrowth, who, tables, hearts, others):
        fill()
    listed = json.loads(subprocess.run([OGIVE, 'chart', 'list', '--all', '--json'], capture_output=True, text=True, check=True).stdout)
    X_UNIT = {c['id']: c['x']['unit'] for c in listed}
    failures = []
    for c in listed:
        if c['id'] not in C:
            failures.append('%s is computed nowhere but in ogive' % c['id'])
        elif (c['x']['low'], c['x']['high']) != C[c['id']][:2]:
            failures.append('%s: another range, %s' % (c['id'], c['x']))
    failures += ['%s is not in ogive' % i for i in C if i not in X_UNIT]
    wanted = [(i, float(x), float(z), m.value(x, z)) for i, (lo, hi, m) in sorted(C.items()) for x in grid(lo, hi) for z in ZS]
    refused = worst = 0
    for (i, x, z, v), got in zip(wanted, ogive('inverse', [r[:3] for r in wanted], 'z')):
        if v is None:
            refused += 1
            if got['result']:
                failures.append('%s at %r: a value at z %r that there is none for' % (i, x, z))
        elif not got['result']:
            failures.append('%s at %r: no value at z %r: %s' % (i, x, z, got['note']))
        else:
            off = abs(float(got['result']) - v) / max(abs(v), 1)
            worst = max(worst, off)
            if off > 1e-9:
                failures.append('%s at %r: value at z %r is %s, here %.12g' % (i, x, z, got['result'], v))
    print('%d values at a z compared over %d charts, %d of them rightly refused; worst difference %.2g' %
          (len(wanted), len(C), refused, worst))
    # Forward, at values that are round numbers near those just computed, so that they are not the inverse of anything.
    rows = []
    for i, x, z, v in wanted:
        m = C[i][2]
        if v is None or v <= 0 or m.z is None:
            continue
        y = float('%.7g' % v)
        if isinstance(m, Lms) and y <= 1:
            continue
        e = m.z(x, y)
        limit = getattr(m, 'limit', 99)
        inside = not isinstance(m, Quantiles) or (max(m.z_of[0], -limit) < e - 1e-6 and e + 1e-6 < min(m.z_of[-1], limit))
        if inside and abs(e) < 6.5:
            rows.append((i, x, y, e))
    worst_z = worst_p = 0
    for (i, x, y, e), got in zip(rows, ogive('eval', [r[:3] for r in rows], 'value')):
        if not got['z']:
            failures.append('%s at %r: no z for %r: %s' % (i, x, y, got['note']))
            continue
        p = 100 * float(ndtr(e))
        dz, dp = abs(float(got['z']) - e) / max(1, abs(e)), abs(float(got['centile']) - p) / min(p, 1)
        # A relative 1e-9 of a centile of 1e-7 asks for z to 1e-10: the tail is held to what z allows.
        worst_z, worst_p = max(worst_z, dz), max(worst_p, dp)
        if dz > 1e-9 or dp > 1e-9 * max(1, e * e):
            failures.append('%s at %r: %r has z %s centile %s, here %.12g %.12g' % (i, x, y, got['z'], got['centile'], e, p))
    print('%d values evaluated; worst difference of z %.2g, of the centile (relative below 1) %.2g' % (len(rows), worst_z, worst_p))
    assert len(rows) > 20000 and len(wanted) > 40000
    for f in failures[:40]:
        print('FAILED', f)
    sys.exit(1 if failures else 0)


main()
