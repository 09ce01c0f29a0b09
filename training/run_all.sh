#!/bin/bash
# usage: run_all.sh PACK OUT SECONDS SCRIPT...   e.g. run_all.sh pack.npz out 500 train.py train_refine.py train_ends.py
# Five folds and the final model (fold 5) of each script, side by side on the GPUs there are.
here=$(cd $(dirname $0) && pwd); n=$(nvidia-smi -L | wc -l); i=0; pack=$1; out=$2; sec=$3; shift 3
for f in 5 0 1 2 3 4; do
  for s in "$@"; do
    CUDA_VISIBLE_DEVICES=$((i % n)) PYTHONUNBUFFERED=1 python3 $here/$s $pack $out $f $sec > /tmp/$s.$f.log 2>&1 &
  done
  i=$((i+1))
done
wait
for s in "$@"; do for f in 0 1 2 3 4 5; do grep -E 'step [0-9]*000|done|HC|AC|FL|^ ?\[|Error|error' /tmp/$s.$f.log | tail -n 5; done; done
