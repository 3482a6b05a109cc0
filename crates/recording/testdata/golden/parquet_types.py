"""Writes parquet_types.parquet: one column for each numeric type that Parquet has, with nulls, NaN and infinities.

    python parquet_types.py
"""
import datetime
import decimal

import pyarrow
import pyarrow.parquet

D = decimal.Decimal
start = datetime.datetime(2026, 1, 2, 3, 4, 5, 250_000)
stamps = [start + datetime.timedelta(milliseconds=20 * i) for i in range(4)]


def field(name, kind, unit=None):
    return pyarrow.field(name, kind, metadata={"unit": unit} if unit else None)


columns = [
    (field("Time", pyarrow.timestamp("us")), stamps),
    (field("Lap", pyarrow.uint8()), [0, 0, 1, 255]),
    (field("Gear", pyarrow.int8()), [-1, 0, 1, 2]),
    (field("Speed", pyarrow.float32(), "km/h"), [36.0, None, float("nan"), 72.0]),
    (field("Position x [m]", pyarrow.float64()), [1.5, float("inf"), -2.5, 1e-3]),
    (field("Position y", pyarrow.float16(), "m"), [0.5, -2.0, 65504.0, 0.0]),
    (field("Throttle", pyarrow.decimal128(9, 3), "%"), [D("12.500"), D("0"), D("100"), D("99.999")]),
    (field("Brake", pyarrow.decimal128(38, 3), "%"), [D("12.500"), None, D("100"), D("-0.001")]),
    (field("Antilock active", pyarrow.bool_()), [False, True, None, True]),
    (field("Engine speed", pyarrow.uint16(), "1/min"), [900, 65535, 7000, 0]),
    (field("Fuel", pyarrow.int64(), "kg"), [45, 44, 43, 42]),
    (field("Distance", pyarrow.uint32(), "mm"), [4_294_967_295, 0, 1, 2]),
    (field("Brake bias", pyarrow.uint64(), "permille"), [500, 501, 502, 503]),
    (field("Driver", pyarrow.string()), ["a", "b", "c", "d"]),
    (field("Roll", pyarrow.string(), "deg"), ["0", "1", "2", "3"]),
    (field("Pitch", pyarrow.list_(pyarrow.float64())), [[0.0], [], [1.0], None]),
]
schema = pyarrow.schema([f for f, _ in columns], metadata={"venue": "nowhere"})
table = pyarrow.table([pyarrow.array(v, f.type) for f, v in columns], schema=schema)
pyarrow.parquet.write_table(table, "parquet_types.parquet", compression="zstd", row_group_size=3)
