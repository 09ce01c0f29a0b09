#!/usr/bin/env python3
"""A record on a read-only medium: looking works and shows the same, writing is refused in words, nothing in the folder changes.
The folder is made unwritable by its permissions; root, whom permissions do not stop, reads it without that power (setpriv)."""
import hashlib, http.client, json, os, shutil, sqlite3, subprocess, sys, tempfile
from pathlib import Path
from urllib.parse import urlparse

OGIVE = os.environ["OGIVE"]
box = Path(tempfile.mkdtemp(prefix="ogive-ro-"))
box.chmod(0o755)
as_reader = []
if os.geteuid() == 0:
    if not shutil.which("setpriv"):
        print("skipped: root writes anywhere and there is no setpriv to give that up")
        sys.exit(77)
    as_reader = ["setpriv", "--bounding-set=-all", "--inh-caps=-all"]
    if subprocess.run(as_reader + ["true"], capture_output=True).returncode:
        print("skipped: root may not give up its powers here")
        sys.exit(77)


def ogive(*args, home, reader=True, code=0):
    env = {**os.environ, "OGIVE_HOME": str(home), "OGIVE_USER": "Reader", "HOME": str(box)}
    r = subprocess.run((as_reader if reader else []) + [OGIVE, *map(str, args)], env=env, capture_output=True, text=True)
    assert r.returncode == code, f"ogive {' '.join(map(str, args))}: {r.returncode}, not {code}\n{r.stdout[-800:]}{r.stderr[-800:]}"
    return r.stdout + r.stderr


def state(folder):
    return {str(p.relative_to(folder)): hashlib.sha256(p.read_bytes()).hexdigest() for p in sorted(folder.rglob("*")) if p.is_file()}


def lock(folder):
    for p in [folder, *folder.rglob("*")]:
        p.chmod(0o555 if p.is_dir() else 0o444)


live, medium = box / "live", box / "medium with 100 % # of it"
out = box / "out"
out.mkdir()
out.chmod(0o777)
ogive("init", home=live, reader=False)
ogive("phantom", "--seed", 5, "--week", "20w3d", "--quick", box / "exam", home=live, reader=False)
ogive("import", box / "exam", home=live, reader=False)
facts = ogive("report", "latest", "--facts-only", home=live, reader=False)
shutil.copytree(live, medium)
lock(medium)
before = state(medium)
if subprocess.run(as_reader + ["touch", str(medium / "probe")], capture_output=True).returncode == 0:
    print("skipped: this user may write everywhere")
    sys.exit(77)

# Looking: the same exams, the same facts, a report that holds.
assert ogive("exams", home=medium) == ogive("exams", home=live, reader=False)
ogive("show", "latest", home=medium)
assert ogive("report", "latest", "--facts-only", home=medium) == facts, "the facts differ"
ogive("report", "latest", "-o", out / "r.pdf", home=medium)
assert "holds" in ogive("verify", out / "r.pdf", home=medium)
ogive("check", home=medium)

# Writing: refused, with exit code 7 and the folder named.
for words in (["import", box / "exam"], ["date", "latest", "--lmp", "2025-01-01"]):
    said = ogive(*words, home=medium, code=7)
    assert "read-only" in said and "medium" in said, said

# Serving: the page says so, reads, and takes nothing.
env = {**os.environ, "OGIVE_HOME": str(medium), "HOME": str(box)}
server = subprocess.Popen(as_reader + [OGIVE, "serve", "--port", "0", "--json"], env=env, stdout=subprocess.PIPE, text=True)
try:
    text = ""
    while True:
        text += server.stdout.readline()
        try:
            said = json.loads(text)
            break
        except json.JSONDecodeError:
            assert server.poll() is None, text
    assert said["read_only"] is True, said
    where = urlparse(said["address"])

    def ask(method, path, body=None):
        c = http.client.HTTPConnection(where.hostname, where.port, timeout=60)
        c.request(method, path, json.dumps(body) if body is not None else None,
                  {"Content-Type": "application/json", "X-Ogive-Who": "Reader"})
        r = c.getresponse()
        return r.status, r.read()

    session = json.loads(ask("GET", "/api/session")[1])
    assert session["read_only"] is True and not any(session["may"].values()), session
    exam = json.loads(ask("GET", "/api/exams")[1])["exams"][0]["id"]
    status, answer = ask("GET", f"/api/exams/{exam}")
    assert status == 200 and json.loads(answer)["facts"]["values"], status
    picture = next(o["id"] for o in json.loads(answer)["exam"]["objects"] if o["kind"] == "image")
    assert ask("GET", f"/api/objects/{picture}/thumb")[0] == 200
    assert ask("GET", f"/api/exams/{exam}/report.pdf")[1][:5] == b"%PDF-"
    for method, path in (("POST", f"/api/exams/{exam}/measurements"), ("PUT", f"/api/exams/{exam}/draft"),
                         ("POST", "/api/setup"), ("POST", "/api/imports/x1")):
        status, answer = ask(method, path, {"settings": {}})
        assert status == 403 and b"read-only" in answer, (path, status, answer)
finally:
    server.terminate()
    server.wait(30)
assert state(medium) == before, "something in the folder changed"

# A copy made while somebody was writing: changes still stand in the log. Without the log's index they cannot be read where
# nothing can be written, and that is said; with it they are shown.
busy = box / "busy"
shutil.copytree(live, busy)
db = sqlite3.connect(busy / "ogive.db")
db.execute("PRAGMA wal_autocheckpoint=0")
db.execute("INSERT INTO change(at, who, kind, verb, subject) VALUES('2026-01-01T00:00:00.000Z', 'x', 'note', 'seen', 'y')")
db.commit()
torn, whole = box / "torn", box / "whole"
shutil.copytree(busy, torn)
shutil.copytree(busy, whole)
db.close()
(torn / "ogive.db-shm").unlink()
assert (torn / "ogive.db-wal").stat().st_size > 0
for p in (torn, whole):
    lock(p)
said = ogive("exams", home=torn, code=7)
assert "log" in said and "ogive.db-wal" in said, said
ogive("exams", home=whole)

# One that an older program made would have to be changed first: refused in words.
old = box / "old"
shutil.copytree(live, old)
db = sqlite3.connect(old / "ogive.db")
db.execute("PRAGMA user_version=1")
db.commit()
db.close()
lock(old)
said = ogive("exams", home=old, code=7)
assert "older Ogive" in said, said

subprocess.run(["chmod", "-R", "u+w", str(box)], check=True)
shutil.rmtree(box)
print("read-only record: ok")
