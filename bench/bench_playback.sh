#!/usr/bin/env bash
# How smoothly a clip plays in a real browser: see bench_playback.mjs.
set -euo pipefail
cd "$(dirname "$0")/.."
exec node bench/bench_playback.mjs
