"""The page that the screen shows is the page that prints: the program's own picture of each page (what the browser is given) against
the same page of its PDF drawn by poppler (pdftoppm), pixel by pixel.

Two renderers place the edges of letters and pictures a little differently, so a pixel may differ where something ends; it may not
differ over an area. Both are reduced to an eighth, where edges average out, and compared in grey values.
"""
import http.client
import io
import json
import os
import shutil
import subprocess
import sys
import tempfile

import numpy as np
from PIL import Image

OGIVE = os.environ['OGIVE']
if not shutil.which('pdftoppm'):
    print('skipped: pdftoppm is not installed (scripts/setup test)')
    sys.exit(77)
WORK = tempfile.mkdtemp(prefix='ogive-preview-')
ENV = dict(os.environ, OGIVE_HOME=WORK + '/home', OGIVE_USER='Ida')
WIDTH = 1000


def run(*args):
    subprocess.run([OGIVE, *args], env=ENV, check=True, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)


def small(picture):
    g = picture.convert('L')
    return np.asarray(g.resize((g.width // 8, g.height // 8), Image.BOX), dtype=float)


def likeness(a, b):
    """Correlation of the ink of two pages: 1 for the same page."""
    return np.corrcoef((255 - a).ravel(), (255 - b).ravel())[0, 1]


def compare(name, shown, pdf, page):
    scale = ['-scale-to-x', str(shown.width), '-scale-to-y', str(shown.height)]
    subprocess.run(['pdftoppm', '-r', '150', *scale, '-f', str(page), '-l', str(page), '-singlefile', '-png', pdf, WORK + '/p'],
                   check=True)
    printed = Image.open(WORK + '/p.png')
    assert printed.size == shown.size, (name, printed.size, shown.size)
    a, b = small(shown), small(printed)
    apart, alike = np.abs(a - b), likeness(a, b)
    far = (apart > 30).mean()
    print(f'  {name}: likeness {alike:.4f}, mean difference {apart.mean():.2f} of 255, more than 30 in {100 * far:.3f} % of the places')
    assert alike > 0.95 and apart.mean() < 3 and far < 0.002, name
    return a


run('init')
for k in ('1', '2'):
    run('phantom', '--seed', '12', '--serial', k, '--quick', WORK + '/exam' + k)
    run('import', WORK + '/exam' + k)
served = subprocess.Popen([OGIVE, 'serve', '--port', '0', '--json'], env=ENV, stdout=subprocess.PIPE, text=True)
try:
    text = ''
    while '}' not in text:
        text += served.stdout.readline()
    port = json.loads(text)['port']

    def get(path):
        c = http.client.HTTPConnection('127.0.0.1', port, timeout=120)
        c.request('GET', path)
        r = c.getresponse()
        data = r.read()
        assert r.status == 200, (path, r.status, data[:300])
        return data

    exams = json.loads(get('/api/exams'))['exams']
    exam = max(exams, key=lambda e: e['date'])['id']
    pages = json.loads(get(f'/api/exams/{exam}/sign'))['pages']
    with open(WORK + '/report.pdf', 'wb') as f:
        f.write(get(f'/api/exams/{exam}/report.pdf'))
    before = None
    for page in range(1, pages + 1):
        shown = Image.open(io.BytesIO(get(f'/api/exams/{exam}/pages/{page}.png?width={WIDTH}')))
        now = compare(f'report, page {page}', shown, WORK + '/report.pdf', page)
        # The bar is one that another page does not pass.
        assert before is None or likeness(before, now) < 0.9, 'two pages are as like as a page and its print'
        before = now
    for kind, wish in (('contact', 'columns=3&rows=4&landscape=1&anonymous=1'), ('contact', 'columns=2&rows=3&marks=1'),
                       ('parents', 'message=See%20you%20soon')):
        with open(WORK + '/print.pdf', 'wb') as f:
            f.write(get(f'/api/exams/{exam}/{kind}.pdf?{wish}'))
        look = json.loads(get(f'/api/exams/{exam}/prints/{kind}?{wish}'))
        for page in range(1, look['pages'] + 1):
            shown = Image.open(io.BytesIO(get(f'/api/exams/{exam}/prints/{kind}/{page}.png?width={WIDTH}&{wish}')))
            compare(f'{kind} {wish}, page {page}', shown, WORK + '/print.pdf', page)
finally:
    served.terminate()
    served.wait()
    shutil.rmtree(WORK, ignore_errors=True)
print(f'preview: {pages} pages of the report and the prints are what poppler draws of the PDF')
