# From files to a verified report, with no server: phantom, import, report, verify; then changes behind the report are named.
set -euo pipefail
dir=$(mktemp -d)
trap 'chmod -R u+w "$dir"; rm -rf "$dir"' EXIT
export OGIVE_HOME=$dir/home
fail() { echo "FAILED: $*"; exit 1; }
run() { "$OGIVE" "$@" >"$dir/out" 2>"$dir/err" || fail "ogive $*: $(cat "$dir/out" "$dir/err")"; }

run init
for k in 1 2; do
  run phantom --seed 5 --serial $k --quick "$dir/exam$k"
  run import "$dir/exam$k"
done
run report latest -o "$dir/a.pdf"
run report latest -o "$dir/b.pdf"
cmp "$dir/a.pdf" "$dir/b.pdf" || fail "the same record gave another file"
run verify "$dir/a.pdf" --store
grep -q "objects of the record compared" "$dir/out" || fail "the record was not compared: $(cat "$dir/out")"
run report latest --facts-only
python3 - "$dir/out" <<'PY' || fail "the facts are not what an imported exam gives"
import json, sys
f = json.load(open(sys.argv[1]))
hc = next(v for v in f['values'] if v['quantity'] == 'hc')
assert f['pregnancy']['ga_days'] == 143, f['pregnancy']
assert 5 < hc['centiles'][0]['centile'] < 95, hc['centiles'][0]
assert len(hc['series']) >= 2, hc['series']
assert any(p['measured'] for p in f['pictures'])
assert all(o['sha256'] for o in f['objects'])
assert f['safety']['by_mode'] and f['sentences']
PY

# a picture that changed on disk is named
run report latest --facts-only
sha=$(python3 -c "import json,sys; print(next(o['sha256'] for o in json.load(open('$dir/out'))['objects'] if o['kind']=='image'))")
file=$(find "$OGIVE_HOME/objects" -name "*$sha*" -o -name "${sha:2}*" | head -1)
[ -n "$file" ] || fail "no stored file for $sha"
chmod u+w "$file"
printf 'x' | dd of="$file" bs=1 seek=5000 conv=notrunc status=none
set +e
"$OGIVE" verify "$dir/a.pdf" >"$dir/out" 2>"$dir/err"
[ $? = 1 ] || fail "a changed picture should end with 1: $(cat "$dir/out" "$dir/err")"
grep -q "FAILS  object" "$dir/out" || fail "the changed picture is not named: $(cat "$dir/out")"
# without that record the file still holds by itself
"$OGIVE" verify --no-store "$dir/a.pdf" >/dev/null 2>&1 || fail "the file alone should hold"
# bad requests: a message and a code, never a crash
"$OGIVE" report nosuch -o "$dir/x.pdf" >/dev/null 2>"$dir/err"; [ $? = 4 ] || fail "unknown exam"
"$OGIVE" report latest -o "$dir/no/such/folder/x.pdf" >/dev/null 2>"$dir/err"; code=$?
[ $code = 4 ] || [ $code = 6 ] || fail "a folder that is not there ended with $code: $(cat "$dir/err")"
"$OGIVE" report latest --language xx -o "$dir/x.pdf" >/dev/null 2>"$dir/err"; [ $? = 4 ] || fail "unknown language"
grep -q "there are:" "$dir/err" || fail "the languages are not listed"
head -c 3000 "$dir/a.pdf" >"$dir/cut.pdf"
"$OGIVE" verify "$dir/cut.pdf" >/dev/null 2>"$dir/err"; code=$?
[ $code = 3 ] || [ $code = 4 ] || fail "a cut file ended with $code"
if [ -e /dev/full ]; then
  "$OGIVE" report latest -o - >/dev/full 2>"$dir/err"; [ $? = 6 ] || fail "a full disk should end with 6"
fi
echo "pipeline: two exams to a verified report; a changed picture is named"
