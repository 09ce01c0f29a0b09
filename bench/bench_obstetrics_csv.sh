#!/usr/bin/env bash
# A table of a million rows through `ogive weight --csv` and `ogive date --csv`: seconds and memory. Goal: under 5 s each,
# constant memory. Processor time is judged (a shared machine makes the clock say more); the clock is printed beside it.
set -euo pipefail
folder=$(mktemp -d)
trap 'rm -rf "$folder"' EXIT
awk 'BEGIN { print "id,hc,ac,fl,ga_days"; for (i = 0; i < 1000000; i++) { d = 154 + i % 126; hc = 1.28 * d - 8 + i % 11
  printf "%d,%.1f,%.1f,%.1f,%d\n", i, hc, hc * 0.92, hc * 0.2, d } }' >"$folder/weight.csv"
awk 'BEGIN { print "id,lmp,cycle_days,crl,crl_date,hc,fl,biometry_date,ga_on"; for (i = 0; i < 1000000; i++)
  printf "%d,2026-01-%02d,%d,%.1f,2026-03-%02d,%.1f,%.1f,2026-05-%02d,2026-05-28\n", i, 1 + i % 28, 26 + i % 7, 45 + i % 20, 10 + i % 18,
    165 + i % 20, 30 + i % 5, 10 + i % 18 }' >"$folder/date.csv"
bad=0
for what in weight date; do
  head -n 100001 "$folder/$what.csv" >"$folder/tenth.csv"
  for rows in tenth "$what"; do
    /usr/bin/time -f '%U %S %e %M' "$OGIVE" "$what" --csv "$folder/$rows.csv" >"$folder/out.csv" 2>"$folder/said"
    read -r user system clock kb < <(tail -n 1 "$folder/said")
    echo "ogive $what: $(($(wc -l <"$folder/$rows.csv") - 1)) rows: $user + $system s of processor, $clock s by the clock, $kb kB at most"
  done
  [ "$(wc -l <"$folder/out.csv")" = 1000001 ]
  awk -v s="$user" -v t="$system" 'BEGIN { exit !(s + t < 5) }' || { echo "over 5 s"; bad=1; }
done
exit $bad
