#!/usr/bin/env python3
"""Golden manoeuvres of a published multi-body car: run `python3 make.py` beside this file to make them again.

Needs the PyPI packages commonroad-vehicle-models (3.0.2) and scipy. The multi-body model (29 states) of vehicle 2 is
integrated with tight tolerances. Its lateral shifts jump with the sign of the camber angle, which no continuous
formula can follow, so camber is kept out of the tyres here: p_hy1, p_hy3, p_vy1, p_vy3, p_dy3 and both camber gains
are set to 0. Everything else is as published.
"""
import csv
import math

from scipy.integrate import solve_ivp
from vehiclemodels.init_mb import init_mb
from vehiclemodels.parameters_vehicle2 import parameters_vehicle2
from vehiclemodels.vehicle_dynamics_mb import vehicle_dynamics_mb

p = parameters_vehicle2()
for name in ("p_hy1", "p_hy3", "p_vy1", "p_vy3", "p_dy3"):
    setattr(p.tire, name, 0.0)
p.D_f = p.D_r = p.E_f = p.E_r = 0.0


def run(file, speed, steer_rate, seconds):
    """Drives with a steering rate [rad/s] over time and no pedals; a row every 0.05 s."""
    start = init_mb([0, 0, 0, speed, 0, 0, 0], p)
    times = [0.05 * k for k in range(int(seconds / 0.05) + 1)]
    answer = solve_ivp(lambda t, x: vehicle_dynamics_mb(list(x), [steer_rate(t), 0.0], p), (0, seconds), start,
                       t_eval=times, rtol=1e-8, atol=1e-9, max_step=0.005)
    with open(file, "w", newline="") as out:
        rows = csv.writer(out, lineterminator="\n")
        rows.writerow(["time [s]", "steer [rad]", "velocity_x [m/s]", "velocity_y [m/s]", "yaw_rate [rad/s]", "roll [rad]"])
        for t, x in zip(answer.t, answer.y.T):
            rows.writerow([f"{v:.9g}" for v in (t, x[2], x[3], x[10], x[5], x[6])])


run("step_steer.csv", 15.0, lambda t: 0.2 if t < 0.2 else 0.0, 3.0)
run("sine_steer.csv", 25.0, lambda t: 0.02 * math.pi * math.cos(math.pi * t), 4.0)
