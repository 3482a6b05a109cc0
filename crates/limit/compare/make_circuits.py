"""Draws the invented circuits in ../testdata (fixed seeds, no input). Run: python make_circuits.py

vellmoor      fast and flowing, 5 km, points 5 m apart
quarrin_quay  streets: right angles and two hairpins, 7 to 9 m wide, points unevenly 3 to 8 m apart
knotfield     crosses itself, points 2 m apart
"""

import pathlib

import numpy as np
from scipy.interpolate import CubicSpline
from scipy.optimize import least_squares

OUT = pathlib.Path(__file__).resolve().parent.parent / "testdata"


def write(name, x, y, left, right):
    with open(OUT / f"{name}.csv", "w", newline="\n") as f:
        f.write("x [m],y [m],width_left [m],width_right [m]\n")
        for row in zip(x, y, left, right):
            f.write(",".join(f"{v:.3f}" for v in row) + "\n")


def resample(x, y, spacing):
    """Points along a dense closed polyline at given distances, or evenly."""
    x, y = np.append(x, x[0]), np.append(y, y[0])
    s = np.concatenate([[0], np.cumsum(np.hypot(np.diff(x), np.diff(y)))])
    spline = CubicSpline(s, np.column_stack([x, y]), bc_type="periodic")
    at = np.arange(round(s[-1] / spacing)) * s[-1] / round(s[-1] / spacing) if np.isscalar(spacing) else spacing(s[-1])
    return spline(at).T


def vellmoor():
    t = np.linspace(0, 2 * np.pi, 20000, endpoint=False)
    r = 640 + 150 * np.cos(2 * t + 0.4) + 70 * np.sin(5 * t) + 28 * np.cos(9 * t + 1.0) + 9 * np.sin(16 * t)
    x, y = resample(r * np.cos(t), r * np.sin(t), 5.0)
    k = np.arange(len(x)) / len(x) * 2 * np.pi
    write("vellmoor", x, y, 5.5 + np.sin(3 * k), 6.0 + 0.8 * np.cos(5 * k))


def quarrin_quay():
    """Straights and rounded corners; the last two straights close the loop."""
    corners = np.radians([90, 90, -90, 90, 180, -180, 90, 90, -90, 90, 90])  # turning, sums to 450 - 90
    corners[-1] = 2 * np.pi - corners[:-1].sum()
    radius = np.array([14, 12, 11, 15, 9, 9.5, 13, 12, 16, 12, 14.0])
    base = np.array([260, 150, 120, 170, 90, 150, 130, 240, 160, 200, 180.0])

    def trace(straights, ds=0.25):
        heading, pieces = 0.0, []
        for length, turn, r in zip(straights, corners, radius):
            pieces.append(np.zeros(max(1, round(length / ds))))
            arc = abs(turn) * r * 1.5  # raised-cosine curvature: no jumps, peak a third above the circle's
            n = max(8, round(arc / ds))
            u = (np.arange(n) + 0.5) / n
            shape = np.clip(np.minimum(u, 1 - u) * 4, 0, 1)
            pieces.append(shape / shape.sum() * turn / ds)
        k = np.concatenate(pieces)
        psi = heading + np.cumsum(k) * ds - k * ds / 2
        return np.cumsum(np.cos(psi)) * ds, np.cumsum(np.sin(psi)) * ds

    def gap(p):
        lengths = base.copy()
        lengths[[0, 1, 7, 10]] = p
        # continuous in the lengths: the rounding is made good below
        x, y = trace(lengths)
        return [x[-1], y[-1], *(0.01 * (np.asarray(p) - base[[0, 1, 7, 10]]))]

    best = least_squares(gap, base[[0, 1, 7, 10]], bounds=(60, 900), diff_step=0.02)
    lengths = base.copy()
    lengths[[0, 1, 7, 10]] = best.x
    x, y = trace(lengths)
    # The rest of the gap is spread over the lap.
    share = np.arange(1, len(x) + 1) / len(x)
    x, y = x - share * x[-1], y - share * y[-1]
    rng = np.random.default_rng(7)

    def uneven(length):
        at = np.cumsum(rng.uniform(3, 8, int(length / 5.5) + 50))
        return np.concatenate([[0], at[at < length - 4]])

    x, y = resample(x, y, uneven)
    k = np.arange(len(x)) / len(x) * 2 * np.pi
    write("quarrin_quay", x, y, 4.0 + 0.4 * np.sin(2 * k), 3.8 + 0.4 * np.cos(3 * k))


def knotfield():
    t = np.linspace(0, 2 * np.pi, 20000, endpoint=False)
    x = 420 * np.sin(t) + 45 * np.sin(4 * t)
    y = 230 * np.sin(2 * t) + 30 * np.cos(5 * t)
    x, y = resample(x, y, 2.0)
    write("knotfield", x, y, np.full(len(x), 5.0), np.full(len(x), 5.0))


vellmoor()
quarrin_quay()
knotfield()
