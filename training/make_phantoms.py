"""Write phantom stills with exact truth for training: heads, abdomens, femurs, from 13 to 40 weeks.

usage: make_phantoms.py OGIVE OUT [HEADS ABDOMENS FEMURS [FIRST_SEED]]      (200 100 100 1 unless said)
OGIVE is the built program; the pictures are those of `ogive phantom plane`, drawn at a scanner's resolution and area
averaged to half of it. The same arguments give the same pictures. Writes OUT/NAME.jpg (grey, quality 92:
speckle as PNG would take twice the room) and OUT/index.csv:

file, plane, week, pixel_mm, outside (part of the outline that is not shown), group, and the truth in picture pixels, where
(0,0) is the centre of the first pixel, as in landmarks/: head and abdomen cx, cy, a, b, theta_deg (outer edge of the skull's
echo, outer edge of the skin; theta_deg is the direction of a, clockwise from the rows); femur x1, y1, xm, ym, x2, y2 (ends of
the ossified shaft and its middle). group: plain, cut (by the edge of the picture or the sector; never more than a third), and for femurs neighbour,
shadowed and flexed.
"""
import csv, json, os, subprocess, sys
from concurrent.futures import ThreadPoolExecutor
import cv2, numpy as np
sys.path.insert(0, os.path.dirname(os.path.abspath(__file__)))
from common import ellipse_perimeter

SHAPES = [(800, 540), (800, 600), (768, 576), (800, 450)]
FIELDS = ["file", "plane", "week", "pixel_mm", "outside", "group", "cx", "cy", "a", "b", "theta_deg", "x1", "y1", "xm", "ym", "x2", "y2"]


def medians(ogive, quantity):
    """(weeks, mm) of the default chart; continued below it with its relative slope, as the phantom does."""
    t = json.loads(subprocess.check_output([ogive, "chart", "table", quantity, "--centiles", "50", "--json"]))
    rows = sorted((r["x"] / 7, r["values"][0]) for r in t["rows"])
    x, y = np.array([r[0] for r in rows]), np.array([r[1] for r in rows])
    slope = np.log(y[1] / y[0]) / (x[1] - x[0])
    early = np.arange(12, x[0], 1.0)
    return np.r_[early, x], np.r_[y[0] * np.exp(slope * (early - x[0])), y]


def size_of(plane, week, size, r):
    """Length and breadth in mm."""
    mid = np.interp(week, *size) * r.normal(1, 0.05)
    if plane == "femur":
        return mid, mid
    shape = np.clip(r.normal(0.79, 0.04), 0.68, 0.92) if plane == "head" else np.clip(r.normal(1.02, 0.06), 0.88, 1.18)
    length = mid / ellipse_perimeter(0.5, 0.5 * shape)
    return length, length * shape


def make(ogive, out, plane, number, seed, size):
    for attempt in range(20):  # another draw when too little of it would be shown
        row = draw(ogive, out, plane, number, seed * 100000 + number, size, np.random.default_rng([seed, number, len(plane), attempt]))
        if row["outside"] <= 0.34:
            return row
    sys.exit("make_phantoms: %s %d does not fit into its sector" % (plane, number))


def draw(ogive, out, plane, number, seed, size, r):
    week = r.uniform(13, 40)
    length, breadth = size_of(plane, week, size, r)
    w, h = SHAPES[r.integers(len(SHAPES))]
    whole = r.random() < 0.45
    cut = r.random() < 0.14
    angle = r.uniform(-45, 45) + (180 if r.random() < 0.5 else 0) if plane != "abdomen" else r.uniform(0, 360)
    if plane == "head" and r.random() < 0.25:
        angle = r.uniform(0, 360)
    if plane == "femur" and r.random() < 0.1:
        angle = r.uniform(-70, 70)
    c, s = abs(np.cos(np.deg2rad(angle))), abs(np.sin(np.deg2rad(angle)))
    broad = breadth if plane != "femur" else 0.3 * length
    wide, tall = np.hypot(length * c, broad * s), np.hypot(length * s, broad * c)
    fill = r.uniform(0.35, 0.9) if not whole else r.uniform(0.3, 0.65)
    if plane == "femur":
        fill *= 0.85
    mm = max(wide / (w * fill), tall / (h * min(0.85, fill * 1.1)), 0.045)
    if whole:
        mm = max(mm, 75.0 / h)
    room_x, room_y = max(0, w * 0.42 - wide / mm / 2), max(0, h * 0.40 - tall / mm / 2)
    x, y = w / 2 + r.uniform(-1, 1) * room_x * (0.5 if whole else 0.9), h / 2 + r.uniform(-1, 1) * room_y + 0.03 * h
    if cut:  # pushed over one edge, by up to a third
        part = r.uniform(0.05, 0.33)
        if r.random() < 0.5:
            x = (0.03 * w + wide / mm * (0.5 - part)) if r.random() < 0.5 else (0.97 * w - wide / mm * (0.5 - part))
        else:
            y = h * 0.97 - tall / mm * (0.5 - part)
    args = dict(width=w, height=h, length=round(length, 3), breadth=round(breadth, 3), angle=round(angle, 3), seed=seed)
    args.update({"mm-per-px": round(mm, 5), "centre-x": round(x, 2), "centre-y": round(y, 2), "gain": round(float(np.clip(r.normal(2, 5), -7, 12)), 2),
                 "noise": round(r.uniform(-6, 10), 2), "shadow": round(r.uniform(0.5, 1.4), 2), "range": round(r.uniform(45, 72), 1),
                 "dropout": round(r.beta(1.2, 3), 3), "resolution": round(r.uniform(0.8, 1.7), 2), "looks": int(r.integers(1, 4)),
                 "probe-radius": round(r.choice([r.uniform(38, 65), r.uniform(10, 20)], p=[0.9, 0.1]), 1), "sector": round(r.uniform(50, 85), 1)})
    flags = [f for f, on in (("--whole", whole), ("--captions", r.random() < 0.35), ("--flip", r.random() < 0.5)) if on]
    kind = "plain"
    if plane == "femur":
        kind = r.choice(["plain", "neighbour", "shadowed", "flexed"], p=[0.5, 0.2, 0.15, 0.15])
        if kind in ("neighbour", "flexed"):
            flags.append("--" + kind)
        if kind == "shadowed":
            args["shadowed-end"] = round(r.uniform(0.06, 0.25), 3)
    name = "%s_%05d" % (plane, number)
    whole_file, part_file = os.path.join(out, name + ".full.png"), os.path.join(out, name + ".jpg")
    days = round(week * 7)
    command = [ogive, "phantom", "plane", plane, "--json", "--week", "%dw%dd" % divmod(days, 7)] + flags
    for k, v in args.items():
        command += ["--" + k, str(v)]
    t = json.loads(subprocess.check_output(command + [whole_file]))
    im = cv2.imread(whole_file, 0)
    os.remove(whole_file)
    cv2.imwrite(part_file, cv2.resize(im, (w // 2, h // 2), interpolation=cv2.INTER_AREA), [cv2.IMWRITE_JPEG_QUALITY, 92])
    px = 2 * t["mm_per_px"]
    group = kind + " cut" * (t["outside"] > 0.02) if kind != "plain" else "cut" if t["outside"] > 0.02 else "plain"
    half = lambda v: (v + 0.5) / 2 - 0.5
    row = dict(file=name + ".jpg", plane=plane, week="%.2f" % (days / 7), pixel_mm="%.6f" % px, outside=t["outside"], group=group)
    if plane == "femur":
        (a, b), m = t["geometry"]["points"], t["middle"]
        for k, v in zip(("x1", "y1", "xm", "ym", "x2", "y2"), a + m + b):
            row[k] = "%.3f" % half(v)
    else:
        a, b = (t["ofd_mm"], t["bpd_mm"]) if plane == "head" else (t["apad_mm"], t["tad_mm"])
        row.update(cx="%.3f" % half(t["centre"][0]), cy="%.3f" % half(t["centre"][1]), a="%.3f" % (a / 2 / px), b="%.3f" % (b / 2 / px), theta_deg=t["angle_deg"])
    return row


def main():
    ogive, out = sys.argv[1:3]
    n = [int(v) for v in sys.argv[3:6]] or [200, 100, 100]
    seed = int(sys.argv[6]) if len(sys.argv) > 6 else 1
    os.makedirs(out, exist_ok=True)
    jobs = []
    for plane, quantity, count in zip(("head", "abdomen", "femur"), ("hc", "ac", "fl"), n):
        size = medians(ogive, quantity)
        jobs += [(plane, i, size) for i in range(count)]
    with ThreadPoolExecutor(os.cpu_count()) as pool:
        rows = list(pool.map(lambda j: make(ogive, out, j[0], j[1], seed, j[2]), jobs))
    with open(os.path.join(out, "index.csv"), "w", newline="") as f:
        w = csv.DictWriter(f, FIELDS, restval="")
        w.writeheader()
        w.writerows(rows)
    print(len(rows), "pictures", sum(os.path.getsize(os.path.join(out, r["file"])) for r in rows) / 1e6, "MB")


main()
