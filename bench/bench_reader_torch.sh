#!/bin/sh
# The reader's first network in a general-purpose runtime, where one is installed.
exec /usr/bin/python3 "$SOURCE_ROOT/bench/reader_torch.py" "$SOURCE_ROOT/models/reader-maps.ogvnet"
