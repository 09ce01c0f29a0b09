#!/usr/bin/env bash
# A table of a million rows through `ogive chart eval --csv`: seconds and memory. Goal: under 5 s, constant memory.
set -euo pipefail
folder=$(mktemp -d)
trap 'rm -rf "$folder"' EXIT
awk 'BEGIN { print "id,age_days,hc"; for (i = 0; i < 1000000; i++) { d = 100 + i % 180; printf "%d,%d,%.1f\n", i, d, -110 + 1.6 * d + i % 37 } }' >"$folder/in.csv"
head -n 100001 "$folder/in.csv" >"$folder/tenth.csv"
run() { /usr/bin/time -f '%e s, %M kB at most' "$OGIVE" chart eval hc --csv "$1" --x age_days --value hc >"$folder/out.csv" 2>"$folder/said"; tail -n 1 "$folder/said"; }
echo "100 000 rows: $(run "$folder/tenth.csv")"
echo "1 000 000 rows: $(run "$folder/in.csv")"
[ "$(wc -l <"$folder/out.csv")" = 1000001 ]
awk '{ exit !($1 < 5) }' "$folder/said"
