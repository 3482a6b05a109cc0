"""Import of text against pyarrow.csv.read_csv, on the same file, in turns, both on all cores.

    cargo bench -p recording --no-run              # or once `cargo bench`, which writes the file
    python compare/pyarrow_csv.py FILE -- COMMAND  # COMMAND prints 'read in S s', e.g. the example `inspect`

Ours turns the numbers into SI, cleans the clock and judges every channel as well; pyarrow only parses.
"""
import re
import resource
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



def children_s():
    """Processor time of ended child processes, the start of the program and its printing included."""
    usage = resource.getrusage(resource.RUSAGE_CHILDREN)
    return usage.ru_utime + usage.ru_stime


theirs, ours, their_busy, our_busy = [], [], [], []
for _ in range(ROUNDS):
    start, busy = time.perf_counter(), time.process_time()
    table = pyarrow.csv.read_csv(path)
    theirs.append(time.perf_counter() - start)
    their_busy.append(time.process_time() - busy)
    rows = table.num_rows
    del table
    busy = children_s()
    text = subprocess.run([*command, path], check=True, capture_output=True, text=True).stdout
    our_busy.append(children_s() - busy)
    assert f"{rows} rows" in text, text.splitlines()[0]
    ours.append(float(re.search(r"read in ([0-9.]+) s", text).group(1)))

for name, seconds in (("pyarrow " + pyarrow.__version__, theirs), ("ours", ours)):
    median = statistics.median(seconds)
    print(f"{name}: {size / median / 1e6:.0f} MB/s (median of {ROUNDS}; {min(seconds):.3f} to {max(seconds):.3f} s)")
print(f"ratio: {statistics.median(theirs) / statistics.median(ours):.2f} times as fast as pyarrow")
print(f"processor time: {statistics.median(their_busy):.3f} s, ours {statistics.median(our_busy):.3f} s")
