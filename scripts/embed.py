#!/usr/bin/env python3
"""Write a C file that holds files of the tree (with .incbin) and a table of them sorted by path.

usage: embed.py OUT.c DEPFILE PREFIX=FOLDER_OR_FILE...
"""
import os
import sys


def main():
    out, depfile, *sources = sys.argv[1:]
    entries = []
    watched = set()  # every folder walked, so that a file added to any of them is noticed
    for source in sources:
        prefix, path = source.split('=', 1)
        if os.path.isfile(path):
            entries.append((prefix, path))
            continue
        for root, folders, names in os.walk(path):
            folders.sort()
            watched.add(root)
            for name in sorted(names):
                full = os.path.join(root, name)
                key = os.path.relpath(full, path)
                if not name.startswith('.') and name != 'meson.build':
                    entries.append((f'{prefix}/{key}' if prefix else key, full))
    entries.sort(key=lambda e: e[0].encode())
    with open(out, 'w') as f:
        f.write('#include <stddef.h>\n#include "core_resource.h"\n'
                'extern const ogv_resource ogv_resource_table[];\nextern const size_t ogv_resource_count;\n')
        for i, (_, path) in enumerate(entries):
            f.write(f'__asm__(".section .rodata\\n.balign 64\\n.global ogv_res_{i}\\nogv_res_{i}:\\n'
                    f'.incbin \\"{os.path.abspath(path)}\\"\\n.byte 0\\n.previous\\n");\n'
                    f'extern const unsigned char ogv_res_{i}[];\n')
        f.write('const ogv_resource ogv_resource_table[] = {\n')
        for i, (key, path) in enumerate(entries):
            f.write(f'  {{"{key}", ogv_res_{i}, {os.path.getsize(path)}}},\n')
        f.write(f'  {{NULL, NULL, 0}}}};\nconst size_t ogv_resource_count = {len(entries)};\n')
    with open(depfile, 'w') as f:
        f.write(out + ': ' + ' '.join(sorted({p for _, p in entries} | watched)) + '\n')


main()
