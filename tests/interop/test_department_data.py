#!/usr/bin/env python3
"""A department's own data files (OGIVE_DATA): a bad one is refused at the start of any command, with file, entry and field."""
import json, os, shutil, subprocess, tempfile
from pathlib import Path

OGIVE, ROOT = os.environ["OGIVE"], Path(os.environ["SOURCE_ROOT"])
box = Path(tempfile.mkdtemp(prefix="ogive-data-"))


def run(code, *says, args=("chart", "list")):
    r = subprocess.run([OGIVE, *args], env={**os.environ, "OGIVE_DATA": str(box), "OGIVE_HOME": str(box / "none")},
                       capture_output=True, text=True)
    assert r.returncode == code, (r.returncode, r.stdout[-300:], r.stderr)
    for s in says:
        assert s in r.stderr, f"{s!r} is not in {r.stderr!r}"


def put(path, change):
    """The shipped file with one change; taken away again by the caller."""
    v = json.loads((ROOT / "data" / path).read_text())
    change(v)
    (box / path).parent.mkdir(parents=True, exist_ok=True)
    (box / path).write_text(json.dumps(v))
    return box / path


run(0)
bad = [
    ("quantities.json", lambda v: v["quantities"][0].pop("symbol"), ["quantities.json", "symbol"]),
    ("quantities.json", lambda v: v["quantities"][1].update(low=99, high=1), ["quantities.json", "low must be below high"]),
    ("conventions.json", lambda v: v["conversions"][0].update(slope="steep"), ["conventions.json", "slope"]),
    ("charts/intergrowth-hc.json", lambda v: v.pop("mean"), ["charts/intergrowth-hc.json", "mean"]),
    ("weight/formulas.json", lambda v: v["formulas"][0].pop("title"), ["weight/formulas.json", "title"]),
    ("dating/formulas.json", lambda v: v["formulas"][0].update(basis="guess"), ["dating/formulas.json", "guess"]),
    ("dating/rules.json", lambda v: v["rules"][0].pop("citation"), ["dating/rules.json", "citation"]),
    ("rules/growth.json", lambda v: v["rules"][0].pop("status"), ["rules/growth.json", "status"]),
    ("rules/fluid.json", lambda v: v["rules"][0].update(met={"fact": "no-such.centile", "below": 3}), ["rules/fluid.json", "no-such"]),
    ("protocols/growth.json", lambda v: v["groups"][0]["rows"][0].update(rule="median"), ["protocols/growth.json", "Head", "median"]),
    ("protocols/growth.json", lambda v: v["groups"][0]["rows"][0].update(charts=["none"]), ["protocols/growth.json", "hc", "none"]),
]
for path, change, says in bad:
    f = put(path, change)
    run(3 if says[-1] != "none" else 4, str(box), *says)
    f.unlink()
(box / "quantities.json").write_text("{")
run(3, "quantities.json", "line 1")
(box / "quantities.json").unlink()
run(0)

r = subprocess.run([OGIVE, "chart", "list"], env={**os.environ, "OGIVE_DATA": str(box / "nowhere")}, capture_output=True, text=True)
assert r.returncode == 4 and "nowhere" in r.stderr, r
shutil.rmtree(box)
print(f"{len(bad) + 2} bad files refused by name")
