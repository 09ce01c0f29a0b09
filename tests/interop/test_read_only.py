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

class Serving:
    """`ogive serve` of a record, by the reader."""

    def __init__(self, home):
        env = {**os.environ, "OGIVE_HOME": str(home), "HOME": str(box)}
        self.process = subprocess.Popen(as_reader + [OGIVE, "serve", "--port", "0", "--json"], env=env, stdout=subprocess.PIPE, text=True)
        text = ""
        while True:
            text += self.process.stdout.readline()
            try:
                self.said = json.loads(text)
                break
            except json.JSONDecodeError:
                assert self.process.poll() is None, text
        self.where = urlparse(self.said["address"])

    def __enter__(self):
        return self

    def __exit__(self, *_):
        self.process.terminate()
        self.process.wait(60)

    def begin(self, method, path, body=None):
        c = http.client.HTTPConnection(self.where.hostname, self.where.port, timeout=120)
        c.request(method, path, json.dumps(body) if body is not None else None,
                  {"Content-Type": "application/json", "X-Ogive-Who": "Reader"})
        return c.getresponse()

    def ask(self, method, path, body=None):
        r = self.begin(method, path, body)
        return r.status, r.read()


# Serving: the page says so, reads, and takes nothing.
with Serving(medium) as serving:
    ask = serving.ask
    assert serving.said["read_only"] is True, serving.said
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

# Somebody else may write where the reader may not. What is written is seen at once, whether the writer works in it already
# when the reader comes, or comes while the reader looks and is gone again.
def note(db, text):
    db.execute("INSERT INTO change(at, who, kind, verb, subject, exam, detail) VALUES('2026-01-01T00:00:00.000Z', 'Writer', 'exam', 'note', ?, ?, ?)",
               (exam, exam, json.dumps({"text": text})))
    db.commit()


def notes(serving):
    status, answer = serving.ask("GET", f"/api/exams/{exam}")
    assert status == 200, (status, answer[:300])
    return [e["detail"]["text"] for e in json.loads(answer)["exam"]["events"] if e["verb"] == "note"]


def hears(events, word):
    for line in events:
        if word in line:
            return
    raise AssertionError(f"the live events ended without {word}")


for when in ("before", "meanwhile"):
    shared = box / f"shared {when}"
    shutil.copytree(live, shared)
    db = sqlite3.connect(shared / "ogive.db")
    note(db, "first")
    db.execute("PRAGMA wal_checkpoint(TRUNCATE)")  # the writer is there, and its log is empty
    if when == "meanwhile":
        db.close()
    lock(shared)
    with Serving(shared) as serving:
        assert serving.said["read_only"] is True, serving.said
        assert notes(serving) == ["first"], (when, notes(serving))
        events = serving.begin("GET", "/api/events")
        for text in ("second", "third"):
            if when == "meanwhile":  # the owner's power over the folder
                for p in (shared, shared / "ogive.db"):
                    p.chmod(0o755)
                db = sqlite3.connect(shared / "ogive.db")
                note(db, text)
                db.close()
                lock(shared)
            else:
                note(db, text)
            assert notes(serving)[-1] == text, (when, notes(serving))
            hears(events, b"event: record")
        assert f'"{text}"' in ogive("show", "latest", "--json", home=shared)
    if when == "before":
        db.close()

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
