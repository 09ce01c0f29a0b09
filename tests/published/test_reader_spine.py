"""The direction of the spine that `ogive measure abdomen` gives, on open abdominal planes (Burgos-Artizzu 2020, Zenodo 3904280;
Sendra-Balcells 2023, Zenodo 7540448; CC BY 4.0), against our own landmarks (training/landmarks/spine.csv, no sonographer's).

The shipped weights were trained on these pictures, so this guards the program; accuracy on unseen patients is in
docs/second-reader.md. Where the spine is seen surely the two diameters are told apart and lie between the ellipse's axes;
otherwise both are the same and their SD reaches the axes.
"""
import csv, json, math, os, subprocess, sys

data, root = os.environ.get("SHARED_DATA", "../shared/data"), os.environ["SOURCE_ROOT"]
if not os.path.exists(os.path.join(data, "planes/index.csv")):
    print("skipped: the open planes are not at", data)
    sys.exit(77)

rows = [r for r in csv.DictReader(open(os.path.join(root, "training/landmarks/spine.csv"))) if r["flag"] == "sure"][::4]
apart = far = 0
for r in rows:
    run = subprocess.run([os.environ["OGIVE"], "measure", "abdomen", os.path.join(data, r["file"]), "--pixel-mm", "0.2", "--json"], capture_output=True, text=True)
    o = json.loads(run.stdout)
    assert "error" not in o, o
    if "ac_mm" not in o:
        continue
    p = o["geometry"]["points"]
    axes = sorted(0.2 * math.dist(p[k], p[k + 1]) for k in (0, 2))
    for k in ("tad", "apad"):
        assert axes[0] - 0.1 <= o[k + "_mm"] <= axes[1] + 0.1, (r["file"], k, o[k + "_mm"], axes)
    if "spine_deg" not in o:
        assert o["tad_mm"] == o["apad_mm"] and o["tad_sd_mm"] >= (axes[1] - axes[0]) / 2 - 0.1, r["file"]
        continue
    apart += 1
    off = abs((o["spine_deg"] - float(r["angle_deg"]) + 180) % 360 - 180)
    far += off > 30
print(f"{len(rows)} abdomens, {apart} told apart, {far} of them more than 30 degrees off")
assert len(rows) >= 40 and apart >= 0.6 * len(rows) and far <= 1
