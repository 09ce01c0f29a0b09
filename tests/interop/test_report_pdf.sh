# The report as other programs see it: qpdf, poppler and mupdf open it clean; text, tags, fonts and attachment are there.
set -euo pipefail
for tool in qpdf pdfinfo pdftotext pdffonts pdfdetach mutool; do
  command -v $tool >/dev/null || { echo "skipped: $tool is not installed (scripts/setup test)"; exit 77; }
done
dir=$(mktemp -d)
trap 'rm -rf "$dir"' EXIT
fail() { echo "FAILED: $*"; exit 1; }

for name in mid late twins undated; do
  pdf=$dir/$name.pdf
  "$OGIVE" report --facts "$SOURCE_ROOT/tests/data/report/$name.json" -o "$pdf" >/dev/null 2>"$dir/err" || fail "$name: $(cat "$dir/err")"
  qpdf --check "$pdf" >"$dir/out" 2>&1 || fail "$name: qpdf: $(cat "$dir/out")"
  grep -q "No syntax or stream encoding errors" "$dir/out" || fail "$name: qpdf: $(cat "$dir/out")"
  mutool draw -q -r 20 -o "$dir/page-%d.png" "$pdf" 2>&1 | grep -v "ICC support is not available" >"$dir/out" || true; [ "${PIPESTATUS[0]}" = 0 ] || fail "$name: mupdf: $(cat "$dir/out")"
  [ ! -s "$dir/out" ] || fail "$name: mupdf: $(cat "$dir/out")"
  pdfinfo "$pdf" >"$dir/info" 2>"$dir/err"
  [ ! -s "$dir/err" ] || fail "$name: poppler: $(cat "$dir/err")"
  grep -q "^Tagged: *yes" "$dir/info" || fail "$name: not tagged"
  grep -q "^Page size: *595.28 x 841.89 pts (A4)" "$dir/info" || fail "$name: not A4"
  # every font embedded and with a map to Unicode
  pdffonts "$pdf" | tail -n +3 | awk '{ if ($(NF-4) != "yes" || $(NF-2) != "yes") bad = 1 } END { exit bad }' || fail "$name: a font is not embedded"
  # the attached facts are those that the program prints for the same inputs
  pdfdetach -save 1 -o "$dir/facts.json" "$pdf"
  "$OGIVE" report --facts "$dir/facts.json" -o "$dir/again.pdf" >/dev/null 2>&1
  cmp "$pdf" "$dir/again.pdf" || fail "$name: the attached facts give another report"
  "$OGIVE" verify --no-store "$pdf" >"$dir/out" 2>/dev/null || fail "$name: $(cat "$dir/out")"
done

pdftotext -layout "$dir/mid.pdf" "$dir/mid.txt"
for words in "Marit Solvang" "20w3d" "Head circumference" "DRAFT" "Page 1 of"; do
  grep -q "$words" "$dir/mid.txt" || fail "the text lacks \"$words\""
done
pdftotext "$dir/late.pdf" "$dir/late.txt"
grep -q "王小明" "$dir/late.txt" || fail "a Chinese name is not text"
grep -q "प्रिया शर्मा" "$dir/late.txt" || fail "a Devanagari name is not text"
# Names in three scripts, of patient, doctor and sonographer: the extracted text is the name in its logical order, its fonts are
# embedded (checked for every file above), and no glyph is missing (poppler would give a replacement).
/usr/bin/python3 - "$SOURCE_ROOT/tests/data/report/mid.json" "$dir" <<'PY'
import json, sys
names = {'arabic': ('سلمى الحداد', 'ليلى منصور'), 'devanagari': ('सीता देवी', 'राजेश्वरी त्रिपाठी'), 'chinese': ('欧阳晓琳', '诸葛建国')}
for script, (patient, doctor) in names.items():
    f = json.load(open(sys.argv[1]))
    f['patient']['name'] = patient
    f['exam']['referring'] = doctor
    json.dump(f, open(f'{sys.argv[2]}/{script}.json', 'w'))
    open(f'{sys.argv[2]}/{script}.names', 'w').write(f'{patient}\n{doctor}\n')
PY
for script in arabic devanagari chinese; do
  "$OGIVE" report --facts "$dir/$script.json" -o "$dir/$script.pdf" >/dev/null 2>"$dir/err" || fail "$script: $(cat "$dir/err")"
  pdftotext "$dir/$script.pdf" "$dir/$script.txt"
  # Isolates and marks of direction are not letters; poppler also guesses spaces from the gaps behind letters that do not join.
  /usr/bin/python3 - "$dir/$script.txt" "$dir/$script.names" <<'PY' || fail "$script: a name is not in the text"
import sys, unicodedata
letters = lambda t: ''.join(c for c in t if unicodedata.category(c) not in ('Cf', 'Zs', 'Cc'))
text = letters(open(sys.argv[1]).read())
sys.exit(any(letters(name) not in text for name in open(sys.argv[2])))
PY
  pdffonts "$dir/$script.pdf" | tail -n +3 | awk '{ if ($(NF-4) != "yes" || $(NF-2) != "yes") bad = 1 } END { exit bad }' || fail "$script: a font is not embedded"
done

# The summary on the first page holds every sentence of the facts, those on structures too, in every golden case.
/usr/bin/python3 - "$SOURCE_ROOT/tests/data/golden" "$dir" <<'PY' || fail "a sentence of the facts is not printed"
import glob, json, os, subprocess, sys
ogive, kinds = os.environ['OGIVE'], set()
letters = lambda t: ''.join(c for c in t if c.isalnum())
for path in sorted(glob.glob(sys.argv[1] + '/*.json')):
    given, pdf = sys.argv[2] + '/case.json', sys.argv[2] + '/case.pdf'
    json.dump(json.load(open(path))['facts'], open(given, 'w'))
    facts = json.loads(subprocess.run([ogive, 'report', '--facts', given, '--facts-only'], check=True, capture_output=True).stdout)
    subprocess.run([ogive, 'report', '--facts', given, '-o', pdf], check=True, capture_output=True)
    first = letters(subprocess.run(['pdftotext', '-l', '1', pdf, '-'], check=True, capture_output=True, text=True).stdout)
    for s in facts['sentences']:
        kinds.add(s['part'])
        if letters(s['text']) not in first: sys.exit(f"{os.path.basename(path)}: {s['id']}: {s['text']}")
sys.exit(None if {'dating', 'size', 'anatomy', 'assessment'} <= kinds else f'parts seen: {kinds}')
PY

pdfinfo -struct-text "$dir/mid.pdf" >"$dir/tree" 2>/dev/null
for tag in H1 H2 Table TR TH TD Figure; do grep -q "^ *$tag" "$dir/tree" || fail "no $tag in the structure"; done

# a changed byte is found, and the exit code says so
python3 - "$dir/mid.pdf" "$dir/bad.pdf" <<'PY'
import sys
b = bytearray(open(sys.argv[1], 'rb').read())
b[len(b) // 3] ^= 1
open(sys.argv[2], 'wb').write(b)
PY
set +e
"$OGIVE" verify --no-store "$dir/bad.pdf" >"$dir/out" 2>/dev/null
[ $? = 1 ] || fail "a changed file should end with 1"
grep -q "FAILS  pages" "$dir/out" || fail "a changed page is not named"
# rewritten by another program: said, not guessed
qpdf --linearize "$dir/mid.pdf" "$dir/lin.pdf" 2>/dev/null
"$OGIVE" verify --no-store "$dir/lin.pdf" >/dev/null 2>"$dir/err"
[ $? = 4 ] || fail "a rewritten file should end with 4"
grep -q "as Ogive wrote it" "$dir/err" || fail "no advice for a rewritten file"
echo "report files: four cases open clean in three programs"
