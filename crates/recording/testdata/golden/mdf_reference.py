"""Writes mdf_reference.csv: what asammdf reads from the reference recording.

    python mdf_reference.py ../../../../../shared/recordings/varrenfold-reference.mf4 > mdf_reference.csv
"""
import sys

import asammdf

with asammdf.MDF(sys.argv[1]) as mdf:
    names = [c.name for c in mdf.groups[0].channels if c.name != "time"]
    rows = len(mdf.get(names[0]).samples)
    print(f"# channel, rows, then the values of rows 0, 10000 and {rows - 1}; asammdf {asammdf.__version__}")
    for name in names:
        values = mdf.get(name).samples
        print(",".join([name, str(rows), *(repr(float(values[row])) for row in (0, 10000, rows - 1))]))
