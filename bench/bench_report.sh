#!/usr/bin/env bash
# A report of a 60-object exam: the goal is under 2 s and 200 MB on an ordinary PC. Prints seconds and peak memory.
set -euo pipefail
dir=$(mktemp -d)
trap 'rm -rf "$dir"' EXIT
export OGIVE_HOME=$dir/home
"$OGIVE" phantom --seed 3 --week 22w0d --objects 60 "$dir/exam" >/dev/null
"$OGIVE" init >/dev/null
"$OGIVE" import "$dir/exam" >/dev/null
for run in 1 2 3; do
  /usr/bin/python3 - "$OGIVE" "$dir/r.pdf" <<'PY'
import resource, subprocess, sys, time
t = time.time()
subprocess.run([sys.argv[1], 'report', 'latest', '-o', sys.argv[2]], check=True, stdout=subprocess.DEVNULL)
s, mb = time.time() - t, resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss / 1024
print(f'report of 60 objects: {s:.2f} s, {mb:.0f} MB')
sys.exit(0 if s < 2 and mb < 200 else 1)
PY
done
