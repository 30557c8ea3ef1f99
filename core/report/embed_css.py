# SPDX-License-Identifier: Apache-2.0
"""Writes NAME.css as the C string evl_NAME_css: embed_css.py NAME.css OUT.c"""
import os
import sys

with open(sys.argv[1], encoding="utf-8") as f:
    lines = [line.strip() for line in f.read().splitlines()]
# Comments stand on lines of their own.
lines = [line for line in lines if line and not line.startswith("/*")]
with open(sys.argv[2], "w", encoding="utf-8") as f:
    name = os.path.splitext(os.path.basename(sys.argv[1]))[0]
    f.write(f"/* made by embed_css.py from {name}.css */\n")
    f.write("#include \"core/report/report_css.h\"\n\n")
    # Bytes, because ISO C promises no string literal longer than 4095.
    data = ("\n".join(lines) + "\n").encode("ascii")
    f.write(f"const char evl_{name}_css[] = {{\n")
    for i in range(0, len(data), 16):
        f.write("\t" + " ".join(f"{b}," for b in data[i : i + 16]) + "\n")
    f.write("\t0};\n")
