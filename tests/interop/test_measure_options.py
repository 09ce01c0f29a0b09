"""What `ogive measure spectrum|rate|head` are told by options: nothing that was given is silently left out, no number is cut to a
whole one, a picture with several spectra is not read without saying which. Regions as PS3.3 C.8.5.5 has them."""
import json, os, subprocess, sys, tempfile

try:
    import pydicom
except ImportError as e:
    print("skipped:", e)
    sys.exit(77)

ogive = os.environ.get("OGIVE", "build/ogive")
tmp = tempfile.mkdtemp(prefix="ogive-options-")


def run(*words, want, says=""):
    r = subprocess.run([ogive, *map(str, words)], capture_output=True, text=True)
    assert r.returncode == want, f"{words}: exit {r.returncode}, not {want}: {r.stdout} {r.stderr}"
    assert says in r.stdout + r.stderr, f"{words}: {says!r} is not in {r.stdout} {r.stderr}"
    return r.stdout


picture = os.path.join(tmp, "s.png")
truth = json.loads(run("phantom", "spectrum", "--seed", 3, "--json", picture, want=0))
hand = {"--region": ",".join(map(str, truth["box"])), "--baseline-row": truth["baseline_row"],
        "--cm-s-per-pixel": truth["cm_s_per_px"], "--s-per-pixel": truth["s_per_px"]}


def words(**change):
    options = {**hand, **{k.replace("_", "-"): v for k, v in change.items()}}
    return [w for k, v in options.items() if v is not None for w in (k, v)]


def spectrum(want, says="", **change):
    return run("measure", "spectrum", picture, "--json", *words(**change), want=want, says=says)


a = json.loads(spectrum(0))
assert a["accepted"] and abs(a["psv_cm_s"] / truth["psv_cm_s"] - 1) < 0.06, a
spectrum(2, "want --region", **{"--region": None})
spectrum(2, "whole numbers", **{"--region": "52.7,330,948,732"})
spectrum(2, "whole numbers", **{"--region": "52,330,1e30,732"})
spectrum(2, "4 numbers", **{"--region": "52,330,948"})
for bad in ("nan", "inf"):
    for option in ("--baseline-row", "--cm-s-per-pixel", "--s-per-pixel", "--wall-filter"):
        spectrum(2, option, **{option: bad})
spectrum(2, "above 0", **{"--wall-filter": -4})
spectrum(1, "wall filter", **{"--wall-filter": 400})
spectrum(2, "counts from 1", **{"--frame": 0})
spectrum(2, "whole number", **{"--frame": 1.5})
spectrum(2, "exclude", **{"--spectrum": 1})

exam = os.path.join(tmp, "exam")
run("phantom", "--seed", 11, "--week", "24w0d", "--frames", 4, "--quick", exam, want=0)
spectra, heads = [], []
for folder, _, files in sorted(os.walk(exam)):
    for name in sorted(files):
        path = os.path.join(folder, name)
        try:
            d = pydicom.dcmread(path)
        except pydicom.errors.InvalidDicomError:
            continue
        regions = d.get("SequenceOfUltrasoundRegions", [])
        if any(r.RegionSpatialFormat == 3 for r in regions):
            spectra.append(path)
        elif len(regions) == 1 and d.get("NumberOfFrames", 1) == 1:
            heads.append(path)
d = pydicom.dcmread(spectra[0])
first = next(r for r in d.SequenceOfUltrasoundRegions if r.RegionSpatialFormat == 3)
second = pydicom.Dataset()
second.update(first)
second.PhysicalDeltaY = 2 * first.PhysicalDeltaY
d.SequenceOfUltrasoundRegions.append(second)
two = os.path.join(tmp, "two.dcm")
d.save_as(two)
run("measure", "spectrum", two, want=3, says="2 spectral regions")
psv = [json.loads(run("measure", "spectrum", two, "--spectrum", n, "--json", want=0))["psv_cm_s"] for n in (1, 2)]
assert abs(psv[1] / psv[0] - 2) < 1e-6, psv
run("measure", "spectrum", two, "--spectrum", 3, want=5)
run("measure", "rate", two, "--av", want=3, says="2 spectral regions")
run("measure", "rate", two, "--box", "10,10,5,5", want=2, says="left,top,right,bottom")
run("measure", "rate", two, "--box", want=2, says="ogive measure rate --help")

run("measure", "head", heads[0], "--frame", 0, want=2, says="ogive measure head --help")
plain = json.loads(run("measure", "head", heads[0], "--json", want=0))
told = subprocess.run([ogive, "measure", "head", heads[0], "--json", "--frame", "1", "--pixel-mm", "0.5"], capture_output=True, text=True)
assert json.loads(told.stdout)["hc_mm"] == plain["hc_mm"] and "not used" in told.stderr, told
