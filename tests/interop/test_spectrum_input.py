"""Spectra as they come, good and bad, through `ogive measure spectrum` and `rate`: several files and folders, the rate from a
spectral trace, and what must be refused with its reason: no baseline in view, unknown units, an incomplete cycle, an irregular
rhythm, a steep angle. Pictures are the phantom's, written by pydicom; regions as PS3.3 C.8.5.5 has them. Truth: the phantom's file."""
import json, os, subprocess, sys, tempfile

try:
    import numpy as np
    import pydicom
    from PIL import Image
    from pydicom.dataset import Dataset, FileDataset, FileMetaDataset
    from pydicom.sequence import Sequence
    from pydicom.uid import ExplicitVRLittleEndian, generate_uid
except ImportError as e:
    print("skipped:", e)
    sys.exit(77)

ogive = os.environ.get("OGIVE", "build/ogive")
tmp = tempfile.mkdtemp(prefix="ogive-spectra-")


def run(*words):
    return subprocess.run([ogive, *map(str, words)], capture_output=True, text=True)


def phantom(name, *options):
    path = os.path.join(tmp, name + ".png")
    r = run("phantom", "spectrum", *options, "--json", path)
    assert r.returncode == 0, r
    return np.asarray(Image.open(path).convert("RGB")), json.loads(r.stdout)


def write(name, rgb, truth, **change):
    """A DICOM picture; change: attributes of its spectral region, None takes one away."""
    d = FileDataset(name, {}, file_meta=FileMetaDataset(), preamble=b"\0" * 128)
    d.file_meta.TransferSyntaxUID = ExplicitVRLittleEndian
    d.file_meta.MediaStorageSOPClassUID = d.SOPClassUID = "1.2.840.10008.5.1.4.1.1.6.1"
    d.file_meta.MediaStorageSOPInstanceUID = d.SOPInstanceUID = generate_uid()
    d.StudyInstanceUID, d.SeriesInstanceUID = generate_uid(), generate_uid()
    d.Modality, d.PatientName, d.PatientID = "US", "Test^Spectrum", "T-1"
    d.SamplesPerPixel, d.PhotometricInterpretation, d.PlanarConfiguration = 3, "RGB", 0
    d.Rows, d.Columns = rgb.shape[:2]
    d.BitsAllocated = d.BitsStored = 8
    d.HighBit, d.PixelRepresentation = 7, 0
    d.PixelData = np.ascontiguousarray(rgb).tobytes()
    r = Dataset()
    r.RegionSpatialFormat, r.RegionDataType, r.RegionFlags = 3, 3, 0
    r.RegionLocationMinX0, r.RegionLocationMinY0, r.RegionLocationMaxX1, r.RegionLocationMaxY1 = truth["box"]
    r.PhysicalUnitsXDirection, r.PhysicalUnitsYDirection = 4, 7
    r.PhysicalDeltaX, r.PhysicalDeltaY = truth["s_per_px"], -truth["cm_s_per_px"]
    r.ReferencePixelX0, r.ReferencePixelY0 = 0, round(truth["baseline_row"]) - truth["box"][1]
    r.ReferencePixelPhysicalValueX = r.ReferencePixelPhysicalValueY = 0.0
    for key, v in change.items():
        if v is None:
            delattr(r, key)
        else:
            setattr(r, key, v)
    d.SequenceOfUltrasoundRegions = Sequence([r])
    path = os.path.join(tmp, name + ".dcm")
    d.save_as(path, write_like_original=False)
    return path


def read(kind, path, *options, want):
    r = run("measure", kind, path, *options, "--json")
    assert r.returncode == want, (kind, path, options, r)
    return json.loads(r.stdout)


def refused(path, code, *says, kinds=("spectrum", "rate")):
    """Both commands tell the same reason; nothing that looks like a value comes along."""
    for kind in kinds:
        a = read(kind, path, want=code)
        text = json.dumps(a.get("error") or a["reason"])
        assert all(s in text for s in says), (kind, path, text)
        assert all(a.get(k) is None for k in ("pi", "psv_cm_s", "rate_bpm")), (kind, a)


rgb, truth = phantom("plain", "--seed", 4, "--rate", 140, "--vessel", "umbilical")
good = write("plain", rgb, truth)

# --- the rate of a spectrum, of the fetus and of the mother
for name, vessel, bpm in (("fetal", "umbilical", 172), ("maternal", "uterine", 66)):
    pixels, t = phantom(name, "--seed", 9, "--rate", bpm, "--vessel", vessel)
    a = read("rate", write(name, pixels, t), "--flow", name, want=0)
    assert a["from"] == "spectrum" and abs(a["rate_bpm"] - t["rate_bpm"]) < 2 and a["rate_bpm_sd"] > 0 and a["beats"] >= 2, (a, t["rate_bpm"])
assert read("rate", good, want=0)["rate_bpm"] == read("spectrum", good, want=0)["rate_bpm"]
refused(os.path.join(tmp, "maternal.dcm"), 1, "No regular cycle")  # outside of what a fetal heart does: not read as another rate
assert run("measure", "rate", good, "--flow", "sideways").returncode == 2
assert "is no clip" in read("rate", good, "--box", "0,0,50,50", want=3)["error"]["what"]

# --- what cannot be read
refused(write("no-baseline", rgb, truth, ReferencePixelX0=None, ReferencePixelY0=None), 5, "where its baseline is", "Mark the baseline")
refused(write("baseline-out", rgb, truth, ReferencePixelY0=5000), 5, "lies outside its box", "Mark the baseline")
for unit in (0, 3, 6, 99):
    refused(write(f"unit-{unit}", rgb, truth, PhysicalUnitsYDirection=unit), 5, f"unit code {unit}", "Calibrate by hand")
refused(write("time-unit", rgb, truth, PhysicalUnitsXDirection=7), 5, "time axis", "unit code 7")
x0, y0, x1, y1 = truth["box"]
cycle = 60 / truth["rate_bpm"] / truth["s_per_px"]
for share in (0.6, 1.6):
    refused(write(f"cycles-{share}", rgb, truth, RegionLocationMaxX1=int(x0 + share * cycle)), 1, "record")
strip, k = [], 0
while sum(s.shape[1] for s in strip) < x1 + 1 - x0 and x0 + int((k + 1) * cycle) < x1:
    piece = rgb[:, x0 + int(k * cycle):x0 + int((k + 1) * cycle)]
    width = int(piece.shape[1] * (0.5, 1.5, 0.75, 1.3, 0.55, 1.7)[k % 6])
    strip.append(np.asarray(Image.fromarray(piece).resize((width, piece.shape[0]), Image.BILINEAR)))
    k += 1
uneven = rgb.copy()
uneven[:, x0:x1 + 1] = 0
drawn = np.concatenate(strip, axis=1)[:, :x1 + 1 - x0]
uneven[:, x0:x0 + drawn.shape[1]] = drawn
uneven[y1 + 1:], uneven[:y0] = rgb[y1 + 1:], rgb[:y0]
refused(write("irregular", uneven, truth, RegionLocationMaxX1=x0 + drawn.shape[1] - 1), 1, "cycle")

# --- steep angles, no angle: ratios stay and are those of the same picture
pi = read("spectrum", good, want=0)["pi"]
for angle, velocities in ((30, True), (65, True), (75, False)):
    a = read("spectrum", write(f"angle-{angle}", rgb, truth, DopplerCorrectionAngle=float(angle)), want=0)
    assert a["pi"] == pi and (a["psv_cm_s"] is not None) == velocities and (f"Angle {angle} degrees is over" in a["note"]) == (angle > 60), a
turned = os.path.join(tmp, "angle-30.dcm")
a, b = read("spectrum", turned, want=0), read("spectrum", turned, "--angle", 55, want=0)
ratio = np.cos(np.radians(30)) / np.cos(np.radians(55))
assert abs(b["psv_cm_s"] / a["psv_cm_s"] / ratio - 1) < 1e-9 and b["pi"] == a["pi"] and "from 30 to 55" in b["note"], (a, b)

# --- several files and folders
below = os.path.join(tmp, "below")
os.makedirs(os.path.join(below, "deep"))
for name, to in (("plain", "b"), ("no-baseline", "a"), ("angle-75", "deep/c")):
    os.link(os.path.join(tmp, name + ".dcm"), os.path.join(below, to))
open(os.path.join(below, "notes.txt"), "w").write("no picture")
for kind, key in (("spectrum", "pi"), ("rate", "rate_bpm")):
    one = read(kind, good, want=0)
    assert one["file"] == good
    list_ = read(kind, below, want=0)
    assert [os.path.relpath(a["file"], below) for a in list_] == ["a", "b", "deep/c", "notes.txt"], list_
    assert [a["accepted"] for a in list_] == [False, True, True, False] and "baseline" in list_[0]["reason"] and "DICOM" in list_[3]["reason"], list_
    assert list_[1][key] == one[key], list_[1]
    r = run("measure", kind, good, turned)
    assert r.returncode == 0 and r.stdout.count(".dcm:") == 2 and "2 read, 0 refused" in r.stdout, r
    assert run("measure", kind, os.path.join(below, "notes.txt"), os.path.join(tmp, "no-baseline.dcm")).returncode == 3
    assert run("measure", kind, os.path.join(tmp, "cycles-0.6.dcm"), os.path.join(tmp, "irregular.dcm")).returncode == 1
    assert run("measure", kind, os.path.join(tmp, "nothing.dcm")).returncode == 4
assert run("measure", "spectrum", good, turned, "--overlay", os.path.join(tmp, "o.png")).returncode == 2
print("ok")
