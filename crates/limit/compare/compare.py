"""Solves limit laps with CasADi and Ipopt beside ours and prints lap times, errors and the ratio of times.

    cargo build --release -p limit --example limit_lap
    python compare.py --ours ../../../target/release/examples/limit_lap CIRCUIT.csv... [--step 3] [--repeat 3]
    python compare.py --golden ../testdata/golden.csv ../testdata/*.csv      (rewrites the golden values)

Needs numpy, scipy and casadi (https://web.casadi.org, LGPL; Ipopt, EPL) from the Python Package Index. Geometry, equations
and mesh are written here a second time, from their description, not from the Rust code: smoothed points
argmin |z - p|^2 + 0.01 |D3 z|^2, periodic cubic spline over the chord, widths linear in the chord, nodes even in arc length,
trapezoidal collocation with the heading change of the centre line exact. Solver time is the wall time of the call alone,
without building the expressions; the faster of Ipopt's default and adaptive barrier counts, as does the quickest of
`--repeat` runs on both sides.
"""

import argparse
import json
import pathlib
import subprocess
import time

import casadi as ca
import numpy as np
from scipy.interpolate import CubicSpline
from scipy.sparse import diags, identity
from scipy.sparse.linalg import spsolve

CAR = dict(m=1300.0, mu_x=1.60, mu_y=1.55, down=3.0, drag=1.1, power=380e3, share=0.62, width=2.0, rho=1.2, g=9.81)


def geometry(path, step):
    rows = np.genfromtxt(path, delimiter=",", names=None, skip_header=1)
    p, widths = rows[:, :2], rows[:, 2:]
    n = len(p)
    shift = lambda k: diags([1.0, 1.0], [k, k - n], shape=(n, n)) if k else identity(n)
    d3 = shift(3) - 3 * shift(2) + 3 * shift(1) - shift(0)
    z = spsolve((identity(n) + 0.01 * d3.T @ d3).tocsc(), p)
    closed = np.vstack([z, z[:1]])
    u = np.concatenate([[0], np.cumsum(np.hypot(*np.diff(closed, axis=0).T))])
    spline = CubicSpline(u, closed, bc_type="periodic")
    dense = np.unique(np.concatenate([np.linspace(a, b, 41) for a, b in zip(u[:-1], u[1:])]))
    node, weight = np.polynomial.legendre.leggauss(5)
    half = np.diff(dense)[:, None] / 2
    at = dense[:-1, None] + half * (1 + node)
    speed = np.hypot(*np.moveaxis(spline(at, 1), -1, 0))
    s = np.concatenate([[0], np.cumsum((speed * half) @ weight)])
    length = s[-1]
    count = round(length / step)
    inverse = CubicSpline(s, dense)
    uk = inverse(np.arange(count) * length / count)
    d1, d2 = spline(uk, 1), spline(uk, 2)
    kappa = (d1[:, 0] * d2[:, 1] - d1[:, 1] * d2[:, 0]) / np.hypot(d1[:, 0], d1[:, 1]) ** 3
    fine = spline(dense, 1)
    heading = np.unwrap(np.arctan2(fine[:, 1], fine[:, 0]))
    heading_k = np.interp(uk, dense, heading)
    # exact at the nodes, the branch from the unwrapped one
    exact = np.arctan2(d1[:, 1], d1[:, 0])
    exact += 2 * np.pi * np.round((heading_k - exact) / (2 * np.pi))
    turn = np.append(np.diff(exact), exact[0] + heading[-1] - heading[0] - exact[-1])
    w = np.vstack([widths, widths[:1]])
    left, right = np.interp(uk, u, w[:, 0]), np.interp(uk, u, w[:, 1])
    room = CAR["width"] / 2
    return dict(length=length, h=length / count, n=count, kappa=kappa, turn=turn, low=room - right, high=left - room)


def roll(x):
    return ca.vertcat(x[1:], x[0])


def options(adaptive):
    ipopt = {"print_level": 0, "max_iter": 1000, "tol": 1e-8}
    if adaptive:
        ipopt["mu_strategy"] = "adaptive"
    return {"ipopt": ipopt, "print_time": False}


def solve(nlp, start, bounds, repeat, both=True):
    best = None
    for adaptive in [False, True] if both else [False]:
        solver = ca.nlpsol("solver", "ipopt", nlp, options(adaptive))
        for _ in range(repeat):
            clock = time.perf_counter()
            solution = solver(x0=start, **bounds)
            spent = time.perf_counter() - clock
            stats = solver.stats()
            if stats["success"] and (best is None or spent < best[0]):
                best = (spent, solution, stats["iter_count"], "adaptive" if adaptive else "default")
    return best


def curvature(geo, repeat, both=True):
    n, h, kappa, turn = geo["n"], geo["h"], geo["kappa"], geo["turn"]
    x = ca.SX.sym("x", 3 * n)
    off, chi, k = x[:n], x[n : 2 * n], x[2 * n :] * 0.02
    along = (1 - off * kappa) / ca.cos(chi)
    f, g = (1 - off * kappa) * ca.tan(chi), k * along
    gaps = ca.vertcat(roll(off) - off - h / 2 * (f + roll(f)), roll(chi) - chi + turn - h / 2 * (g + roll(g)))
    cost = ca.sum1(h * k**2 * along) * 1e3
    start = np.concatenate([np.clip(0 * kappa, geo["low"] + 0.1, geo["high"] - 0.1), 0 * kappa, kappa / 0.02])
    big = np.full(n, 1e3)
    bounds = dict(lbx=np.concatenate([geo["low"], -1.4 + 0 * big, -big]), ubx=np.concatenate([geo["high"], 1.4 + 0 * big, big]), lbg=0, ubg=0)
    spent, solution, iterations, kind = solve({"x": x, "f": cost, "g": gaps}, start, bounds, repeat, both)
    v = np.array(solution["x"]).ravel()
    off, chi, k = v[:n], v[n : 2 * n], v[2 * n :] * 0.02
    along = (1 - off * kappa) / np.cos(chi)
    a, b = k, np.roll(k, -1)
    # the squared curvature, linear between the nodes, integrated exactly
    integral = np.sum(h * (along + np.roll(along, -1)) / 2 * (a * a + a * b + b * b) / 3)
    return dict(integral=integral, seconds=spent, iterations=iterations, kind=kind)


def minimum_time(geo, repeat, both=True):
    c, n, h, kappa, turn = CAR, geo["n"], geo["h"], geo["kappa"], geo["turn"]
    scale = np.array([5.0, 0.1, 30.0, 10.0, 10.0])
    x = ca.SX.sym("x", 5 * n)
    off, chi, v, at, ay = (x[i * n : (i + 1) * n] * scale[i] for i in range(5))
    tau = (1 - off * kappa) / (v * ca.cos(chi))
    ax = at - c["rho"] * c["drag"] * v**2 / (2 * c["m"])
    gz = c["g"] + c["rho"] * c["down"] * v**2 / (2 * c["m"])
    f = [(1 - off * kappa) * ca.tan(chi), ay / v * tau, ax * tau]
    gaps = [
        (roll(off) - off - h / 2 * (f[0] + roll(f[0]))) / scale[0],
        (roll(chi) - chi + turn - h / 2 * (f[1] + roll(f[1]))) / scale[1],
        (roll(v) - v - h / 2 * (f[2] + roll(f[2]))) / scale[2],
    ]
    grip = (at / (c["mu_x"] * gz)) ** 2 + (ay / (c["mu_y"] * gz)) ** 2
    limits = [grip, (at - c["share"] * c["mu_x"] * gz) / 10, at * v * c["m"] / c["power"]]
    lap = ca.sum1(h * tau)
    calm = sum(ca.sumsqr(roll(u) - u) for u in (x[3 * n : 4 * n], x[4 * n :]))
    one = np.ones(n)
    start = np.concatenate([np.clip(0, geo["low"] + 0.1, geo["high"] - 0.1) / scale[0], 0 * one, 20 / scale[2] * one, 0 * one, 0.5 * 400 * kappa / scale[4]])
    bounds = dict(
        lbx=np.concatenate([geo["low"] / scale[0], -14 * one, 2 / scale[2] * one, -9 * one, -9 * one]),
        ubx=np.concatenate([geo["high"] / scale[0], 14 * one, 150 / scale[2] * one, 9 * one, 9 * one]),
        lbg=np.concatenate([np.zeros(3 * n), np.full(3 * n, -np.inf)]),
        ubg=np.concatenate([np.zeros(3 * n), one, 0 * one, one]),
    )
    nlp = {"x": x, "f": lap + 1e-5 * calm, "g": ca.vertcat(*gaps, *limits)}
    found = solve(nlp, start, bounds, repeat, both)
    if found is None:
        return dict(lap=np.nan, seconds=np.nan, iterations=0, kind="failed")
    spent, solution, iterations, kind = found
    lap_time = float(ca.Function("lap", [x], [lap])(solution["x"]))
    return dict(lap=lap_time, seconds=spent, iterations=iterations, kind=kind)


def ours(binary, path, step, repeat):
    command = [binary, str(path), "--step", str(step), "--repeat", str(repeat)]
    return json.loads(subprocess.run(command, check=True, capture_output=True, text=True).stdout)


def main():
    parser = argparse.ArgumentParser()
    parser.add_argument("circuits", nargs="+", type=pathlib.Path)
    parser.add_argument("--ours")
    parser.add_argument("--golden", type=pathlib.Path)
    parser.add_argument("--step", type=float, default=3.0)
    parser.add_argument("--repeat", type=int, default=3)
    a = parser.parse_args()
    if a.golden:
        with open(a.golden, "w", newline="\n") as out:
            out.write("circuit,length [m],minimum_time_step_3m [s],minimum_time_step_1.5m [s],curvature_integral_step_3m [1/m]\n")
            for path in a.circuits:
                if path.stem == "golden":
                    continue
                coarse, fine = geometry(path, 3.0), geometry(path, 1.5)
                laps = [minimum_time(g, 1, both=False)["lap"] for g in (coarse, fine)]
                integral = curvature(coarse, 1, both=False)["integral"]
                out.write(f"{path.stem},{coarse['length']:.4f},{laps[0]:.4f},{laps[1]:.4f},{integral:.7f}\n")
                out.flush()
        return
    print(f"{'circuit':14}{'nodes':>6}{'Ipopt':>10}{'ours':>10}{'error':>10}{'Ipopt':>9}{'cold':>8}{'warm':>8}{'ratio':>7}{'warm':>7}   curvature: integral Ipopt, ours, ms, ms; fixed line")
    for path in a.circuits:
        if path.stem == "golden":
            continue
        geo = geometry(path, a.step)
        mine = ours(a.ours, path, a.step, a.repeat)
        reference = minimum_time(geo, a.repeat)
        line = curvature(geo, 1)
        lap, cold, warm = mine["time"]["lap_time_s"], mine["time"]["solve_ms"], mine["time_warm"]["solve_ms"]
        ms = 1e3 * reference["seconds"]
        bent = mine["curvature"]
        print(
            f"{path.stem:14}{geo['n']:6}{reference['lap']:10.4f}{lap:10.4f}{100 * (lap / reference['lap'] - 1):9.4f}%"
            f"{ms:7.0f}ms{cold:6.1f}ms{warm:6.1f}ms{ms / cold:6.1f}x{ms / warm:6.1f}x"
            f"   {line['integral']:.7f} {bent['curvature_integral_radpm']:.7f} {1e3 * line['seconds']:.0f}ms {bent['solve_ms']:.1f}ms; {mine['fixed']['solve_ms']:.2f}ms",
            flush=True,
        )


main()
