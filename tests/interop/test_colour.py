"""`ogive measure colour` on objects written by pydicom: the velocity at the end of the bar where pixel component calibration
(PS3.3 C.8.5.5.1.4 to .14) states it, in its three forms; volumes whose indices numpy computes from what was drawn
(Pairleitner et al. 1999: VI = coloured / all, FI = mean colour value, VFI = VI FI / 100); refusals. And on the real objects
of ../shared/data/dicom, where they are: none of their colour regions carries such a calibration, so none gets a velocity."""
import glob, json, os, subprocess, sys, tempfile

try:
    import numpy as np, pydicom
    from pydicom.dataset import Dataset, FileMetaDataset
    from pydicom.sequence import Sequence
    from pydicom.uid import ExplicitVRLittleEndian, generate_uid
except ImportError as e:
    print("skipped:", e)
    sys.exit(77)

ogive = os.environ.get("OGIVE", "build/ogive")
tmp = tempfile.mkdtemp(prefix="ogive-colour-")
rng = np.random.default_rng()
H, W = 240, 320
BOX = (20, 20, 259, 219)  # inclusive


def ink(v, power):
    """Colour of a value, -1..1 (power: 0..1)."""
    a = np.abs(v)
    q = np.zeros(v.shape + (3,))
    if power:
        q[..., 0], q[..., 1] = 60 + 195 * a, 200 * a * a
        return q
    q[..., 0] = np.where(v > 0, 80 + 175 * a, 0)
    q[..., 1] = np.where(a > 0.5, 220 * (a - 0.5) * 2, 0)
    q[..., 2] = np.where(v < 0, 80 + 175 * a, 0)
    return q


def frame(value, power=False, bar=True):
    """Grey speckle, value where it is not NaN, and the bar at the right."""
    grey = rng.integers(10, 90, (H, W))
    p = np.repeat(grey[..., None], 3, axis=2).astype(float)
    p[:, 270:] = 0
    flow = ~np.isnan(value)
    p[flow] = ink(np.nan_to_num(value), power)[flow]
    if bar:
        n = 181
        p[20:20 + n, 290:302] = ink((np.linspace(1, 0 if power else -1, n)), power)[:, None, :]
    return p.astype(np.uint8)


def vessel(radius, peak):
    """Flow along the columns, NaN elsewhere."""
    y, x = np.mgrid[0:H, 0:W]
    r = (y - 120) / radius
    v = peak * (1 - r * r)
    return np.where((np.abs(r) < 1) & (np.abs(v) > 0.06) & (x > 40) & (x < 240), v, np.nan)


def component(how, unit=7, kind=3, low=-38.5, high=38.5):
    c = Dataset()
    c.PixelComponentOrganization = how
    c.PixelComponentPhysicalUnits, c.PixelComponentDataType = unit, kind
    if how == 2:
        c.NumberOfTableEntries = 3
        c.TableOfPixelValues = [0, 128, 255]
        c.TableOfParameterValues = [low, 0.0, high]
        return c
    if how == 0:
        c.PixelComponentMask = 255
    else:
        c.PixelComponentRangeStart, c.PixelComponentRangeStop = 0, 255
    c.NumberOfTableBreakPoints = 2
    c.TableOfXBreakPoints = [0, 255]
    c.TableOfYBreakPoints = [low, high]
    return c


def region(kind, box, extra=None, unit=3, delta=0.02, reference=None):
    r = Dataset()
    r.RegionSpatialFormat, r.RegionDataType, r.RegionFlags = (0 if kind == 14 else 1), kind, 2
    r.RegionLocationMinX0, r.RegionLocationMinY0, r.RegionLocationMaxX1, r.RegionLocationMaxY1 = box
    r.PhysicalUnitsXDirection, r.PhysicalUnitsYDirection = (0 if kind == 14 else 3), unit
    r.PhysicalDeltaX, r.PhysicalDeltaY = (0.0 if kind == 14 else 0.02), delta
    if reference:
        r.ReferencePixelX0, r.ReferencePixelY0 = 0, reference
        r.ReferencePixelPhysicalValueX, r.ReferencePixelPhysicalValueY = 0.0, 0.0
    for e in extra or []:
        r.add(e)
    return r


def write(name, frames, regions=()):
    d = Dataset()
    d.file_meta = FileMetaDataset()
    d.file_meta.TransferSyntaxUID = ExplicitVRLittleEndian
    clip = len(frames) > 1
    d.SOPClassUID = "1.2.840.10008.5.1.4.1.1.3.1" if clip else "1.2.840.10008.5.1.4.1.1.6.1"
    d.file_meta.MediaStorageSOPClassUID = d.SOPClassUID
    d.SOPInstanceUID = d.file_meta.MediaStorageSOPInstanceUID = generate_uid()
    d.StudyInstanceUID, d.SeriesInstanceUID, d.Modality = generate_uid(), generate_uid(), "US"
    d.PatientID, d.PatientName, d.StudyDate = "TEST-2", "Sand^Ida", "20260410"
    d.SamplesPerPixel, d.PhotometricInterpretation, d.PlanarConfiguration = 3, "RGB", 0
    d.Rows, d.Columns, d.BitsAllocated, d.BitsStored, d.HighBit, d.PixelRepresentation = H, W, 8, 8, 7, 0
    if clip:
        d.NumberOfFrames = len(frames)
    if regions:
        d.SequenceOfUltrasoundRegions = Sequence(list(regions))
    d.PixelData = np.stack(frames).tobytes()
    d.is_little_endian, d.is_implicit_VR = True, False
    path = os.path.join(tmp, name)
    d.save_as(path, write_like_original=False)
    return path


def measure(*args, want=0):
    r = subprocess.run([ogive, "measure", "colour", *args, "--json"], capture_output=True, text=True)
    assert r.returncode == want, f"{args}: exit {r.returncode}, {r.stdout} {r.stderr}"
    return json.loads(r.stdout)


def near(a, b, within, what):
    assert a is not None and abs(a - b) <= within, f"{what}: {a} is not {b} within {within}"


# --- the velocity at the end of the bar, from the object
value = vessel(40, 0.8)
drawn = float(np.nanmean(np.abs(value)))
share = float((~np.isnan(value)).sum()) / ((BOX[2] - BOX[0] + 1) * (BOX[3] - BOX[1] + 1))
for how in (0, 1, 2):
    p = write(f"component{how}.dcm", [frame(value)], [region(2, BOX, component(how))])
    a = measure(p)
    near(a["colour_fraction"], share, 0.002, "share")
    near(a["mean_magnitude"], drawn, 0.01, "magnitude")
    near(a["bar_end_cm_s"], 38.5, 1e-4, f"end of the bar, organisation {how}")
    assert a["bar_end_from"] == "region"
    near(a["mean_velocity_cm_s"], 38.5 * drawn, 0.4, "mean velocity")
    shown = json.loads(subprocess.run([ogive, "dicom", p, "--json"], capture_output=True, text=True, check=True).stdout)
    assert "component" in json.dumps(shown), "ogive dicom shows the calibration"
for name, regions in {
    "variance.dcm": [region(2, BOX, component(1, kind=4))],            # variance, not velocity
    "hertz.dcm": [region(2, BOX, component(1, unit=5))],               # Hz
    "differ.dcm": [region(2, BOX, component(1)), region(14, (290, 20, 301, 200), component(1, kind=7, high=20.0, low=-20.0))],
    "none.dcm": [region(2, BOX)],
}.items():
    assert "bar_end_cm_s" not in measure(write(name, [frame(value)], regions)), f"{name}: a velocity that nobody stated"
p = write("bar.dcm", [frame(value)], [region(2, BOX), region(14, (290, 20, 301, 200), unit=7, delta=-0.3, reference=90)])
near(measure(p)["bar_end_cm_s"], 27, 0.001, "end of a bar with a scale of its own")
p = write("typed.dcm", [frame(value)], [region(2, BOX)])
near(measure(p, "--bar-end", "30")["mean_velocity_cm_s"], 30 * drawn, 0.4, "typed end")
measure(p, "--bar-end", "9000", want=5)

# --- volumes: every slice another vessel; one file for all, or a file for each
for power in (False, True):
    values = [vessel(10 + 3 * i, 0.3 + 0.06 * i) for i in range(9)]
    frames = [frame(v, power) for v in values]
    clip = write(f"volume{power}.dcm", frames, [region(2, BOX)])
    many = [write(f"slice{power}{i}.dcm", [f], [region(2, BOX)]) for i, f in enumerate(frames)]
    inside = np.zeros((H, W), bool)
    inside[BOX[1]:BOX[3] + 1, BOX[0]:BOX[2] + 1] = True
    v = np.concatenate([x[inside] for x in values])
    vi = 100 * np.mean(~np.isnan(v))
    fi = 100 * np.nanmean(np.abs(v))
    for args in ([clip], many):
        a = measure(*args, "--volume")
        assert a["slices"] == 9 and a["kind"] == ("power" if power else "velocity"), a
        assert a["voxels"] == v.size, a
        near(a["vi"], vi, 0.02, "vascularisation index")
        near(a["fi"], fi, 0.7, "flow index")
        near(a["vfi"], vi * fi / 100, 0.1, "combined index")
        near(a["vfi"], a["vi"] * a["fi"] / 100, 1e-9, "VFI = VI FI / 100")
    # An outline a slice; the first and last slice hold nothing of the volume.
    square = [[60, 60], [200, 60], [200, 180], [60, 180]]
    path = os.path.join(tmp, "outlines.json")
    json.dump([None] + [square] * 7 + [None], open(path, "w"))
    cut = np.zeros((H, W), bool)
    cut[60:180, 60:200] = True
    w = np.concatenate([x[cut] for x in values[1:8]])
    a = measure(clip, "--volume", "--outlines", path)
    near(a["voxels"], w.size, 7 * 520, "voxels in the outlines")
    near(a["vi"], 100 * np.mean(~np.isnan(w)), 0.5, "VI in the outlines")
    json.dump([square], open(path, "w"))
    measure(clip, "--volume", "--outlines", path, want=3)
nothing = write("still.dcm", [frame(np.full((H, W), np.nan))] * 3, [region(2, BOX)])
a = measure(nothing, "--volume")
assert a["vi"] == 0 and a["vfi"] == 0 and a["fi"] is None, a
mixed = [write("m0.dcm", [frame(value)], [region(2, BOX)]), write("m1.dcm", [frame(np.abs(value), True)], [region(2, BOX)])]
measure(*mixed, "--volume", want=3)

# --- refusals
refused = measure(write("bare.dcm", [frame(value, bar=False)], [region(2, BOX)]), want=1)
assert refused["accepted"] is False and "colour bar" in refused["reason"], refused
measure(os.path.join(tmp, "not-there.dcm"), want=4)
for words in (["--volume", "--all-frames", p], [p, clip, "--relief", "x.png"], ["--outline", "1,2,3", p], ["--outlines", "x", p]):
    r = subprocess.run([ogive, "measure", "colour", *words], capture_output=True, text=True)
    assert r.returncode == 2, (words, r.returncode, r.stderr)

# Several pictures: an answer for each, in their order; one without a bar and one that is none do not stop the others.
r = subprocess.run([ogive, "measure", "colour", p, os.path.join(tmp, "bare.dcm"), os.path.join(tmp, "not-there.dcm"), "--json"], capture_output=True, text=True)
several = json.loads(r.stdout)
assert r.returncode == 0 and [a["accepted"] for a in several] == [True, False, False], r
assert several[0]["file"] == p and {**measure(p), "file": p} == several[0], several[0]
assert "colour bar" in several[1]["reason"] and "not-there" in several[2]["reason"], several

# --- real objects
data = os.path.join(os.environ.get("SHARED_DATA", "../shared/data"), "dicom")
seen = 0
for path in sorted(glob.glob(os.path.join(data, "*"))):
    try:
        d = pydicom.dcmread(path, stop_before_pixels=True)
    except Exception:
        continue
    if any(r.get("RegionDataType") == 2 for r in d.get("SequenceOfUltrasoundRegions", [])):
        r = subprocess.run([ogive, "measure", "colour", path, "--json"], capture_output=True, text=True)
        assert r.returncode in (0, 1), r.stderr
        a = json.loads(r.stdout)
        print(os.path.basename(path), a)
        assert "bar_end_cm_s" not in a
        seen += 1
print(f"{seen} real objects with a colour region" if os.path.isdir(data) else "the real objects are not here")
