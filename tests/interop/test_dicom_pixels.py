"""Pictures and calibration of real files against independent readers: pydicom (palette, RLE, plain data), GDCM (JPEG
lossless, JPEG 2000) and Pillow's own libjpeg wrapper. The files are ../shared/data/dicom (pydicom, pydicom-data,
pylibjpeg-data, go-dicom, dicomParser, deid-data, highdicom, all MIT; healthcare-dicom-dicomweb-adapter, Apache-2.0).
They are not part of the project; without them the test is skipped."""
import csv, io, json, os, subprocess, sys, tempfile

data = os.path.join(os.environ.get("SHARED_DATA", "../shared/data"), "dicom")
ogive = os.environ.get("OGIVE", "build/ogive")
if not os.path.isdir(data):
    print("skipped: the real DICOM files of ../shared/data/dicom are not here")
    sys.exit(77)
try:
    import numpy as np, pydicom
    from PIL import Image
    from pydicom.encaps import generate_pixel_data_frame
    from pydicom.pixel_data_handlers.util import apply_color_lut, convert_color_space
except ImportError as e:
    print("skipped:", e)
    sys.exit(77)

# What each file must give. "mm": mm a pixel (x, y) of each measurable 2-D region by the file's own header, which was looked
# at by eye for the ones in doubt. An empty list: nothing may be measured in millimetres.
expect_mm = {
    "pydicom__examples_palette.dcm": [],   # regions reach below the cropped picture
    "pydicom__examples_ybr_color.dcm": [], # scaled to half after calibration
    "dicomParser__IM00001.fragmented_no_bot_jpeg_baseline.50.dcm": [],  # claims 46 cm of depth
    "dicomParser__IM00001.implicit_little_endian.dcm": [],
}

JPEG = {"1.2.840.10008.1.2.4.50"}
# Big endian too: pydicom 2.3 leaves 8-bit samples stored as OW in swapped pairs, GDCM and DCMTK do not.
GDCM = {"1.2.840.10008.1.2.2", "1.2.840.10008.1.2.4.70", "1.2.840.10008.1.2.4.90", "1.2.840.10008.1.2.4.91"}
tmp = tempfile.mkdtemp(prefix="ogive-pixels-")


def ours(path, frame):
    out = os.path.join(tmp, "frame.png")
    subprocess.run([ogive, "dicom", path, "--png", out, "--frame", str(frame + 1)], check=True, stdout=subprocess.DEVNULL)
    with Image.open(out) as im:
        return np.asarray(im)


def by_gdcm(path):
    out = os.path.join(tmp, "raw.dcm")
    subprocess.run(["gdcmconv", "--raw", path, out], check=True, capture_output=True, env={**os.environ, "ASAN_OPTIONS": ""})
    return pydicom.dcmread(out)


def theirs(path, frame):
    """The frame by another reader, and the tolerance a sample may differ by."""
    d = pydicom.dcmread(path)
    syntax = d.file_meta.TransferSyntaxUID
    n = int(d.get("NumberOfFrames", 1) or 1)
    if syntax in JPEG:
        b = list(generate_pixel_data_frame(d.PixelData, n)) if n > 1 else [b"".join(generate_pixel_data_frame(d.PixelData))]
        return np.asarray(Image.open(io.BytesIO(b[frame])).convert("RGB")), 1
    if syntax in GDCM:
        d = by_gdcm(path)
    a = d.pixel_array
    if n > 1:
        a = a[frame]
    if d.PhotometricInterpretation == "PALETTE COLOR":
        lut = apply_color_lut(a, d)
        # Entries of 16 bits whose high byte counts; rounding of interpolated segments may differ by one step.
        return (lut >> 8 if lut.dtype == np.uint16 and lut.max() > 255 else lut), 1
    if d.PhotometricInterpretation.startswith("YBR_FULL"):
        return convert_color_space(a, d.PhotometricInterpretation, "RGB"), 1
    return a, 0


def compare(name, path, frame, bad):
    a = ours(path, frame)
    b, tolerance = theirs(path, frame)
    if a.shape != b.shape:
        bad.append(f"{name}: frame {frame + 1} has shape {a.shape}, another reader says {b.shape}")
        return
    worst = int(np.abs(a.astype(int) - b.astype(int)).max())
    if worst > tolerance:
        bad.append(f"{name}: frame {frame + 1} differs by up to {worst}")
    return worst


def check_regions(name, about, d, bad):
    found = [(10 * abs(r["delta"][0]), 10 * abs(r["delta"][1])) for r in about["regions"]
             if r["kind"] == "2d" and all(r["measurable"])]
    want = expect_mm.get(name)
    if want is None:
        want = []
        for r in d.get("SequenceOfUltrasoundRegions", []):
            if r.RegionSpatialFormat == 1 and r.RegionDataType in (1, 2) and r.PhysicalUnitsXDirection == 3:
                want.append((10 * abs(r.PhysicalDeltaX), 10 * abs(r.PhysicalDeltaY)))
    if len(found) != len(want) or any(abs(f[k] - w[k]) > 1e-9 for f, w in zip(found, want) for k in (0, 1)):
        bad.append(f"{name}: calibration {found}, expected {want}")


bad, seen = [], 0
with open(os.path.join(data, "index.csv")) as f:
    rows = list(csv.DictReader(f))
for row in rows:
    name, path = row["file"], os.path.join(data, row["file"])
    p = subprocess.run([ogive, "dicom", path, "--json", "--items"], capture_output=True, text=True)
    if p.returncode != 0:
        bad.append(f"{name}: exit {p.returncode}: {p.stdout[-300:]}{p.stderr[-300:]}")
        continue
    about = json.loads(p.stdout)[0]
    d = pydicom.dcmread(path)
    seen += 1
    if about["instance"] != d.SOPInstanceUID or about["transfer_syntax"] != d.file_meta.TransferSyntaxUID:
        bad.append(f"{name}: instance or transfer syntax differ from pydicom's")
    if row["modality"] != "US":
        print(f"{name}: report, {len(about['items'])} items")
        continue
    check_regions(name, about, d, bad)
    n = about["frames"]
    worst = [compare(name, path, k, bad) for k in sorted({0, n // 2, n - 1})]
    print(f"{name}: {about['columns']}x{about['rows']} x{n}, {len(about['regions'])} regions, worst difference {worst}")

print(f"{seen} of {len(rows)} files read")
for b in bad:
    print("FAIL", b)
sys.exit(1 if bad or seen != len(rows) else 0)
