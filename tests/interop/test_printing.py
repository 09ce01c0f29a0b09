"""Paper: the program's printing against real peers on this machine: CUPS's own IPP Everywhere printer (ippeveprinter) and the
CUPS server (cupsd) with a queue in front of it. What arrives is compared byte for byte with what the program wrote.

Peers: Debian packages cups-ipp-utils, cups-daemon, dbus (scripts/setup test). IPP states and reasons: RFC 8011, 5.3.7, 5.3.8,
5.4.12.
"""
import http.client
import json
import os
import shutil
import signal
import socket
import subprocess
import sys
import tempfile
import time

OGIVE = os.environ['OGIVE']


def skip(why):
    print('skipped: ' + why)
    sys.exit(77)


for tool in ('ippeveprinter', 'dbus-daemon'):
    if not shutil.which(tool) and not os.path.exists('/usr/sbin/' + tool):
        skip(f'{tool} is not installed (scripts/setup test)')

WORK = tempfile.mkdtemp(prefix='ogive-print-')
STARTED = []
ENV = dict(os.environ, OGIVE_HOME=WORK + '/home', OGIVE_USER='Ida Marlow', PATH=os.environ['PATH'] + ':/usr/sbin',
           CUPS_SERVER=WORK + '/none.sock')


def free_port():
    """A port that nobody listened on just now: whoever is to have it must be asked whether it got it."""
    with socket.socket() as s:
        s.bind(('127.0.0.1', 0))
        return s.getsockname()[1]


def listens(pid, port):
    """Whether that process, and no other, listens on the port (Linux: proc_net(5), proc_pid_fd(5))."""
    try:
        held = {os.readlink(f'/proc/{pid}/fd/{fd}') for fd in os.listdir(f'/proc/{pid}/fd')}
    except OSError:
        return False
    for table in ('tcp', 'tcp6'):
        with open('/proc/net/' + table) as f:
            for row in (line.split() for line in f.readlines()[1:]):
                if row[3] == '0A' and int(row[1].split(':')[1], 16) == port and f'socket:[{row[9]}]' in held:
                    return True
    return False


def start(args, **more):
    p = subprocess.Popen(args, stdin=subprocess.DEVNULL, start_new_session=True, **more)
    STARTED.append(p)
    return p


def until(what, ready, seconds=60):
    """Waits for a state, however busy the machine is."""
    end = time.time() + seconds
    while time.time() < end:
        got = ready()
        if got:
            return got
        time.sleep(0.1)
    raise AssertionError('never came: ' + what)


def ogive(*args, code=0, env=None):
    p = subprocess.run([OGIVE, *args], env=env or ENV, capture_output=True, text=True)
    assert p.returncode == code, (args, p.returncode, p.stdout[-2000:], p.stderr[-4000:])
    return p.stdout if '--json' in args else p.stdout + p.stderr


def command(name, lines):
    """What a printer does with a document: ippeveprinter(1), option -c."""
    path = f'{WORK}/{name}.sh'
    with open(path, 'w') as f:
        f.write('#!/bin/sh\n' + lines + '\n')
    os.chmod(path, 0o755)
    return path


class Printer:
    def __init__(self, name, does, *options):
        self.spool = f'{WORK}/{name}'
        os.mkdir(self.spool)
        self.log = open(f'{WORK}/{name}.log', 'w')
        while True:  # it cannot choose a port itself and say which: where another program was faster, it ends, and another is tried
            self.port = free_port()
            self.uri = f'ipp://localhost:{self.port}/ipp/print'
            p = start(['ippeveprinter', '-p', str(self.port), '-d', self.spool, '-k', '-r', 'off', '-n', 'localhost',
                       '-c', command(name, does), *options, name], env=ENV, stdout=self.log, stderr=self.log)
            until(f'printer {name}', lambda: p.poll() is not None or listens(p.pid, self.port))
            if p.poll() is None:
                return
            with open(self.log.name) as f:
                said = f.read()
            assert 'in use' in said, (name, p.returncode, said[-2000:])

    def received(self, job):
        found = [f for f in os.listdir(self.spool) if f.startswith(f'{job}-') and f.endswith('.pdf')]
        assert len(found) == 1, (job, os.listdir(self.spool))
        with open(f'{self.spool}/{found[0]}', 'rb') as f:
            return f.read()


def events(exam):
    """The printed events of the newest exam, as the record has them."""
    import sqlite3
    with sqlite3.connect(f'file:{WORK}/home/ogive.db?mode=ro', uri=True) as db:
        return [(who, kind, json.loads(detail)) for who, kind, detail in
                db.execute("SELECT who, kind, detail FROM change WHERE verb='printed' ORDER BY seq")]


def main():
    # A private message bus: the printer program wants one, although it announces nothing ("-r off").
    bus = subprocess.run(['dbus-daemon', '--session', '--fork', '--print-address=1', '--print-pid=1'], check=True,
                         capture_output=True, text=True).stdout.split()
    ENV['DBUS_SYSTEM_BUS_ADDRESS'] = bus[0]
    STARTED.append(int(bus[1]))
    ogive('init')
    ogive('phantom', '--seed', '5', '--quick', WORK + '/exam')
    ogive('import', WORK + '/exam')

    # no print server, no printer: said, and the PDF is still to be had
    out = ogive('print', '--list')
    assert 'no print server answers' in out and 'ogive report EXAM -o' in out, out
    out = ogive('print', 'latest', '--printer', 'ward', code=6)
    assert 'no print server answers' in out and 'PDF can be saved' in out, out
    with socket.socket() as held:  # a port that stays taken, and where nobody listens
        held.bind(('127.0.0.1', 0))
        out = ogive('print', 'latest', '--printer', f'ipp://127.0.0.1:{held.getsockname()[1]}/ipp/print', code=6)
    assert 'does not answer' in out, out
    assert not events('latest'), 'a print that failed was written down as one'

    good = Printer('Ward', 'exit 0', '-f', 'application/pdf', '-2')
    bad = Printer('Jammed', 'echo "STATE: +media-jam-error" >&2; exit 1', '-f', 'application/pdf')
    deaf = Printer('Raster', 'exit 0', '-f', 'image/pwg-raster')

    # the draft, byte for byte
    ogive('report', 'latest', '-o', WORK + '/report.pdf')
    job = json.loads(ogive('print', 'latest', '--printer', good.uri, '--copies', '2', '--paper', 'a4', '--wait', '--json'))
    assert job['state'] == 'done' and job['ended'] and job['copies'] == 2, job
    assert job['paper'] == 'iso_a4_210x297mm', job
    assert good.received(job['job']) == open(WORK + '/report.pdf', 'rb').read(), 'the printer got other bytes'
    who, kind, detail = events('latest')[-1]
    assert (who, kind) == ('Ida Marlow', 'exam') and detail['printer'] == good.uri and detail['copies'] == 2, detail
    import hashlib
    assert detail['sha256'] == hashlib.sha256(good.received(job['job'])).hexdigest()
    assert 'is printed' in ogive('print', '--printer', good.uri, '--job', str(job['job']))

    # pictures
    for kind, options in (('contact', ['--contact', '3x4', '--landscape']), ('parents', ['--parents'])):
        ogive('report', 'latest', *options, '-o', WORK + '/p.pdf')
        job = json.loads(ogive('print', 'latest', '--printer', good.uri, *options, '--two-sided', '--wait', '--json'))
        assert good.received(job['job']) == open(WORK + '/p.pdf', 'rb').read(), kind
        assert events('latest')[-1][2]['what'] == kind

    # troubles, each with its words
    out = ogive('print', 'latest', '--printer', bad.uri, '--wait', code=1)
    assert 'failed' in out and 'paper jam' in out, out
    assert 'takes no PDF' in ogive('print', 'latest', '--printer', deaf.uri, code=3)
    assert 'no paper b5' in ogive('print', 'latest', '--printer', good.uri, '--paper', 'b5', code=4)
    assert 'copies' in ogive('print', 'latest', '--printer', good.uri, '--copies', '0', code=5)
    assert 'neither a queue nor' in ogive('print', 'latest', '--printer', 'a b', code=3)
    assert 'does not print on both sides' in ogive('print', 'latest', '--printer', bad.uri, '--two-sided', code=3)
    served(good)
    queue(good)
    print('printing: report, contact sheet and parents\' page arrive byte for byte; troubles are told')


def served(good):
    """The page's side: only printers of the set-up; who printed what is kept."""
    server = start([OGIVE, 'serve', '--port', '0', '--json'], env=ENV, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True)
    said = ''
    while not said.rstrip().endswith('}'):
        line = server.stdout.readline()
        assert line, said
        said += line
    port = int(json.loads(said)['address'].rstrip('/').rsplit(':', 1)[1])

    def ask(method, path, body=None):
        c = http.client.HTTPConnection('127.0.0.1', port, timeout=60)
        c.request(method, path, json.dumps(body) if body is not None else None,
                  {'Content-Type': 'application/json', 'X-Ogive-Who': 'Tove Berg', 'Origin': f'http://127.0.0.1:{port}'})
        r = c.getresponse()
        data = r.read()
        return r.status, json.loads(data) if data[:1] in b'{[' else data

    exam = ask('GET', '/api/exams')[1]['exams'][0]['id']
    wish = {'what': 'parents', 'printer': good.uri, 'copies': 1, 'paper': 'A4'}
    status, answer = ask('POST', f'/api/exams/{exam}/print', wish)
    assert status == 403 and 'not one of the department' in json.dumps(answer), (status, answer)
    assert ask('POST', '/api/printers', {'addresses': ['http://elsewhere.example/']})[0] == 400
    assert ask('POST', '/api/printers', {'addresses': [good.uri]})[0] == 200
    listed = ask('GET', '/api/printers')[1]
    assert [p['name'] for p in listed['printers']] == ['Ward'] and listed['trouble'], listed
    assert any(p['name'].startswith('A4') for p in listed['printers'][0]['papers'])
    status, answer = ask('POST', f'/api/exams/{exam}/print', wish)
    assert status == 201, (status, answer)
    job = answer['job']['job']
    state = until('the end of the job', lambda: (lambda a: a if a.get('ended') else None)(
        ask('GET', f'/api/exams/{exam}/print?job={job}&printer={good.uri}')[1]))
    assert state['state'] == 'done', state
    assert good.received(job) == ask('GET', f'/api/exams/{exam}/parents.pdf')[1]
    assert events(exam)[-1][0] == 'Tove Berg'
    assert ask('GET', f'/api/exams/{exam}/print?job={job + 50}&printer={good.uri}')[0] == 404
    assert ask('POST', f'/api/exams/{exam}/print', dict(wish, what='secrets'))[0] == 400
    assert ask('POST', f'/api/exams/{exam}/print', dict(wish, copies=400))[0] in (400, 422)


def queue(good):
    """Through a CUPS server of our own with one queue, as most departments have it."""
    if not os.path.exists('/usr/sbin/cupsd'):
        print('the queue was not tried: cupsd is not installed (scripts/setup test)')
        return
    if os.geteuid() != 0:
        print('the queue was not tried: cupsd gives its queues to other users only when it runs as root')
        return
    import pwd
    try:
        lp = pwd.getpwnam('lp').pw_uid
        subprocess.run(['/bin/true'], preexec_fn=lambda: os.setuid(lp), check=True)
    except (KeyError, OSError, subprocess.SubprocessError) as e:
        print(f'the queue was not tried: the user lp, as whom its programs run, can run nothing here ({e})')
        return
    root = WORK + '/cups'
    for d in ('', '/spool', '/spool/tmp', '/cache', '/state', '/ssl'):
        os.makedirs(root + d, exist_ok=True)
    for d in ('', '/spool', '/spool/tmp', '/cache', '/state'):
        shutil.chown(root + d, 'root', 'lp')
        os.chmod(root + d, 0o770)
    os.chmod(WORK, 0o755)
    sock = root + '/cups.sock'
    with open(root + '/cupsd.conf', 'w') as f:
        f.write(f'Listen {sock}\nBrowsing No\nWebInterface No\nDefaultAuthType None\nPreserveJobHistory Yes\n'
                '<Location />\nAllow all\n</Location>\n<Policy default>\n<Limit All>\nAllow all\n</Limit>\n</Policy>\n')
    with open(root + '/cups-files.conf', 'w') as f:
        f.write(f'ServerRoot {root}\nRequestRoot {root}/spool\nTempDir {root}/spool/tmp\nCacheDir {root}/cache\n'
                f'StateDir {root}/state\nServerKeychain {root}/ssl\nAccessLog {root}/access\nErrorLog {root}/error\n'
                f'PageLog {root}/page\nUser lp\nGroup lp\nSystemGroup root\n')
    with open(root + '/printers.conf', 'w') as f:
        f.write(f'<DefaultPrinter ward>\nInfo The ward\nLocation Room 4\nDeviceURI {good.uri}\nState Idle\n'
                'Accepting Yes\nShared No\n</DefaultPrinter>\n<Printer shut>\nInfo Shut\nDeviceURI ' + good.uri +
                '\nState Idle\nAccepting No\nShared No\n</Printer>\n')
    start(['cupsd', '-f', '-c', root + '/cupsd.conf', '-s', root + '/cups-files.conf'], env=ENV, stdout=good.log,
          stderr=good.log)
    until('cupsd', lambda: os.path.exists(sock))
    env = dict(ENV, CUPS_SERVER=sock)
    listed = json.loads(ogive('print', '--list', '--json', env=env))
    ward = next(p for p in listed['printers'] if p['id'] == 'ward')
    assert ward['standard'] and ward['name'] == 'The ward' and ward['place'] == 'Room 4' and ward['pdf'], ward
    before = set(os.listdir(good.spool))
    job = json.loads(ogive('print', 'latest', '--printer', 'ward', '--wait', '--json', env=env))
    assert job['state'] == 'done', job
    new = until('the document behind the queue',
                lambda: {f for f in set(os.listdir(good.spool)) - before if not f.endswith('.prn')})
    assert len(new) == 1, new
    with open(f'{good.spool}/{new.pop()}', 'rb') as f:
        assert f.read() == open(WORK + '/report.pdf', 'rb').read(), 'the queue changed the document'
    assert 'takes no jobs' in ogive('print', 'latest', '--printer', 'shut', env=env, code=8)
    assert 'not there' in ogive('print', 'latest', '--printer', 'nosuch', env=env, code=4)


try:
    main()
finally:
    for p in reversed(STARTED):
        try:
            if isinstance(p, int):
                os.kill(p, signal.SIGTERM)
            else:
                p.terminate()
                p.wait(10)
        except (ProcessLookupError, subprocess.TimeoutExpired):
            pass
    shutil.rmtree(WORK, ignore_errors=True)
