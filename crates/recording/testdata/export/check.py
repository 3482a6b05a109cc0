"""Reads exported files with other libraries and compares every number to the last bit; used by tests/export.rs.

    python check.py FOLDER     # asammdf 8.8.28, pyarrow 26.0.1, numpy 2.4.6

FOLDER holds drive.csv, drive.parquet, drive.mf4 and expected/NAME.f64, the raw doubles of each column. Prints how many
numbers agreed.
"""
import pathlib
import sys

import numpy as np
import pyarrow.csv as pc
import pyarrow.parquet as pq
from asammdf import MDF

folder = pathlib.Path(sys.argv[1])
expected = {p.stem: np.fromfile(p, "<f8") for p in (folder / "expected").glob("*.f64")}
agreed = 0


def same(what, got, name):
    global agreed
    want = expected[name]
    got = np.asarray(got, dtype="<f8")
    assert got.shape == want.shape, (what, name, got.shape, want.shape)
    missing = np.isnan(want)
    assert (np.isnan(got) == missing).all(), (what, name)
    assert (got[~missing].view("<u8") == want[~missing].view("<u8")).all(), (what, name)
    agreed += len(want)


def table(what, tab):
    assert len(tab.column_names) == len(expected), tab.column_names
    for heading in tab.column_names:
        name, unit = heading[:-1].split(" [")
        assert unit, heading
        same(what, tab.column(heading).cast("float64").to_numpy(zero_copy_only=False), name)


table("parquet", pq.read_table(folder / "drive.parquet"))
table("csv", pc.read_csv(folder / "drive.csv"))
with MDF(folder / "drive.mf4") as mdf:
    assert mdf.version == "4.10", mdf.version
    for name in expected:
        if name == "time":
            continue
        signal = mdf.get(name)
        assert signal.unit, name
        same("mdf", signal.samples, name)
        same("mdf", signal.timestamps, "time")
print(agreed)
