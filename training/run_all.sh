#!/bin/bash
# usage: run_all.sh PACK OUT STEPS SECONDS SCRIPT [KIND]   e.g. run_all.sh pack.npz out 9000 400 train_round.py frame
# Five folds and the final network (fold 5), side by side on the GPUs there are. KIND is what train_round.py asks for.
here=$(cd "$(dirname "$0")" && pwd); n=$(nvidia-smi -L | wc -l); i=0
pack=$1; out=$2; steps=$3; seconds=$4; script=$5; kind=$6
for f in 5 0 1 2 3 4; do
  CUDA_VISIBLE_DEVICES=$((i % n)) PYTHONUNBUFFERED=1 python3 "$here/$script" $kind "$pack" "$out" $f "$steps" "$seconds" > "/tmp/$script.$kind$f.log" 2>&1 &
  i=$((i + 1))
done
wait
for f in 0 1 2 3 4 5; do tail -n 4 "/tmp/$script.$kind$f.log"; done
