"""Writes the MDF 4 files of this folder and expected.csv, what asammdf reads from them.

    python make.py          # asammdf 8.8.28, numpy 2.4.6

`plain`, `deflated` and `transposed` hold the same channels and are written by asammdf. `unsorted` is written here byte by
byte from the published block layout, since asammdf writes no unsorted file: records of three groups mixed, one of them of
variable length, big-endian numbers, odd bit widths, invalid samples, a computed time, a list of data blocks that cuts
records in the middle. asammdf reads the same numbers from it, but leaves out the last records, so what was written is
expected, after a check that all that asammdf reads is the same. `unfinished` is the file of a logger that was switched off.
"""
import struct
import zlib

import numpy as np
from asammdf import MDF, Signal
from asammdf.blocks import v4_blocks as blocks
from asammdf.blocks import v4_constants as const

N = 200
t1 = np.arange(N) * 0.01
t2 = np.arange(N // 5) * 0.05 + 0.003


def conversion(kind, **fields):
    return blocks.ChannelConversion(conversion_type=kind, **fields)


def table(pairs, kind):
    fields = {}
    for i, (raw, phys) in enumerate(pairs):
        fields[f"raw_{i}"] = raw
        fields[f"phys_{i}"] = phys
    return conversion(kind, val_param_nr=2 * len(pairs), ref_param_nr=0, links_nr=4, **fields)


def ranges(triples, default):
    fields = {"default": default}
    for i, (lower, upper, phys) in enumerate(triples):
        fields[f"lower_{i}"] = lower
        fields[f"upper_{i}"] = upper
        fields[f"phys_{i}"] = phys
    return conversion(const.CONVERSION_TYPE_RTAB, val_param_nr=3 * len(triples) + 1, ref_param_nr=0, links_nr=4, **fields)


wave = np.sin(t1 * 7)
saw = np.arange(N) % 23
fast = [
    Signal((wave * 50).astype("<f4"), t1, unit="m/s", name="speed"),
    Signal(wave * 1e3, t1, unit="m", name="x"),
    Signal((saw - 11).astype("<i2"), t1, unit="m", name="y", conversion=conversion(const.CONVERSION_TYPE_LIN, a=0.25, b=-3.0)),
    Signal(saw.astype("u1"), t1, unit="", name="gear"),
    Signal((saw * 1000).astype("<u4"), t1, unit="rad/s", name="engine_speed", conversion=conversion(const.CONVERSION_TYPE_RAT, P1=0, P2=1, P3=5, P4=0, P5=0, P6=100)),
    Signal((saw - 5).astype("<i4"), t1, unit="K", name="air_temp", conversion=table([(0, 280.0), (4, 290.0), (10, 285.5)], const.CONVERSION_TYPE_TABI)),
    Signal((saw - 5).astype("<i4"), t1, unit="K", name="track_temp", conversion=table([(0, 280.0), (4, 290.0), (10, 285.5)], const.CONVERSION_TYPE_TAB)),
    # Real numbers only: asammdf 8.8.28 reads ranges of whole numbers in a way of its own.
    Signal(saw - 5.5, t1, unit="", name="brake_bias", conversion=ranges([(0, 4, 0.5), (5, 9, 0.6)], 0.4)),
    Signal((wave * 10), t1, unit="", name="throttle", conversion=ranges([(0, 4, 0.5), (4, 9, 0.6)], 0.4)),
    Signal((saw - 11).astype("<i8") * 10**12, t1, unit="m", name="distance"),
    Signal(np.array([b"text"] * N), t1, unit="", name="comment", encoding="utf-8"),
]
slow = [
    Signal(np.linspace(300, 350, len(t2)).astype("<f8"), t2, unit="K", name="tyre_core_temp_fl"),
    Signal(np.linspace(60, 50, len(t2)).astype("<f4"), t2, unit="kg", name="fuel"),
    # A copy of a channel of the first group: taken once.
    Signal(np.zeros(len(t2)), t2, unit="m/s", name="speed"),
]


def write(name, compression):
    mdf = MDF(version="4.10")
    mdf.configure(write_fragment_size=2000)
    mdf.append(fast, comment="fast")
    mdf.append(slow, comment="slow")
    mdf.save(name, compression=compression, overwrite=True)


write("plain.mf4", 0)
write("deflated.mf4", 1)
write("transposed.mf4", 2)


class Writer:
    """Blocks at the end of a growing file, linked by their position."""

    def __init__(self, magic, flags=0):
        self.out = bytearray(struct.pack("<8s8s8s4sH30sHH", magic, b"4.10    ", b"byhand  ", b"", 410, b"", flags, 0))
        assert len(self.out) == 64

    def block(self, name, links, data):
        at = len(self.out)
        length = 24 + 8 * len(links) + len(data)
        self.out += struct.pack("<4sIQQ", b"##" + name, 0, length, len(links))
        self.out += struct.pack(f"<{len(links)}Q", *links) + data
        self.out += bytes(-len(self.out) % 8)
        return at

    def text(self, s):
        return self.block(b"TX", [], s.encode() + b"\0")

    def link(self, at, n, to):
        struct.pack_into("<Q", self.out, at + 24 + 8 * n, to)


def cn(w, following, name, unit, kind, sync, data_type, bit_offset, byte_offset, bits, flags=0, invalid=0, cc=0):
    data = struct.pack("<BBBBIIIIBBHdddddd", kind, sync, data_type, bit_offset, byte_offset, bits, flags, invalid, 0, 0, 0, *[0.0] * 6)
    unit_at = w.text(unit) if unit else 0
    return w.block(b"CN", [following, 0, w.text(name), 0, cc, 0, unit_at, 0], data)


def cg(w, following, first, name, record_id, cycles, data_bytes, invalid_bytes, flags=0):
    data = struct.pack("<QQHHIII", record_id, cycles, flags, 0, 0, data_bytes, invalid_bytes)
    return w.block(b"CG", [following, first, w.text(name), 0, 0, 0], data)


def header(w):
    hd = w.block(b"HD", [0] * 6, struct.pack("<QhhBBBBdd", 1_767_323_045_250_000_000, 0, 0, 0, 0, 0, 0, 0.0, 0.0))
    md = w.block(b"MD", [], b'<HDcomment><TX>by hand</TX><common_properties><e name="venue">nowhere &amp; around</e></common_properties></HDcomment>\0')
    w.link(hd, 5, md)
    return hd


def linear(w, offset, factor):
    return w.block(b"CC", [0] * 4, struct.pack("<BBHHHdddd", 1, 0, 0, 0, 2, 0.0, 0.0, offset, factor))


def unsorted(name):
    w = Writer(b"MDF     ")
    hd = header(w)
    # Group 1: 11 bytes and one of invalidation: time f64 BE, 12 bits from bit 3 signed, 24 bits BE unsigned.
    first = cn(w, 0, "lap", "", 0, 0, 1, 0, 10, 24)
    first = cn(w, first, "y", "m", 0, 0, 2, 3, 8, 12, flags=2, invalid=1)
    first = cn(w, first, "t", "s", 2, 1, 5, 0, 0, 64)
    g1 = cg(w, 0, first, "by event", 7, 60, 13, 1)
    # Group 2: computed time of 0.02 s a record, two floats.
    first = cn(w, 0, "accel_y", "m/s2", 0, 0, 5, 0, 4, 32)
    first = cn(w, first, "accel_x", "m/s2", 0, 0, 4, 0, 0, 32)
    first = cn(w, first, "t", "s", 3, 1, 0, 0, 0, 0, cc=linear(w, 0.5, 0.02))
    g2 = cg(w, g1, first, "steady", 9, 90, 8, 0)
    g3 = cg(w, g2, 0, "texts", 3, 30, 0, 0, flags=1)
    records = bytearray()
    expected = {"accel_x": [], "accel_y": [], "lap": [], "y": []}
    for i in range(90):
        records += struct.pack("<H", 9) + struct.pack("<f", i * 0.1) + struct.pack(">f", -i * 0.2)
        expected["accel_x"].append((i * 0.02 + 0.5, np.float32(i * 0.1)))
        expected["accel_y"].append((i * 0.02 + 0.5, np.float32(-i * 0.2)))
        if i % 3 != 2:
            value = ((i * 37) % 4096 - 2048) & 0xFFF
            packed = struct.pack("<H", value << 3 | 5)
            time = i * 0.02 + (i % 5) * 1e-3
            signed = value - 4096 if value >= 2048 else value
            expected["lap"].append((time, i * 1000))
            expected["y"].append((time, np.nan if i % 10 == 0 else signed))
            records += struct.pack("<H", 7) + struct.pack(">d", time)
            records += packed + (i * 1000).to_bytes(3, "big") + bytes([2 if i % 10 == 0 else 0])
        else:
            records += struct.pack("<HI", 3, i % 7) + b"x" * (i % 7)
    third = len(records) // 3 + 5
    parts = [records[:third], records[third : 2 * third], records[2 * third :]]
    at = [w.block(b"DT", [], bytes(parts[0]))]
    packed = zlib.compress(bytes(parts[1]))
    at.append(w.block(b"DZ", [], struct.pack("<2sBBIQQ", b"DT", 0, 0, 0, len(parts[1]), len(packed)) + packed))
    at.append(w.block(b"DT", [], bytes(parts[2])))
    offsets = [0, third, 2 * third]
    last = w.block(b"DL", [0, at[2]], struct.pack("<B3sI1Q", 0, b"", 1, offsets[2]))
    dl = w.block(b"DL", [last, at[0], at[1]], struct.pack("<B3sI2Q", 0, b"", 2, *offsets[:2]))
    hl = w.block(b"HL", [dl], struct.pack("<HB5s", 0, 0, b""))
    dg = w.block(b"DG", [0, g3, hl, 0], struct.pack("<B7s", 2, b""))
    w.link(hd, 0, dg)
    with open(name, "wb") as f:
        f.write(w.out)
    return expected


def unfinished(name):
    """Counters still at zero, the last data block without its length, half a record at the end."""
    w = Writer(b"UnFinMF ", flags=0b101)
    hd = header(w)
    first = cn(w, 0, "speed", "m/s", 0, 0, 4, 0, 8, 32)
    first = cn(w, first, "t", "s", 2, 1, 4, 0, 0, 64)
    g = cg(w, 0, first, "", 0, 0, 12, 0)
    dg = w.block(b"DG", [0, g, 0, 0], struct.pack("<B7s", 0, b""))
    w.link(hd, 0, dg)
    dt = w.block(b"DT", [], b"")
    w.link(dg, 2, dt)
    for i in range(40):
        w.out += struct.pack("<df", i * 0.02, 10 + i * 0.5)
    w.out += b"12345"
    with open(name, "wb") as f:
        f.write(w.out)


written = unsorted("unsorted.mf4")
unfinished("unfinished.mf4")



def read(name):
    """Times and values of each channel as asammdf reads them, invalid samples as nan."""
    channels = {}
    with MDF(name) as mdf:
        for g, group in enumerate(mdf.groups):
            for c, channel in enumerate(group.channels):
                if channel.name in ("t", "time", "comment") or channel.name in channels:
                    continue
                signal = mdf.get(group=g, index=c, ignore_invalidation_bits=True)
                values = signal.samples.astype(float)
                if signal.invalidation_bits is not None:
                    values = np.where(np.asarray(signal.invalidation_bits), np.nan, values)
                channels[channel.name] = np.column_stack([signal.timestamps, values])
    return channels


for channel, pairs in read("unsorted.mf4").items():
    assert len(pairs) > 50
    assert np.array_equal(pairs, np.array(written[channel], float)[: len(pairs)], equal_nan=True), channel

with open("expected.csv", "w") as out:
    out.write("# file, channel, then times and values in turn as asammdf reads them; nan where a sample is invalid\n")
    for name in ("plain", "deflated", "transposed", "unsorted"):
        channels = written if name == "unsorted" else read(f"{name}.mf4")
        for channel, pairs in channels.items():
            out.write(f"{name},{channel}," + ",".join(repr(float(v)) for v in np.ravel(pairs)) + "\n")
