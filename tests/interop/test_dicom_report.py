"""Structured reports as scanners send them, made with pydicom (an independent writer): centimetres, old SNOMED-RT codes, fetus
numbers as numbers, empty numbers, decimal commas, references by reference, circles, a vessel without a known code. Skipped without pydicom."""
import json, os, subprocess, sys, tempfile

try:
    import pydicom
    from pydicom.dataset import Dataset, FileDataset, FileMetaDataset
    from pydicom.sequence import Sequence
except ImportError as e:
    print("skipped:", e)
    sys.exit(77)

ogive = os.environ.get("OGIVE", "build/ogive")
tmp = tempfile.mkdtemp(prefix="ogive-report-")


def code(value, scheme, meaning):
    c = Dataset()
    c.CodeValue, c.CodingSchemeDesignator, c.CodeMeaning = value, scheme, meaning
    return Sequence([c])


def node(rel, kind, name=None, children=(), **more):
    d = Dataset()
    d.RelationshipType, d.ValueType = rel, kind
    if name:
        d.ConceptNameCodeSequence = code(*name)
    for k, v in more.items():
        setattr(d, k, v)
    if kind == "CONTAINER":
        d.ContinuityOfContent = "SEPARATE"
    if children:
        d.ContentSequence = Sequence(children)
    return d


def num(name, value, unit, children=(), rel="CONTAINS"):
    n = node(rel, "NUM", name, children)
    n.MeasuredValueSequence = Sequence([])
    if value is not None:
        m = Dataset()
        m.add_new(0x0040A30A, "DS", "1")
        m[0x0040A30A]._value = value  # as it stands, commas included
        m.MeasurementUnitsCodeSequence = code(unit, "UCUM", unit)
        n.MeasuredValueSequence = Sequence([m])
    return n


def image(frame=None, rel="SELECTED FROM", uid="2.25.77"):
    ref = Dataset()
    ref.ReferencedSOPClassUID, ref.ReferencedSOPInstanceUID = "1.2.840.10008.5.1.4.1.1.3.1", uid
    if frame:
        ref.ReferencedFrameNumber = frame
    return node(rel, "IMAGE", ReferencedSOPSequence=Sequence([ref]))


def scoord(kind, data, children):
    return node("INFERRED FROM", "SCOORD", ("121055", "DCM", "Path"), children, GraphicType=kind, GraphicData=data)


def by_reference(*ids):
    d = Dataset()
    d.RelationshipType, d.ReferencedContentItemIdentifier = "INFERRED FROM", list(ids)
    return d


HC, BPD, AC, FL = ("11984-2", "LN", "HC"), ("11820-8", "LN", "BPD"), ("11979-2", "LN", "AC"), ("11963-6", "LN", "FL")
fetus2 = num(("121037", "DCM", "Fetus Number"), "2", "1", rel="HAS OBS CONTEXT")
mean = node("HAS CONCEPT MOD", "CODE", ("121401", "DCM", "Derivation"), ConceptCodeSequence=code("R-00317", "SRT", "Mean"))
chosen = node("HAS PROPERTIES", "CODE", ("121404", "DCM", "Selection Status"), ConceptCodeSequence=code("121412", "DCM", "Mean value chosen"))
left = node("HAS CONCEPT MOD", "CODE", ("G-C171", "SRT", "Laterality"), ConceptCodeSequence=code("G-A101", "SRT", "Left"))
pelvic = node("HAS CONCEPT MOD", "CODE", ("G-C0E3", "SRT", "Finding Site"), ConceptCodeSequence=code("T-D6007", "SRT", "Pelvic Vascular Structure"))
BOX = ("125005", "DCM", "Biometry Group")
# PS3.3 C.18.6 (2024c): 0\\0 is the top left corner of the first pixel, 1\\1 its bottom right one: its centre is 0.5\\0.5.
AREA = ("X-2", "99PRIVATE", "Traced area")
TRACED = [(100 + (k % 7) * 3, 200 + k) for k in range(60)]  # far more points than an ellipse has
root = [
    node("CONTAINS", "CONTAINER", ("111028", "DCM", "Image Library"), [image(rel="CONTAINS")]),
    node("CONTAINS", "CONTAINER", ("121111", "DCM", "Summary"), [
        node("CONTAINS", "DATE", ("11955-2", "LN", "LMP"), Date="20250818"),
        node("CONTAINS", "DATE", ("11778-8", "LN", "EDD"), Date="2026-99-99")]),
    node("CONTAINS", "CONTAINER", ("125002", "DCM", "Fetal Biometry"), [
        fetus2,
        node("CONTAINS", "CONTAINER", BOX, [
            num(HC, "17.52", "cm", [scoord("ELLIPSE", [10.5, 20.5, 30.5, 20.5, 20.5, 15.5, 20.5, 25.5], [image(3)])]),
            num(HC, "17.60", "cm", [mean, chosen]),
            num(("18185-9", "LN", "Gestational Age"), "140", "d")]),
        node("CONTAINS", "CONTAINER", BOX, [num(BPD, None, "mm")]),
        node("CONTAINS", "CONTAINER", BOX, [num(AC, "15,3", "cm", [by_reference(1, 1, 1)])]),
        node("CONTAINS", "CONTAINER", BOX, [num(AREA, "21.5", "cm2", [scoord("POLYLINE", [x + 0.5 for q in TRACED + TRACED[:1] for x in q], [image()])])]),
        node("CONTAINS", "CONTAINER", BOX, [num(FL, " 33.10 ", "mm", [scoord("CIRCLE", [50.5, 60.5, 55.5, 60.5], [image()])])])]),
    node("CONTAINS", "CONTAINER", ("121070", "DCM", "Findings"), [
        pelvic,
        node("CONTAINS", "CONTAINER", ("T-46820", "SRT", "Uterine Artery"), [left, num(("12008-9", "LN", "PI"), "1.25", "1")]),
        node("CONTAINS", "CONTAINER", ("X-1", "99PRIVATE", "Some other artery"), [num(("12008-9", "LN", "PI"), "0.9", "1")])]),
]
d = Dataset()
d.file_meta = FileMetaDataset()
d.file_meta.TransferSyntaxUID = "1.2.840.10008.1.2.1"
d.file_meta.MediaStorageSOPClassUID = d.SOPClassUID = "1.2.840.10008.5.1.4.1.1.88.33"
d.file_meta.MediaStorageSOPInstanceUID = d.SOPInstanceUID = "2.25.5"
d.StudyInstanceUID, d.SeriesInstanceUID, d.Modality, d.PatientName = "2.25.6", "2.25.7", "SR", "Test^Report"
d.ValueType, d.ContinuityOfContent = "CONTAINER", "SEPARATE"
d.ConceptNameCodeSequence = code("125000", "DCM", "OB-GYN Ultrasound Procedure Report")
d.ContentSequence = Sequence(root)
d.is_little_endian, d.is_implicit_VR = True, False
path = os.path.join(tmp, "report.dcm")
pydicom.config.settings.writing_validation_mode = pydicom.config.IGNORE
pydicom.dcmwrite(path, d, write_like_original=False)

out = subprocess.run([ogive, "dicom", path, "--json", "--items"], capture_output=True, text=True, check=True)
items = json.loads(out.stdout)[0]["items"]
bad = []


def expect(what, found, want):
    if found != want:
        bad.append(f"{what}: {found!r}, expected {want!r}")


def pick(c, nth=0):
    return [i for i in items if i["code"] == c][nth]


expect("LMP", pick("11955-2")["text"], "20250818")
expect("EDD that is no date", pick("11778-8").get("date"), None)
hc, hc_mean = pick("11984-2"), pick("11984-2", 1)
expect("HC", (hc["value"], hc["unit"], hc["fetus"], hc["section"], hc["frame"], hc["image"]), (17.52, "cm", "2", "Fetal Biometry", 3, "2.25.77"))
expect("HC ellipse", hc["geometry"], {"kind": "ellipse", "points": [[10, 20], [30, 20], [20, 15], [20, 25]]})
expect("mean", (hc_mean["value"], hc_mean["derivation"], hc_mean["selection"]), (17.6, "R-00317", "121412"))
expect("one group", hc["group"], hc_mean["group"])
expect("age stands in the group", pick("18185-9")["group"], hc["group"])
expect("BPD without value", ("value" in pick("11820-8"), pick("11820-8")["fetus"]), (False, "2"))
expect("decimal comma is no number", ("value" in pick("11979-2"), pick("11979-2")["text"]), (False, "15,3"))
expect("image by reference", pick("11979-2").get("image"), "2.25.77")
expect("an outline keeps all its points", pick("X-2")["geometry"], {"kind": "outline", "points": [list(q) for q in TRACED]})
expect("FL", (pick("11963-6")["value"], pick("11963-6")["geometry"]["points"]), (33.1, [[45, 60], [55, 60], [50, 55], [50, 65]]))
pi, other = pick("12008-9"), pick("12008-9", 1)
expect("uterine artery", (pi["vessel"], pi["laterality"], pi["site"]), ("Uterine Artery", "Left", "T-46820"))
expect("unknown vessel", (other["vessel"], other.get("laterality")), ("Some other artery", None))
print(f"{len(items)} items of a sender's report")
for b in bad:
    print("FAIL", b)
sys.exit(1 if bad else 0)
