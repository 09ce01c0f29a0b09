#!/usr/bin/env bash
# From the last picture to the signature at a human pace, in a real browser: two minutes are allowed. The way is that of
# tests/e2e/test_arrival_to_signature.mjs.
set -euo pipefail
cd "$(dirname "$0")/.."
AT_PACE=1 exec node tests/e2e/test_arrival_to_signature.mjs
