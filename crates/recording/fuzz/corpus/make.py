"""Writes the first corpus of the fuzz targets, small files of every kind.

    python make.py        # pyarrow 26.0.1, asammdf 8.8.28, zstandard or the zstd program is not needed
"""
import gzip
import pathlib

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
from asammdf import MDF, Signal

here = pathlib.Path(__file__).parent


def put(kind, name, content):
    (here / kind / name).write_bytes(content)


plain = b"Time [s],Speed [km/h],Gear [-]\n0.00,36,1\n0.02,37,1\n0.04,38,2\n"
put("csv", "plain", plain)
put("csv", "german", "t;v_mps;ay_g\r\n0,00;10;0,1\r\n0,02;11;0,2\r\n".encode())
put("csv", "units_below", b"Car,first\n\nTime\tSpeed\tYaw rate\ns\tkm/h\tdeg/s\n0\t36\t1\n1\t37\t2\n")
put("csv", "quoted", b'"Time [s]","Speed [km/h]"\n"0.0","36"\n"0.1","1e2"\n')
put("csv", "utf16", "Time [s],Speed [km/h]\n0,36\n1,37\n".encode("utf-16"))
put("csv", "latin1", "Time [s],Air temp [°C]\n0,20\n1,21\n".encode("latin-1"))
put("packed", "plain.gz", gzip.compress(plain, mtime=0))
put("map", "all", b"""separator = ";"
decimal_mark = ","
ignore = ["comment"]
rate_hz = 100
fuel_density_kg_per_l = 0.745
[source]
name = "logger"
columns = ["a", "b"]
[channels.accel_y]
column = "ay_g"
unit = "g"
sign = -1
scale = 2
offset = 0.5
delay_s = 0.1
""")
t = np.arange(20) * 0.05
tab = pa.table({"time [s]": t, "speed [m/s]": (30 + t).astype("f4"), "lap": pa.array([None, 1] * 10, pa.int32())})
for codec in ("none", "snappy", "zstd", "gzip"):
    pq.write_table(tab, here / "parquet" / codec, compression=codec)
for name, compression in (("plain", 0), ("deflated", 1), ("transposed", 2)):
    m = MDF(version="4.10")
    m.append([
        Signal((1000 + t * 100).astype("u2"), t, name="speed", unit="m/s", conversion={"a": 0.01, "b": 0.5}),
        Signal(t, t, name="yaw_rate", unit="rad/s"),
    ])
    m.append([Signal(t[::4], t[::4], name="fuel", unit="kg")])
    path = here / "mdf" / f"{name}.mf4"
    m.save(path, compression=compression, overwrite=True)
    path.rename(here / "mdf" / name)
