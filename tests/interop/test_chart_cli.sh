#!/usr/bin/env bash
# `ogive chart` from outside: answers, refusals and their exit codes, streams, the picture.
set -uo pipefail
work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT
failed=0
# want CODE WORD COMMAND...: the exit code, and a word in what it said
want() {
  local code=$1 word=$2
  shift 2
  "$OGIVE" chart "$@" >"$work/out" 2>&1
  local got=$?
  if [ $got != "$code" ] || ! grep -qF -- "$word" "$work/out"; then
    echo "FAILED (exit $got, wanted $code and \"$word\"): ogive chart $*"
    cat "$work/out"
    failed=1
  fi
}
want 0 "centile 22.7, z -0.75" eval hc 20w3d 172
want 0 "centile 22.7" eval intergrowth-hc 20+3 17.2cm
want 0 "centile 22.7" eval hc 143 172 --x-unit d
want 0 '"z": -0.749905' eval hc 143d 172 --json
want 0 "95 % interval" eval hc 20w3d 172 --sd 1.9 --age-sd 2
want 0 "converted from 48 to 46.22" eval who-bpd 20w3d 48 --taken outer-outer
want 8 "no conversion between them was published" eval hc 20w3d 172 --taken inner-inner
want 0 "below centile 2.5" eval who-efw 20w 200
want 0 "1.68 times the median" eval mca-psv 28w 62
want 5 "would be if cm was meant" eval bpd 20w3d 4.7
want 5 "outside 14w0d to 40w0d" eval hc 13w6d 100
want 5 "outside 14w0d to 40w0d" eval hc 40w1d 340
want 3 "does not say whether it is in days or weeks" eval hc 20 172
want 3 "value \"172g\"" eval hc 20w3d 172g
want 4 "Near:" eval intergrowth-hd 20w3d 172
want 7 "switched off" eval hadlock1984-bpd 20w 47
want 0 "centile" eval hadlock1984-bpd 20w 47 --unverified
want 2 "a chart, an age and a value" eval hc
want 2 "no option" eval hc 20w 172 --wrong
want 0 "who-efw " eval efw 32w 1700 --all
want 0 "none: bpd was taken inner-inner" eval bpd 20w3d 48 --all --taken inner-inner
want 0 "only for weights by hadlock1985-hc-ac-fl" eval efw 32w 1700
want 8 "the weight is by shepard1982" eval efw 32w 1700 --weights-by shepard1982
want 0 "centile 9.8" eval nicolaides2018-efw 32w 1.7kg --weights-by hadlock1985-hc-ac-fl
want 4 "first word is a quantity" eval intergrowth-hc 20w3d 172 --all
want 0 "158.487 mm" inverse hc 20w --centile 3
want 3 "between 0 and 100" inverse hc 20w --centile 100
want 5 "resolves only the centiles 1 to 99" inverse who-hc 20w --z 3
want 0 "default" list --quantity hc
want 4 "no chart for" list --quantity nothing
want 0 "t = gestational age in d / 7" show hc
want 0 '"terms"' show hc --json
want 0 "intergrowth-hc" table hc --centiles 3,50,97
want 3 "AGE:VALUE" plot hc --point 20w3d
want 4 "cannot be read" eval hc --lines "$work/none"

# A department's own chart; with a broken one beside it nothing is computed until that is mended.
mkdir -p "$work/data/charts"
sed 's/"intergrowth-hc"/"ours-hc"/; s/"default": true/"default": false/' "$SOURCE_ROOT/data/charts/intergrowth-hc.json" >"$work/data/charts/ours.json"
echo '{"id": "broken"' >"$work/data/charts/broken.json"
export OGIVE_DATA=$work/data
want 3 "charts/broken.json, line" eval ours-hc 20w3d 172
want 3 "charts/broken.json, line" list --quantity hc
rm "$work/data/charts/broken.json"
want 0 "centile 22.7" eval ours-hc 20w3d 172
unset OGIVE_DATA

# Streams: a refused row keeps its place.
printf 'id,ga,hc\r\n1,20w3d,172\r\n2,12w,172\r\n"a ""b"", c",20+3,17.2 cm\r\n4,20w3d,\r\n' >"$work/in.csv"
"$OGIVE" chart eval hc --csv "$work/in.csv" --x ga --value hc >"$work/out.csv" 2>"$work/said" || failed=1
[ "$(wc -l <"$work/out.csv")" = 5 ] && grep -q '^1,20w3d,172,-0.749905552989,22.66557949' "$work/out.csv" &&
  grep -q '^2,12w,172,,,,,.*outside 14w0d' "$work/out.csv" && grep -qF '"a ""b"", c",20+3,17.2 cm,-0.749905' "$work/out.csv" &&
  grep -q '2 rows have no answer' "$work/said" || { echo "FAILED: CSV"; cat "$work/out.csv" "$work/said"; failed=1; }
want 5 "2 rows have no answer" eval hc --csv "$work/in.csv" --x ga --value hc --strict
want 3 "no column \"age\"" eval hc --csv "$work/in.csv" --x age --value hc
printf '{"chart":"hc","x":"20w3d","value":172,"id":7}\n{"chart":"hc","x":20,"value":172}\nno\n{"chart":"hc","x":"20w3d","value":172,"taken":"outer-outer","value_sd":2}\n' |
  "$OGIVE" chart eval --lines - >"$work/lines" 2>/dev/null || failed=1
python3 - "$work/lines" <<'PY' || failed=1
import json, sys
a = [json.loads(line) for line in open(sys.argv[1])]
assert len(a) == 4 and a[0]['id'] == 7 and abs(a[0]['z'] + 0.749905552988985) < 1e-12, a
assert a[1]['error']['code'] == 'invalid' and a[2]['error']['code'] == 'invalid', a
assert a[3]['calipers']['fit'] == 'same' and a[3]['interval95']['z_low'] < a[3]['z'], a
PY
printf 'chart,x,centile\nhc,20w,3\nefw,32w,10\n' | "$OGIVE" chart inverse --csv - | grep -q '^hc,20w,3,158.48' || { echo "FAILED: inverse CSV"; failed=1; }

# The picture is well-formed XML with a curve for each centile and the point.
"$OGIVE" chart plot hc --centiles 3,50,97 --point 20w3d:172 -o "$work/hc.svg" &&
  python3 -c "
import sys, xml.etree.ElementTree as E
r = E.parse(sys.argv[1]).getroot()
k = [e.get('class') for e in r.iter()]
assert k.count('curve') == 2 and k.count('middle') == 1 and k.count('point') == 1, k" "$work/hc.svg" || { echo "FAILED: plot"; failed=1; }
exit $failed
