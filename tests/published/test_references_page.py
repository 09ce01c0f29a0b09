#!/usr/bin/env python3
"""docs/references.md says what the chart, formula and rule files say."""
import os
import subprocess
import sys

root = os.environ.get('SOURCE_ROOT') or os.path.join(os.path.dirname(os.path.abspath(__file__)), '../..')
sys.exit(subprocess.run([sys.executable, os.path.join(root, 'scripts/references.py'), '--check']).returncode)
