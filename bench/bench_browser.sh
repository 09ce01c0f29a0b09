#!/usr/bin/env bash
# The page with an exam of 60 objects in a real browser; see bench_browser.mjs.
set -euo pipefail
cd "$(dirname "$0")/.."
exec node bench/bench_browser.mjs
