#!/usr/bin/env python3
"""Golden values for periodic splines, from SciPy.

    python3 make.py > golden.json        (made with numpy 2.4.6, scipy 1.17.1)

Uneven knots, an arbitrary smooth function plus fixed noise.
* interpolate: scipy.interpolate.CubicSpline(bc_type='periodic'), value and two derivatives.
* smooth: SciPy has no periodic smoothing spline with a given penalty. scipy.interpolate.make_smoothing_spline (the same
  sum of weighted squares + lam * integral of f''^2, natural ends) on nine periods side by side: the influence of the
  ends fades like exp(-distance * (w/lam)^(1/4) / sqrt(2)), so the middle period is periodic to rounding.
"""
import json
import sys
import numpy as np
from scipy.interpolate import CubicSpline, make_smoothing_spline

rng = np.random.default_rng(20240229)
n, period = 24, 30.0
knots = np.sort(np.linspace(0, period, n, endpoint=False) + rng.uniform(-0.35, 0.35, n))
values = 3 * np.sin(2 * np.pi * knots / period) + np.cos(6 * np.pi * knots / period) + rng.normal(0, 0.2, n)
weights = rng.uniform(0.5, 2.0, n)
u = np.sort(rng.uniform(knots[0] - 10, knots[0] + period + 10, 40))

c = CubicSpline(np.append(knots, knots[0] + period), np.append(values, values[0]), bc_type="periodic")
out = {
    "period": period, "knots": knots.tolist(), "values": values.tolist(), "weights": weights.tolist(), "u": u.tolist(),
    "interpolate": [c(u, d).tolist() for d in range(3)], "smooth": [],
}
inside = knots[0] + np.mod(u - knots[0], period)
for lam in (0.1, 2.0):
    copies = range(-4, 5)
    t = np.concatenate([knots + k * period for k in copies])
    s = make_smoothing_spline(t, np.tile(values, 9), np.tile(weights, 9), lam=lam)
    out["smooth"].append({"lambda": lam, "at": [s.derivative(d)(inside).tolist() if d else s(inside).tolist() for d in range(3)]})
json.dump(out, sys.stdout)
print()
