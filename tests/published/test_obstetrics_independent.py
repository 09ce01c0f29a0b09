#!/usr/bin/env python3
"""Independent computation of weights, dating, growth and their errors, from the cited papers, against the program.

Nothing here reads the program's data files: every coefficient is typed again from the citation beside it. Agreement is
asked to 1e-9 relative. Needs numpy and scipy (Debian); exit 77 with the reason when they are not there.
"""
import json
import os
import subprocess
import sys

try:
    import numpy as np
    from scipy import stats
except ImportError:
    if sys.executable != '/usr/bin/python3' and os.path.exists('/usr/bin/python3'):
        os.execv('/usr/bin/python3', ['/usr/bin/python3'] + sys.argv)
    print('skipped: python3-scipy is not installed')
    sys.exit(77)

OGIVE = os.environ.get('OGIVE') or os.path.join(os.path.dirname(os.path.abspath(__file__)), '../../build/ogive')
rng = np.random.default_rng(20261125)
checked = {}


def ogive(command, value, *options):
    p = subprocess.run([OGIVE, *command, '--input', '-', *options], input=json.dumps(value), capture_output=True, text=True)
    assert p.returncode in (0, 3), (command, p.returncode, p.stderr, p.stdout[:300])
    return json.loads(p.stdout)


def same(name, got, want, tolerance=1e-9):
    assert abs(got - want) <= tolerance * max(1, abs(want)), (name, got, want)
    checked[name] = checked.get(name, 0) + 1


# --- weights: grams from cm -------------------------------------------------------------------------------------------
# Hadlock 1985, Am J Obstet Gynecol 151:333-337; Hadlock 1984, Radiology 150:535-540; Shepard 1982; Warsof 1977; Campbell 1975;
# Combs 1993; Jordaan 1983; Weiner 1985; Ott 1986; Stirnemann 2017, doi 10.1002/uog.17347
WEIGHT = {
    'hadlock1985-ac-fl': lambda b, h, a, f: 10 ** (1.304 + 0.05281 * a + 0.1938 * f - 0.004 * a * f),
    'hadlock1985-bpd-ac-fl': lambda b, h, a, f: 10 ** (1.335 - 0.0034 * a * f + 0.0316 * b + 0.0457 * a + 0.1623 * f),
    'hadlock1985-hc-ac-fl': lambda b, h, a, f: 10 ** (1.326 - 0.00326 * a * f + 0.0107 * h + 0.0438 * a + 0.158 * f),
    'hadlock1985-bpd-hc-ac-fl': lambda b, h, a, f: 10 ** (1.3596 - 0.00386 * a * f + 0.0064 * h + 0.00061 * b * a + 0.0424 * a + 0.174 * f),
    'hadlock1984-bpd-ac': lambda b, h, a, f: 10 ** (1.1134 + 0.05845 * a - 0.000604 * a**2 - 0.007365 * b**2 + 0.000595 * b * a + 0.1694 * b),
    'hadlock1984-hc-ac': lambda b, h, a, f: 10 ** (1.182 + 0.0273 * h + 0.07057 * a - 0.00063 * a**2 - 0.0002184 * h * a),
    'hadlock1984-ac-fl': lambda b, h, a, f: 10 ** (1.3598 + 0.051 * a + 0.1844 * f - 0.0037 * a * f),
    'hadlock1984-bpd-ac-fl': lambda b, h, a, f: 10 ** (1.4787 - 0.003343 * a * f + 0.001837 * b**2 + 0.0458 * a + 0.158 * f),
    'hadlock1984-hc-ac-fl': lambda b, h, a, f: 10 ** (1.5662 - 0.0108 * h + 0.0468 * a + 0.171 * f + 0.00034 * h**2 - 0.003685 * a * f),
    'hadlock1984-bpd-hc-ac-fl': lambda b, h, a, f: 10 ** (1.5115 + 0.0436 * a + 0.1517 * f - 0.00321 * a * f + 0.0006923 * b * h),
    'hadlock1984-ac': lambda b, h, a, f: np.exp(2.695 + 0.253 * a - 0.00275 * a**2),
    'shepard1982': lambda b, h, a, f: 1000 * 10 ** (-1.7492 + 0.166 * b + 0.046 * a - 2.646 * a * b / 1000),
    'warsof1977': lambda b, h, a, f: 1000 * 10 ** (-1.599 + 0.144 * b + 0.032 * a - 0.000111 * b**2 * a),
    'campbell1975': lambda b, h, a, f: 1000 * np.exp(-4.564 + 0.282 * a - 0.00331 * a**2),
    'combs1993': lambda b, h, a, f: 0.23718 * a**2 * f + 0.03312 * h**3,
    'jordaan1983': lambda b, h, a, f: 10 ** (0.9119 + 0.0488 * h + 0.0824 * a - 0.001599 * a * h),
    'weiner1985': lambda b, h, a, f: 10 ** (1.6575 + 0.04035 * h + 0.01285 * a),
    'ott1986': lambda b, h, a, f: 1000 * 10 ** (-2.0661 + 0.04355 * h + 0.05394 * a - 0.0008582 * h * a + 1.2594 * f / a),
    'intergrowth2017-hc-ac': lambda b, h, a, f: np.exp(5.084820 - 54.06633 * (a / 100)**3 - 95.80076 * (a / 100)**3 * np.log(a / 100) + 3.136370 * (h / 100)),
}
LOW = {'intergrowth2017-hc-ac': 300}


def weights():
    for name, formula in WEIGHT.items():
        size = rng.uniform(0, 1, 40)
        hc = 150 + 190 * size
        mm = np.stack([hc / 3.62, hc, hc * rng.uniform(0.85, 1.05, 40), hc * rng.uniform(0.18, 0.22, 40)])
        sd = np.array([1.5, 4.0, 9.0, 2.5])
        rows = [dict(zip(('bpd', 'hc', 'ac', 'fl'), map(float, m)), sd_bpd=1.5, sd_hc=4.0, sd_ac=9.0, sd_fl=2.5,
                     calibration_sd=0.01, formula=name, bpd_convention='outer-inner') for m in mm.T]
        for m, r in zip(mm.T, ogive(['weight'], rows, '--allow-unconfirmed')):
            want = float(formula(*(m / 10)))
            if not LOW.get(name, 50) <= want <= 6000:
                assert r['error']['code'] == 'out-of-range', r
                continue
            same('weight ' + name, r['efw_g'], want)
            # slopes by complex step: exact to rounding, and nothing like the program's own derivative
            slope = np.array([np.imag(formula(*[complex(x / 10, 1e-30 / 10 if i == k else 0) for i, x in enumerate(m)])) / 1e-30
                              for k in range(4)])
            along = float(np.sum(slope * m) * 0.01)
            parts = slope * sd
            same('weight SD ' + name, r['repeatability']['sd_g'], float(np.sqrt(np.sum(parts**2) + along**2)))


def weight_monte_carlo():
    """First-order propagation against simulation: within 3 % for two-observer errors (the log formula is a little curved)."""
    m, sd = np.array([29.5, 27.5, 6.0]), np.array([29.5 * 0.0177, 27.5 * 0.0317, 6.0 * 0.04])
    x = rng.normal(m, sd, (200000, 3)) * rng.normal(1, 0.01, (200000, 1))
    w = WEIGHT['hadlock1985-hc-ac-fl'](None, x[:, 0], x[:, 1], x[:, 2])
    r = ogive(['weight'], {'hc': 295, 'ac': 275, 'fl': 60, 'calibration_sd': 0.01})
    assert abs(r['repeatability']['sd_g'] / w.std() - 1) < 0.03, (r['repeatability'], w.std())
    checked['Monte Carlo of the weight'] = 1


# --- dating: days ----------------------------------------------------------------------------------------------------
# Papageorghiou 2014, doi 10.1002/uog.13448; Robinson & Fleming 1975; Hadlock 1992, doi 10.1148/radiology.182.2.1732970
CRL = {
    'crl-intergrowth': (15, 95, lambda c: 40.9041 + 3.21585 * np.sqrt(c) + 0.348956 * c, lambda c, g: 2.39102 + 0.0193474 * c),
    'crl-robinson-1037': (5, 84, lambda c: 8.052 * np.sqrt(1.037 * c) + 23.73, lambda c, g: 2.4),
    'crl-robinson-1975': (5, 84, lambda c: 8.052 * np.sqrt(c) + 23.73, lambda c, g: 2.4),
    'crl-hadlock1992': (2, 121, lambda c: 7 * np.exp(1.684969 + 0.315646 * (c / 10) - 0.049306 * (c / 10)**2 + 0.004057 * (c / 10)**3
                                                     - 0.000120456 * (c / 10)**4), lambda c, g: 0.04 * g),
}
# Hadlock 1984, doi 10.1148/radiology.152.2.6739822 (weeks from cm); Papageorghiou 2016, doi 10.1002/uog.15894 (days from mm)
BIO = {
    'bpd': lambda b, h, a, f: 9.54 + 1.482 * b + 0.1676 * b**2,
    'hc': lambda b, h, a, f: 8.96 + 0.540 * h + 0.0003 * h**3,
    'ac': lambda b, h, a, f: 8.14 + 0.753 * a + 0.0036 * a**2,
    'fl': lambda b, h, a, f: 10.35 + 2.460 * f + 0.170 * f**2,
    'bpd-ac': lambda b, h, a, f: 9.57 + 0.524 * a + 0.1220 * b**2,
    'bpd-hc': lambda b, h, a, f: 10.32 + 0.009 * h**2 + 1.3200 * b + 0.00012 * h**3,
    'bpd-fl': lambda b, h, a, f: 10.50 + 0.197 * b * f + 0.9500 * f + 0.7300 * b,
    'hc-ac': lambda b, h, a, f: 10.31 + 0.012 * h**2 + 0.3850 * a,
    'hc-fl': lambda b, h, a, f: 11.19 + 0.070 * h * f + 0.2630 * h,
    'ac-fl': lambda b, h, a, f: 10.47 + 0.442 * a + 0.3140 * f**2 - 0.0121 * f**3,
    'bpd-hc-ac': lambda b, h, a, f: 10.58 + 0.005 * h**2 + 0.3635 * a + 0.02864 * b * a,
    'bpd-hc-fl': lambda b, h, a, f: 11.38 + 0.070 * h * f + 0.9800 * b,
    'bpd-ac-fl': lambda b, h, a, f: 10.61 + 0.175 * b * f + 0.2970 * a + 0.7100 * f,
    'hc-ac-fl': lambda b, h, a, f: 10.33 + 0.031 * h * f + 0.3610 * h + 0.0298 * a * f,
    'bpd-hc-ac-fl': lambda b, h, a, f: 10.85 + 0.060 * h * f + 0.6700 * b + 0.1680 * a,
}


def estimate(evidence):
    out = ogive(['date'], {'evidence': [evidence]})
    return out.get('error') or out['estimates'][0]


def dating():
    for name, (low, high, formula, sd) in CRL.items():
        for c in np.linspace(low, high, 23):
            e = estimate({'basis': 'crl', 'date': '2026-03-01', 'value_mm': float(c), 'formula': name})
            want = float(formula(c))
            same('dating ' + name, e['ga_days'], want)
            same('dating SD ' + name, e['sd_days'], float(sd(c, want)))
            due = np.datetime64('2026-03-01') + np.timedelta64(280 - int(np.floor(want + 0.5)), 'D')
            assert e['edd'] == str(due), (name, c, e, due)
        for c in (low - 0.001, high + 0.001):
            assert estimate({'basis': 'crl', 'date': '2026-03-01', 'value_mm': float(c), 'formula': name})['code'] == 'out-of-range'
    for name, formula in BIO.items():
        for size in np.linspace(0.05, 0.95, 9):
            hc = 100 + 230 * size
            mm = np.array([hc / 3.62, hc, hc * 0.93, hc * 0.2])
            want = 7 * float(formula(*(mm / 10)))
            if not 84 <= want <= 294:
                continue
            e = estimate(dict(zip(('bpd_mm', 'hc_mm', 'ac_mm', 'fl_mm'), map(float, mm)), basis='biometry', date='2026-03-01',
                              formula=name + '-hadlock1984', bpd_convention='outer-inner'))
            same('dating biometry', e['ga_days'], want)
    for hc, fl in zip(np.linspace(100, 330, 20), np.linspace(15, 70, 20)):
        one = {'basis': 'biometry', 'date': '2026-03-01', 'hc_mm': float(hc)}
        want = float(np.exp(0.05970 * np.log(hc)**2 + 0.000000006409 * hc**3 + 3.3258))
        both = float(np.exp(0.03243 * np.log(hc)**2 + 0.001644 * fl * np.log(hc) + 3.813))
        if 98 <= want <= 280:
            same('dating hc-intergrowth', estimate(one)['ga_days'], want)
        if 98 <= both <= 280:
            same('dating hc-fl-intergrowth', estimate(dict(one, fl_mm=float(fl)))['ga_days'], both)


def combined():
    """Precision-weighted mean of period and scan, and the chance of so large a difference (scipy)."""
    for shift in range(-12, 13, 3):
        crl_day = np.datetime64('2026-01-01') + np.timedelta64(80, 'D')
        crl = 55.0
        out = ogive(['date'], {'evidence': [{'basis': 'lmp', 'date': str(np.datetime64('2026-01-01') + np.timedelta64(shift, 'D'))},
                                            {'basis': 'crl', 'date': str(crl_day), 'value_mm': crl}]})
        _, _, formula, sd = CRL['crl-intergrowth']
        edd = np.array([shift + 280, 80 + 280 - float(formula(crl))]) + (np.datetime64('2026-01-01') - np.datetime64('1970-01-01')).astype(int)
        s = np.array([6.0, float(sd(crl, 0))])
        w = 1 / s**2
        mean = float((edd * w).sum() / w.sum())
        p = float(stats.chi2.sf((((edd - mean) / s)**2).sum(), 1))
        c = out['combined']
        if p < 0.01:
            assert c['error']['code'] == 'conflict', c
            continue
        same('combined due date', c['edd_exact_days'], mean, 1e-12)
        same('combined SD', c['sd_days'], float(np.sqrt(1 / w.sum())))
        same('combined p', c['p_agreement'], p)


# --- growth: Royston 1995 on INTERGROWTH-21st HC (Papageorghiou 2014, doi 10.1016/S0140-6736(14)61490-2) ------------------
def hc_mean(w):
    return -28.2849 + 1.69267 * w**2 - 0.397485 * w**2 * np.log(w)


def hc_sd(w):
    return 1.98735 + 0.0136772 * w**3 - 0.00726264 * w**3 * np.log(w) + 0.000976253 * w**3 * np.log(w)**2


def growth(folder):
    os.makedirs(folder + '/growth')
    k = {'chart': 'intergrowth-hc', 'r0': 0.92, 'tau_weeks': 14.0, 'mean': 0.1, 'sd': 0.95, 'ga_low_days': 100, 'ga_high_days': 280,
         'interval_low_days': 14, 'interval_high_days': 150}
    with open(folder + '/growth/intergrowth-hc.json', 'w') as f:
        json.dump(k, f)
    env = dict(os.environ, OGIVE_DATA=folder)
    for w1, w2 in ((20, 24), (24, 31), (28, 30), (18, 36)):
        for z1, z2 in ((0.4, -1.1), (-0.5, -1.5), (1.2, 1.3)):
            v1, v2 = hc_mean(w1) + z1 * hc_sd(w1), hc_mean(w2) + z2 * hc_sd(w2)
            p = subprocess.run([OGIVE, 'growth', 'change', '--chart', 'intergrowth-hc', '--scan', f'{w1}w0d:{v1!r}:3', '--scan',
                                f'{w2}w0d:{v2!r}:4', '--json'], capture_output=True, text=True, env=env, check=True)
            g = json.loads(p.stdout)
            r = 0.92 * np.exp(-(w2 - w1) / 14)
            expected = 0.1 + r * (z1 - 0.1)
            spread = 0.95 * np.sqrt(1 - r * r)
            u = np.hypot(3 / hc_sd(w1), 4 / hc_sd(w2))
            same('growth dz', g['dz'], z2 - z1)
            same('growth conditional z', g['z_conditional'], float((z2 - expected) / spread))
            same('growth conditional centile', g['centile_conditional'], float(100 * stats.norm.cdf((z2 - expected) / spread)))
            same('growth measurement part', g['dz_sd_measurement'], float(u), 1e-7)  # the program takes the slope by difference
            same('growth p', g['p_measurement'], float(2 * stats.norm.sf(abs(z2 - z1) / u)), 1e-6)
            same('growth velocity', g['velocity_per_week'], float((v2 - v1) / (w2 - w1)))
            same('growth velocity of the median', g['velocity_expected'], float((hc_mean(w2) - hc_mean(w1)) / (w2 - w1)))


def main():
    import tempfile
    weights()
    weight_monte_carlo()
    dating()
    combined()
    with tempfile.TemporaryDirectory() as folder:
        growth(folder)
    for name, n in sorted(checked.items()):
        print(f'{n:5d} {name}')
    print('all agree:', sum(checked.values()), 'values')


main()
