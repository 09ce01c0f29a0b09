#!/usr/bin/env bash
# How smoothly a clip plays in a real browser: tests/e2e/test_clip_playback.mjs with its bound of 2 % missed frames.
set -euo pipefail
cd "$(dirname "$0")/.."
CLIP_SMOOTH=1 exec node tests/e2e/test_clip_playback.mjs
