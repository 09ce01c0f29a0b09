"""Pack the open data into one small file for the training machine: JPEG canvases, labels, folds.

usage: pack.py DATA_DIR LANDMARK_DIR OUT.npz [PHANTOMS]
PHANTOMS is a folder that make_phantoms.py filled; such pictures only ever train (fold 9).
Folds are patient-disjoint. The African set holds the same picture under several patient numbers; pictures that
match are tied together first, so that no copy of a training picture is judged.
"""
import csv, os, sys, zlib
import cv2, numpy as np
from common import *

data, marks, out = sys.argv[1:4]
phantoms = sys.argv[4] if len(sys.argv) > 4 else None


def to_canvas(im):
    h, w = im.shape
    s = min(CANVAS_W / w, CANVAS_H / h)
    if abs(s - 1) > 1e-3:
        im = cv2.resize(im, (round(w * s), round(h * s)), interpolation=cv2.INTER_AREA if s < 1 else cv2.INTER_LINEAR)
    else:
        s = 1.0
    c = np.zeros((CANVAS_H, CANVAS_W), np.uint8)
    c[: im.shape[0], : im.shape[1]] = im
    return c, s, im.shape[1], im.shape[0]


items = []


def add(path, cls, fold, key, src, **kw):
    im = cv2.imread(os.path.join(data, path), 0)
    if im is None:
        sys.exit(f"{path} cannot be read as a picture")
    c, s, w, h = to_canvas(im)
    e = dict(path=path, cls=cls, fold=fold, key=key, src=src, s=s, w=w, h=h, head=None, abd=None, fem=[], canvas=c,
             spine=float("nan"), spine_sure=0, head_known=1, abd_known=1, fem_known=1)
    for k, v in kw.items():
        e[k] = v
    items.append(e)
    return e


def mask_ellipse(m, hc_px):
    """The annotated ellipse: shape from the filled mask's outline, size from the published circumference."""
    cs, _ = cv2.findContours((m > 127).astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    p = max(cs, key=len)[:, 0, :].astype(np.float32)
    h, w = m.shape
    ok = (p[:, 0] > 1) & (p[:, 0] < w - 2) & (p[:, 1] > 1) & (p[:, 1] < h - 2)
    (cx, cy), (d1, d2), ang = cv2.fitEllipseDirect(p[ok] if ok.sum() > 50 else p)
    a, b, th = d1 / 2, d2 / 2, np.deg2rad(ang)
    lo, hi = -4.0, 4.0
    for _ in range(60):
        mid = (lo + hi) / 2
        if ellipse_perimeter(a - mid, b - mid) > hc_px:
            lo = mid
        else:
            hi = mid
    return [cx + 0.5, cy + 0.5, a - lo, b - lo, th], lo


shrink = []
for r in csv.DictReader(open(os.path.join(data, "hc18/index.csv"))):
    m = cv2.imread(os.path.join(data, "hc18/mask", r["file"]), 0)
    if m is None:
        m = cv2.imread(os.path.join(data, "hc18/mask", r["file"].replace(".png", "_Annotation.png")), 0)
    e, sh = mask_ellipse(m, float(r["hc_mm"]) / float(r["pixel_mm_half"]))
    shrink.append(sh)
    it = add("hc18/half/" + r["file"], 0, int(r["fold"]), "H" + r["patient"], "HC18", px_mm=float(r["pixel_mm_half"]), hc_mm=float(r["hc_mm"]))
    it["head"] = [e[0] * it["s"], e[1] * it["s"], e[2] * it["s"], e[3] * it["s"], e[4]]
print("hc18", len(shrink), "outline to truth shrink px mean/sd/min/max", np.mean(shrink), np.std(shrink), np.min(shrink), np.max(shrink))

abd = {r["file"]: r for r in csv.DictReader(open(os.path.join(marks, "abdomen.csv")))}
spine = {r["file"]: r for r in csv.DictReader(open(os.path.join(marks, "spine.csv")))}
fem = {}
for r in csv.DictReader(open(os.path.join(marks, "femur.csv"))):
    fem.setdefault(r["file"], []).append(r)
head = {}
if os.path.exists(os.path.join(marks, "head.csv")):
    head = {r["file"]: r for r in csv.DictReader(open(os.path.join(marks, "head.csv")))}

# pictures that are the same: tie their patients
thumbs = {}
for plane in PLANE_CLASS:
    for path, key, src in rows_of_plane(data, plane):
        if src == "Barcelona":
            continue
        im = cv2.imread(os.path.join(data, path), 0)
        t = cv2.resize(im, (48, 48), interpolation=cv2.INTER_AREA).astype(np.float32)
        thumbs[path] = (key, (t - t.mean()) / (t.std() + 1e-6))
parent = {}


def find(k):
    parent.setdefault(k, k)
    while parent[k] != k:
        k = parent[k]
    return k


paths = list(thumbs)
pairs = 0
for i in range(len(paths)):
    for j in range(i):
        if thumbs[paths[i]][0] != thumbs[paths[j]][0] and (thumbs[paths[i]][1] * thumbs[paths[j]][1]).mean() > 0.93:
            parent[find(thumbs[paths[i]][0])] = find(thumbs[paths[j]][0])
            pairs += 1
print("copies under another patient number in the African set:", pairs)

for plane, cls in PLANE_CLASS.items():
    for path, key, src in rows_of_plane(data, plane):
        root = find(key) if src != "Barcelona" else key
        fold = zlib.crc32(root.encode()) % 5
        e = add(path, cls, fold, root, src)
        if plane == "brain":
            r = head.get(path)
            e["head_known"] = 0
            if r:
                e["head_known"] = 1
                if r["flag"] != "none":
                    e["head"] = [(float(r["cx"]) + .5) * e["s"], (float(r["cy"]) + .5) * e["s"], float(r["a"]) * e["s"], float(r["b"]) * e["s"], float(r["theta_deg"]) * np.pi / 180]
        if plane == "abdomen":
            r = abd.get(path)
            e["abd_known"] = 0
            if r and r["flag"] != "skip":
                e["abd_known"] = 1
                e["abd"] = [(float(r["cx"]) + .5) * e["s"], (float(r["cy"]) + .5) * e["s"], float(r["a"]) * e["s"], float(r["b"]) * e["s"], float(r["theta_deg"]) * np.pi / 180]
                if path in spine and spine[path]["angle_deg"]:
                    e["spine"], e["spine_sure"] = float(spine[path]["angle_deg"]) * np.pi / 180, float(spine[path]["flag"] == "sure")
        if plane == "femur":
            rs = [r for r in fem.get(path, []) if r["flag"] not in ("skip", "c")]
            e["fem_known"] = 1 if rs else 0
            for r in rs[:2]:
                e["fem"].append([(float(r[k]) + .5) * e["s"] for k in ("x1", "y1", "xm", "ym", "x2", "y2")])
        if plane == "other" and int("".join(c for c in key if c.isdigit())) > 100:
            # fetal, but no standard plane: a head or a bone may be cut somewhere in it, so it teaches the class only
            e["head_known"] = e["abd_known"] = e["fem_known"] = 0
for i in range(1, 31):
    # one continuous recording: blocks of six frames a fold
    add("doppler/artery_%02d.png" % i, 5, (i - 1) // 6, "D%d" % ((i - 1) // 6), "FloWave")
if phantoms:
    for r in csv.DictReader(open(os.path.join(phantoms, "index.csv"))):
        e = add(os.path.join(os.path.abspath(phantoms), r["file"]), PLANE_CLASS[{"head": "brain"}.get(r["plane"], r["plane"])], 9, "phantom", "phantom")
        number = lambda *ks: [(float(r[k]) + .5) * e["s"] for k in ks]
        if r["plane"] == "femur":
            e["fem"].append(number("x1", "y1", "xm", "ym", "x2", "y2"))
        else:
            e["head" if r["plane"] == "head" else "abd"] = number("cx", "cy") + [float(r["a"]) * e["s"], float(r["b"]) * e["s"], float(r["theta_deg"]) * np.pi / 180]

blob, off = [], [0]
for e in items:
    # the heads of the open set carry the finest measurement; the others are packed smaller
    ok, b = cv2.imencode(".jpg", e["canvas"], [cv2.IMWRITE_JPEG_QUALITY, 92 if e["src"] == "HC18" else 84])
    blob.append(b.tobytes())
    off.append(off[-1] + len(blob[-1]))
n = len(items)
NAN = float("nan")
np.savez(out, blob=np.frombuffer(b"".join(blob), np.uint8), off=np.array(off),
         cls=np.array([e["cls"] for e in items]), fold=np.array([e["fold"] for e in items]),
         wh=np.array([[e["w"], e["h"]] for e in items]), s=np.array([e["s"] for e in items]),
         head=np.array([e["head"] or [NAN] * 5 for e in items], np.float32),
         abd=np.array([e["abd"] or [NAN] * 5 for e in items], np.float32),
         fem=np.array([(e["fem"] + [[NAN] * 6] * 2)[:2] for e in items], np.float32),
         spine=np.array([e["spine"] for e in items]), spine_sure=np.array([e["spine_sure"] for e in items]),
         known=np.array([[e["head_known"], e["abd_known"], e["fem_known"]] for e in items], np.float32),
         px_mm=np.array([e.get("px_mm", NAN) for e in items]), hc_mm=np.array([e.get("hc_mm", NAN) for e in items]),
         path=np.array([e["path"] for e in items]), key=np.array([e["key"] for e in items]), src=np.array([e["src"] for e in items]))
print(n, "items,", off[-1] / 1e6, "MB of pictures")
import collections
print(collections.Counter((CLASSES[e["cls"]], e["fold"]) for e in items))
