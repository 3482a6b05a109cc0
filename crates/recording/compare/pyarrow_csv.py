"""Import of text against pyarrow.csv.read_csv, on the same file, in turns, both on all cores.

    cargo bench -p recording --no-run              # or once `cargo bench`, which writes the file
    python compare/pyarrow_csv.py FILE -- COMMAND  # COMMAND prints 'read in S s', e.g. the example `inspect`

Ours turns the numbers into SI, cleans the clock and judges every channel as well; pyarrow only parses.
"""
import re
import statistics
import subprocess
import sys
import time

import pyarrow
import pyarrow.csv

ROUNDS = 9
at = sys.argv.index("--")
path, command = sys.argv[1], sys.argv[at + 1 :]
with open(path, "rb") as f:
    size = len(f.read())

theirs, ours = [], []
for _ in range(ROUNDS):
    start = time.perf_counter()
    table = pyarrow.csv.read_csv(path)
    theirs.append(time.perf_counter() - start)
    rows = table.num_rows
    del table
    text = subprocess.run([*command, path], check=True, capture_output=True, text=True).stdout
    assert f"{rows} rows" in text, text.splitlines()[0]
    ours.append(float(re.search(r"read in ([0-9.]+) s", text).group(1)))

for name, seconds in (("pyarrow " + pyarrow.__version__, theirs), ("ours", ours)):
    median = statistics.median(seconds)
    print(f"{name}: {size / median / 1e6:.0f} MB/s (median of {ROUNDS}; {min(seconds):.3f} to {max(seconds):.3f} s)")
print(f"ratio: {statistics.median(theirs) / statistics.median(ours):.2f} times as fast as pyarrow")
