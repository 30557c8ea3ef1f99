# SPDX-License-Identifier: Apache-2.0
"""Writes report.css as a C string: embed_css.py IN.css OUT.c"""
import sys

with open(sys.argv[1], encoding="utf-8") as f:
    lines = [line.strip() for line in f.read().splitlines()]
# Comments stand on lines of their own.
lines = [line for line in lines if line and not line.startswith("/*")]
with open(sys.argv[2], "w", encoding="utf-8") as f:
    f.write("/* made by embed_css.py from report.css */\n#include \"core/report/report_css.h\"\n\n")
    # Bytes, because ISO C promises no string literal longer than 4095.
    data = ("\n".join(lines) + "\n").encode("ascii")
    f.write("const char evl_report_css[] = {\n")
    for i in range(0, len(data), 16):
        f.write("\t" + " ".join(f"{b}," for b in data[i : i + 16]) + "\n")
    f.write("\t0};\n")
