"""The main job, end to end, with no server running: phantom -> import -> measure -> report -> verify.

Truth comes from the phantom's truth.json (geometry drawn, not measured). The caliper's own SD is that of each row of the
ledger (half a pixel diagonal at each end). Calipers placed between pixels must land within one SD of the truth, calipers
on whole pixels within two.
"""
import hashlib
import json
import os
import shutil
import subprocess
import sys
import tempfile

OGIVE = os.environ["OGIVE"]
work = tempfile.mkdtemp(prefix="ogive-spine-")
os.environ["OGIVE_HOME"] = os.path.join(work, "home")
os.environ["OGIVE_USER"] = "tester"


def run(*args, expect=0):
    p = subprocess.run([OGIVE, *args], capture_output=True, cwd=work)
    assert p.returncode == expect, (args, p.returncode, p.stdout.decode()[-2000:], p.stderr.decode()[-2000:])
    return p.stdout.decode()


def digest(folder):
    h = hashlib.sha256()
    for root, dirs, names in os.walk(folder):
        dirs.sort()
        for n in sorted(names):
            h.update(os.path.relpath(os.path.join(root, n), folder).encode())
            h.update(open(os.path.join(root, n), "rb").read())
    return h.hexdigest()


def rounded(points):
    """As a person's calipers land: on whole pixels."""
    return " ".join(f"{round(x)},{round(y)}" for x, y in points)


def exact(points):
    """As sub-pixel placement lands."""
    return " ".join(f"{x},{y}" for x, y in points)


def check_measurements(folder):
    truth = json.load(open(os.path.join(folder, "truth.json")))
    seen = set()
    for f in truth["files"]:
        t = f.get("truth", {})
        if f["kind"] != "still" or "geometry" not in t or t.get("outside"):
            continue
        for quantity in {"head": ["hc", "bpd", "ofd"], "abdomen": ["ac"], "femur": ["fl"]}.get(f["view"], []):
            for place, limit in ((exact, 1), (rounded, 2)):
                row = json.loads(run("measure", "geometry", "--file", os.path.join(folder, f["file"]), "--quantity", quantity,
                                     "--points", place(t["geometry"]["points"]), "--kind", t["geometry"]["kind"], "--json"))
                sd, error = row["evidence"]["sd"]["caliper"], row["value"] - t[quantity + "_mm"]
                assert abs(error) <= limit * sd, (f["file"], quantity, row["value"], t[quantity + "_mm"], sd)
                assert row["unit"] == "mm" and row["sd"] >= sd
            seen.add(quantity)
            print(f"{f['file']} {quantity}: {row['value']:.2f} mm, truth {t[quantity + '_mm']:.2f}, caliper SD {sd:.3f}")
    assert seen == {"hc", "bpd", "ofd", "ac", "fl"}, seen


def main():
    a, b = os.path.join(work, "a"), os.path.join(work, "b")
    options = ["--seed", "11", "--week", "20w3d", "--fetuses", "1", "--quick"]
    run("phantom", *options, a)
    run("phantom", *options, b)
    assert digest(a) == digest(b), "the same seed gave other bytes"

    check_measurements(a)

    run("init")
    run("init")
    first = json.loads(run("import", a, "--json"))["counts"]
    again = json.loads(run("import", a, "--json"))["counts"]
    assert first["added"] > 5 and again["added"] == 0 and again["present"] == first["added"], (first, again)
    exams = json.loads(run("exams", "--json"))
    assert len(exams) == 1, exams

    pdf, twin = os.path.join(work, "a.pdf"), os.path.join(work, "b.pdf")
    run("report", "latest", "-o", pdf)
    run("report", "latest", "-o", twin)
    assert open(pdf, "rb").read() == open(twin, "rb").read(), "the same record gave another report"
    result = json.loads(run("verify", pdf, "--json"))
    assert result["holds"] and len(result["checks"]) > 20 and result["objects_checked"] > 5, result

    # A pixel behind the report is changed in the store: verify names it and fails.
    store = os.path.join(os.environ["OGIVE_HOME"], "objects")
    victim = max((os.path.join(r, n) for r, _, ns in os.walk(store) for n in ns), key=os.path.getsize)
    os.chmod(victim, 0o600)
    with open(victim, "r+b") as f:
        f.seek(-1000, os.SEEK_END)
        byte = f.read(1)
        f.seek(-1000, os.SEEK_END)
        f.write(bytes([byte[0] ^ 1]))
    result = json.loads(run("verify", pdf, "--json", expect=1))
    assert not result["holds"] and any(not c["holds"] for c in result["checks"]), result


try:
    main()
finally:
    shutil.rmtree(work, ignore_errors=True)
print("ok")
sys.exit(0)
