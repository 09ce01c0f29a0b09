"""Write the index files that `ogive evaluate --folds` reads: one row for each distinct picture, with its fold and truth.

usage: index.py DATA landmarks PACK.npz OUT [FEMUR_ROWS.csv]
Writes OUT/head.csv, abdomen.csv, femur.csv and not.csv (every plane that is not of the open head set; rows of the
structure asked for are left out by calibrate.py). Where two femurs are seen the truth is the one nearer to what was read
in FEMUR_ROWS.csv (an earlier run's --rows), otherwise the first.

Pictures without a ruler get a nominal pixel size, so small that no size is refused as implausible for it: for them only
errors in per cent mean anything. The same picture filed twice is counted once.
"""
import csv, os, sys
import numpy as np
import cv2
sys.path.insert(0, os.path.dirname(os.path.abspath(__file__)))
from common import CLASSES, ellipse_perimeter

NOMINAL_MM = 0.15
SAME = 0.998  # correlation of thumbnails


def distinct(paths):
    """Indices of pictures that are not a copy of an earlier one."""
    t = np.array([cv2.resize(cv2.imread(p, 0), (48, 32), interpolation=cv2.INTER_AREA).astype(float).ravel() for p in paths])
    t -= t.mean(1, keepdims=True)
    t /= np.linalg.norm(t, axis=1, keepdims=True)
    c = t @ t.T
    return [i for i in range(len(t)) if not (c[i, :i] > SAME).any()]


def length(r, prefix=""):
    return np.hypot(float(r[prefix + "x1"]) - float(r[prefix + "x2"]), float(r[prefix + "y1"]) - float(r[prefix + "y2"]))


def main():
    data, marks, pack, out = sys.argv[1:5]
    P = np.load(pack)
    paths = [os.path.join(os.path.abspath(data), str(p)) for p in P["path"]]
    ruler = {r["file"]: float(r["mm_per_px_of_copy"]) for r in csv.DictReader(open(os.path.join(data, "planes/index.csv"))) if r["mm_per_px_of_copy"]}
    scale = lambda i: ruler.get(str(P["path"][i]).split("/")[-1], NOMINAL_MM)
    read = {os.path.basename(r["file"]): r for r in csv.DictReader(open(sys.argv[5])) if r["found"] == "1"} if len(sys.argv) > 5 else {}

    def write(name, fields, rows):
        w = csv.writer(open(os.path.join(out, name), "w"))
        w.writerow(fields)
        w.writerows(rows)
        print(name, len(rows))

    rows = []
    for i in np.where(P["src"] == "HC18")[0]:
        e, mm = P["head"][i] / P["s"][i], P["px_mm"][i]
        short, long_ = sorted([2 * e[2] * mm, 2 * e[3] * mm])
        rows.append([paths[i], P["fold"][i], repr(float(mm)), P["hc_mm"][i], f"{short:.4f}", f"{long_:.4f}"])
    write("head.csv", ["file", "fold", "pixel_mm", "truth_mm", "bpd_mm", "ofd_mm"], rows)

    fields = ["file", "fold", "pixel_mm", "truth_mm", "group", "first_mm", "flag"]
    A = {r["file"]: r for r in csv.DictReader(open(os.path.join(marks, "abdomen.csv")))}
    B = {}
    for r in csv.DictReader(open(os.path.join(marks, "femur.csv"))):
        B.setdefault(r["file"], []).append(r)
    rows = []
    ids = [i for i in np.where(P["cls"] == 1)[0] if str(P["path"][i]) in A]
    for i in (ids[k] for k in distinct([paths[i] for i in ids])):
        r, mm = A[str(P["path"][i])], scale(i)
        first = ellipse_perimeter(float(r["first_a"]), float(r["first_b"])) * mm if r["first_a"] else ""
        rows.append([paths[i], P["fold"][i], mm, f"{ellipse_perimeter(float(r['a']), float(r['b'])) * mm:.3f}",
                     "unsure" if r["flag"] == "u" else P["src"][i], first, r["flag"]])
    write("abdomen.csv", fields, rows)

    rows = []
    ids = [i for i in np.where(P["cls"] == 2)[0] if any(r["flag"] != "c" for r in B.get(str(P["path"][i]), []))]
    for i in (ids[k] for k in distinct([paths[i] for i in ids])):
        bones, mm, b = [r for r in B[str(P["path"][i])] if r["flag"] != "c"], scale(i), 0
        q = read.get(os.path.basename(paths[i]))
        if q and len(bones) > 1:
            at = ((float(q["x0"]) + float(q["x1"])) / 2, (float(q["y0"]) + float(q["y1"])) / 2)
            middle = lambda r: ((float(r["x1"]) + float(r["x2"])) / 2, (float(r["y1"]) + float(r["y2"])) / 2)
            b = min(range(len(bones)), key=lambda k: np.hypot(middle(bones[k])[0] - at[0], middle(bones[k])[1] - at[1]))
        first = length(bones[b], "first_") * mm if bones[b]["first_x1"] else ""
        rows.append([paths[i], P["fold"][i], mm, f"{length(bones[b]) * mm:.3f}",
                     "unsure" if bones[b]["flag"] == "u" else P["src"][i], first, bones[b]["flag"]])
    write("femur.csv", fields, rows)

    write("not.csv", ["file", "fold", "pixel_mm", "truth_mm", "group"],
          [[paths[i], P["fold"][i], 0.25, 100, CLASSES[P["cls"][i]]] for i in range(len(paths)) if P["src"][i] not in ("HC18", "phantom")])


main()
