"""Import of MDF 4 against asammdf reading every channel, on the same files, in turns.

    python compare/asammdf_select.py FOLDER -- COMMAND  # COMMAND prints 'read in S s', e.g. the example `inspect`

Writes two files of 60 channels and an hour at 100 Hz into FOLDER, plain and transposed and deflated. Both sides end with all
values in memory as physical numbers; ours turns them into SI, cleans the clock and judges every channel as well.
"""
import pathlib
import re
import resource
import statistics
import subprocess
import sys
import time

import asammdf
import numpy as np

ROUNDS = 7
at = sys.argv.index("--")
folder, command = pathlib.Path(sys.argv[1]), sys.argv[at + 1 :]
WHEELS = ["fl", "fr", "rl", "rr"]
SINGLES = [
    ("lap_distance", "m"), ("x", "m"), ("y", "m"), ("speed", "m/s"), ("accel_x", "m/s2"), ("accel_y", "m/s2"), ("yaw_rate", "rad/s"),
    ("heading", "rad"), ("throttle", ""), ("brake", ""), ("steering_wheel_angle", "rad"), ("engine_speed", "rad/s"), ("fuel", "kg"),
    ("force_feedback_command", ""), ("brake_pressure_front", "Pa"), ("brake_pressure_rear", "Pa"),
]
BY_WHEEL = [
    ("wheel_speed", "m/s"), ("tyre_pressure", "Pa"), ("tyre_core_temp", "K"), ("tyre_temp_inner", "K"), ("tyre_temp_middle", "K"),
    ("tyre_temp_outer", "K"), ("slip_ratio", ""), ("slip_angle", "rad"), ("tyre_load", "N"), ("brake_temp", "K"), ("damper_travel", "m"),
]
names = SINGLES + [(f"{n}_{w}", u) for n, u in BY_WHEEL for w in WHEELS]


def write(path, compression):
    if path.exists():
        return
    t = np.arange(360_000) * 0.01
    signals = []
    for i, (name, unit) in enumerate(names):
        values = np.round(300 + 50 * np.sin(t * (0.11 + 0.013 * i) + i), 2).astype("<f4")
        signals.append(asammdf.Signal(values, t, unit=unit, name=name))
    with asammdf.MDF(version="4.10") as mdf:
        mdf.append(signals)
        mdf.save(path, compression=compression)


def theirs(path):
    start, busy = time.perf_counter(), time.process_time()
    with asammdf.MDF(path) as mdf:
        count = sum(len(s.samples) for s in mdf.select([n for n, _ in names]))
    assert count == 360_000 * len(names)
    return time.perf_counter() - start, time.process_time() - busy


def ours(path):
    busy = children_s()
    text = subprocess.run([*command, str(path)], check=True, capture_output=True, text=True).stdout
    assert f"{len(names)} channels, 360000 stamps" in text, text
    return float(re.search(r"read in ([0-9.]+) s", text).group(1)), children_s() - busy


def children_s():
    """Processor time of ended child processes, the start of the program and its printing included."""
    usage = resource.getrusage(resource.RUSAGE_CHILDREN)
    return usage.ru_utime + usage.ru_stime


for name, compression in (("plain", 0), ("transposed", 2)):
    path = folder / f"mdf-{name}.mf4"
    write(path, compression)
    rounds = [theirs(path) + ours(path) for _ in range(ROUNDS)]
    wall, busy, our_wall, our_busy = (statistics.median(column) for column in zip(*rounds))
    print(f"{name}, {path.stat().st_size / 1e6:.0f} MB, medians of {ROUNDS}:")
    print(f"  elapsed: asammdf {asammdf.__version__} {wall:.3f} s, ours {our_wall:.3f} s, {wall / our_wall:.1f} times as fast")
    print(f"  processor: {busy:.3f} s, ours {our_busy:.3f} s, {busy / our_busy:.1f} times less")
