"""`ogive evaluate head` on the open head images (van den Heuvel 2018, PLoS ONE 13:e0200412; Zenodo 1327317, CC BY 4.0).

The shipped weights were trained on these images, so this guards the program (decoding, scale, geometry, refusal), not the
accuracy on unseen patients: that is in docs/second-reader.md. Also: two runs, with one thread and with two, agree.
"""
import json, os, subprocess, sys, tempfile

index = os.path.join(os.environ.get("SHARED_DATA", "../shared/data"), "hc18/index.csv")
if not os.path.exists(index):
    print("skipped: the open head images are not at", index)
    sys.exit(77)


def run(threads, *extra):
    return subprocess.run([os.environ["OGIVE"], "evaluate", "head", index, "--limit", "60", "--json", *extra],
                          env={**os.environ, "OMP_NUM_THREADS": str(threads)}, capture_output=True, text=True, check=True).stdout


with tempfile.TemporaryDirectory() as d:
    svg = os.path.join(d, "agreement.svg")
    one = run(1, "--picture", svg)
    assert open(svg).read().lstrip().startswith("<?xml") and os.path.getsize(svg) > 5000
assert one == run(2), "one thread and two threads differ"
a = json.loads(one)["all"]
print(json.dumps(a, indent=1))
assert a["pictures"] == 60
assert a["accepted"] >= 45
assert a["mm_mean_abs"] < 2.0
assert a["errors_above_10_mm"] == 0
assert abs(a["mm_bias"]) < 0.6
assert a["dice"] > 0.96
