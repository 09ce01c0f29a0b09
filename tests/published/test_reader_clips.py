"""`ogive measure head|abdomen CLIP` on phantom clips in motion: the fetus drifts and turns, the plane wanders and is lost once,
speckle is correlated from frame to frame. Truth: the phantom's, in the standard plane (drawn, not measured).

usage: test_reader_clips.py [HEADS [ABDOMENS]]      4 and 1 clips unless said, 0 leaves a kind out; docs/second-reader.md
has what many gave
Sizes: medians of INTERGROWTH-21st (Papageorghiou 2014, Lancet 384:869-79) times a random factor. The networks learn from some
phantom stills too, so this guards the program and the combining of frames, not the accuracy on people.
"""
import json, math, os, random, subprocess, sys, tempfile

OGIVE = os.environ["OGIVE"]
if len(sys.argv) > 3 or not all(v.isdecimal() for v in sys.argv[1:]):
    sys.exit("usage: test_reader_clips.py [HEADS [ABDOMENS]]: how many clips of each, whole numbers")
heads, abdomens = ([int(v) for v in sys.argv[1:]] + [4, 1][len(sys.argv) - 1:])[:2]


def hc(w):
    return -28.2849 + 1.69267 * w**2 - 0.397485 * w**2 * math.log(w)


def ac(w):
    return -81.3243 + 11.6772 * w - 0.000561865 * w**3


def perimeter(a, b):
    """Ramanujan's second approximation, full axes."""
    h = ((a - b) / (a + b)) ** 2
    return math.pi / 2 * (a + b) * (1 + 3 * h / (10 + math.sqrt(4 - 3 * h)))


def one(folder, plane, number):
    r = random.Random("%s %d" % (plane, number))
    week = r.uniform(15, 36)
    size = (hc(week) if plane == "head" else ac(week)) * r.gauss(1, 0.05)
    shape = min(0.9, max(0.7, r.gauss(0.79, 0.035))) if plane == "head" else r.uniform(0.93, 1.1)
    length = size / perimeter(1, shape)
    clip = os.path.join(folder, "%s%d.dcm" % (plane, number))
    angle = r.uniform(-40, 40) if plane == "head" else r.uniform(0, 360)
    options = {"seed": number + 1, "length": round(length, 3), "breadth": round(length * shape, 3), "angle": round(angle, 1),
               "mm-per-px": round(max(length, length * shape) / r.uniform(300, 380), 4), "width": 640, "height": 480,
               "gain": round(r.uniform(-3, 6), 1), "dropout": round(r.uniform(0, 0.45), 2), "resolution": round(r.uniform(0.9, 1.5), 2),
               "frames": 24, "frame-ms": 100, "move": round(r.uniform(0.5, 4), 1), "turn": round(r.uniform(0, 6), 1),
               "wander": round(r.uniform(0.03, 0.15), 3), "leaves": r.choice([0, 1, 1, 2])}
    command = [OGIVE, "phantom", "clip", plane, "--json", "--quick", "--week", "%dw%dd" % divmod(round(week * 7), 7)]
    for k, v in options.items():
        command += ["--" + k, str(v)]
    truth = json.loads(subprocess.check_output(command + [clip]))
    out = subprocess.run([OGIVE, "measure", plane, clip, "--json"], capture_output=True, text=True).stdout
    os.remove(clip)
    return size, truth, json.loads(out)


def clips(plane, n):
    key = "hc_mm" if plane == "head" else "ac_mm"
    rows = []
    with tempfile.TemporaryDirectory() as d:
        for i in range(n):
            true, truth, c = one(d, plane, i)
            if not c["accepted"]:
                print(plane, i, "refused:", c["reason"])
                continue
            low, high = c["interval_mm"]
            seen = sorted(f[key] for f in truth["frames"])[len(truth["frames"]) // 2]  # the middle section of the clip
            rows.append((100 * (c[key] / true - 1), low <= true <= high, 100 * (c[key] / seen - 1), c))
            print("%s %2d true %6.1f middle section %6.1f read %6.1f interval %6.1f to %6.1f%s kept %d of %d effective %.1f spread %.2f" % (
                plane, i, true, seen, c[key], low, high, "" if rows[-1][1] else " MISSED", c["frames_kept"], c["frames_read"],
                c["effective_frames"], c["spread_mm"]))
    assert rows, "%s: every clip was refused" % plane
    e = [r[0] for r in rows]
    bias = sum(e) / len(e)
    sd = math.sqrt(sum((v - bias) ** 2 for v in e) / max(1, len(e) - 1))
    covered = sum(r[1] for r in rows)
    print("%s: %d clips, %d accepted, error %+.2f %% SD %.2f %%, largest %.2f %%; against the middle section %+.2f %%; interval covers %d" % (
        plane, n, len(rows), bias, sd, max(map(abs, e)), sum(r[2] for r in rows) / len(rows), covered))
    return rows, e, covered


for plane, n, limit in (("head", heads, 4.9), ("abdomen", abdomens, 8.8)):
    if not n:
        continue
    rows, e, covered = clips(plane, n)
    assert len(rows) >= 0.8 * n, "%s: too many clips refused" % plane
    # two observers' limits (Sarris 2012, Ultrasound Obstet Gynecol 39:266-73, as in the table of quantities)
    assert max(map(abs, e)) < limit, "%s: a clip is read more than %.1f %% wrong" % (plane, limit)
    assert covered >= 0.8 * len(rows) - 1, "%s: the interval covers only %d of %d" % (plane, covered, len(rows))
