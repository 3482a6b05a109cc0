//! The check of a car file: what a race engineer would want to know before trusting it.

use serde::{Deserialize, Serialize};

use crate::car::{Car, GRAVITY_MPS2};
use crate::ggv::{drive_force_n, top_speed_mps};
use crate::loads::{LoadCase, Loads};
use crate::steady::{constant_radius, degrees_per_g, limit_balance};
use crate::wheels::Wheels;

/// Largest lateral acceleration at a speed.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct LateralAtSpeed {
    /// Speed \[m/s\].
    pub speed_mps: f64,
    /// Lateral acceleration at steady speed \[g\].
    pub g: f64,
}

/// Answer of the check.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct CarReport {
    /// Whether the car is one (errors are told before a report exists) and nothing in it is doubtful.
    pub ok: bool,
    /// What is doubtful, in plain words; empty when `ok`.
    pub warnings: Vec<String>,
    /// Understeer gradient on a 100 m radius between 1 and 4 m/s² \[°/g\] at the road wheels; `None` when the car
    /// cannot be driven there.
    pub understeer_gradient_deg_per_g: Option<f64>,
    /// Speed at which it needs twice the Ackermann angle \[m/s\]; present when it understeers.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub characteristic_speed_mps: Option<f64>,
    /// Speed from which it is unstable \[m/s\]; present when it oversteers.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub critical_speed_mps: Option<f64>,
    /// Largest lateral acceleration at some speeds up to the top speed.
    pub max_lateral_g: Vec<LateralAtSpeed>,
    /// Top speed on the level \[m/s\].
    pub top_speed_mps: f64,
    /// Loads at rest \[N\].
    pub wheel_loads_n: Wheels<f64>,
}

/// Checks a valid car.
///
/// Thresholds of the warnings are common practice without a source.
#[must_use]
pub fn check(car: &Car) -> CarReport {
    let mut warnings = Vec::new();
    let top_speed = top_speed_mps(car);
    let run = constant_radius(car, 100.0);
    let gradient = run.linear_gradient;
    let wheelbase = car.body.wheelbase_m;
    let mark = gradient.map(|k| (wheelbase / k.abs()).sqrt()).filter(|v| v.is_finite() && *v < 1e4);
    let (characteristic, critical) = match gradient {
        Some(k) if k > 0.0 => (mark, None),
        Some(_) => (None, mark),
        None => (None, None),
    };
    let max_lateral_g: Vec<LateralAtSpeed> = (1..=8)
        .map(|i| f64::from(i) * 10.0)
        .filter(|v| *v <= top_speed.max(10.0))
        .map(|speed_mps| LateralAtSpeed {
            speed_mps,
            g: limit_balance(car, speed_mps).accel_y_mps2 / GRAVITY_MPS2,
        })
        .collect();
    let rest = Loads::settle(car, &LoadCase::level(car, 0.0, [0.0, 0.0]));

    match gradient {
        None => warnings
            .push("the car cannot be held on a circle of 100 m radius at 1 to 4 m/s²; look at its tyres and steering".to_owned()),
        Some(k) if degrees_per_g(k) > 8.0 => warnings.push(format!(
            "understeer gradient of {:.1} °/g is unusually large; look at cornering stiffness (pky1) of both axles",
            degrees_per_g(k)
        )),
        _ => {}
    }
    if let Some(v) = critical.filter(|v| *v < top_speed) {
        warnings.push(format!(
            "oversteers: unstable from {:.0} km/h, below its top speed of {:.0} km/h; more rear cornering stiffness or \
             weight to the front would help",
            3.6 * v,
            3.6 * top_speed
        ));
    }
    for point in &max_lateral_g {
        if !(0.4..6.0).contains(&point.g) {
            warnings.push(format!(
                "largest lateral acceleration at {:.0} km/h is {:.2} g; look at tyre friction (pdy1) and downforce areas",
                3.6 * point.speed_mps,
                point.g
            ));
            break;
        }
    }
    let limit = limit_balance(car, 40.0_f64.min(0.8 * top_speed).max(10.0));
    if limit.front_deficit < -0.08 {
        warnings.push(format!(
            "the rear gives up first at the limit: it can do {:.0} % less than the front",
            -100.0 * limit.front_deficit
        ));
    } else if limit.front_deficit > 0.35 {
        warnings.push(format!(
            "the front gives up long before the rear, which could do {:.0} % more",
            100.0 * limit.front_deficit
        ));
    }
    if top_speed < 20.0 {
        warnings.push(format!(
            "top speed is only {:.0} km/h; look at gears, final drive and drag",
            3.6 * top_speed
        ));
    }
    let fast = Loads::settle(car, &LoadCase::level(car, top_speed, [0.0, 0.0]));
    for (name, height) in ["front", "rear"].iter().zip(fast.ride_height_m) {
        if height < 0.003 {
            warnings.push(format!(
                "at top speed the {name} ride height is {:.0} mm: the floor touches; raise {name}.ride_height_m or the springs",
                1000.0 * height
            ));
        }
    }
    let mass = car.mass_kg(car.fuel.mass_kg);
    if drive_force_n(car, 5.0) < 0.05 * mass * GRAVITY_MPS2 {
        warnings.push("the engine can hardly move the car; look at torque curve and gear ratios".to_owned());
    }
    let braking = car.brakes.max_torque_nm / car.front.tyre.magic_formula.unloaded_radius_m / mass;
    if braking < 5.0 {
        warnings.push(format!("full pedal gives only {braking:.1} m/s²; look at brakes.max_torque_nm"));
    }
    CarReport {
        ok: warnings.is_empty(),
        warnings,
        understeer_gradient_deg_per_g: gradient.map(degrees_per_g),
        characteristic_speed_mps: characteristic,
        critical_speed_mps: critical,
        max_lateral_g,
        top_speed_mps: top_speed,
        wheel_loads_n: rest.load_n,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_examples_pass_and_are_three_different_kinds() {
        let [gt, touring, single] = crate::examples::ALL
            .map(|(_, text)| check(&Car::from_toml_str(text).expect("an example is a car")));
        for report in [&gt, &touring, &single] {
            assert!(report.ok, "{:?}", report.warnings);
        }
        let gradient = gt.understeer_gradient_deg_per_g.unwrap();
        assert!((0.3..1.0).contains(&gradient), "GT {gradient} °/g");
        assert!((70.0..80.0).contains(&gt.top_speed_mps));
        let g =
            |report: &CarReport, v: f64| report.max_lateral_g.iter().find(|p| p.speed_mps == v).unwrap().g;
        assert!((1.25..1.45).contains(&g(&gt, 20.0)) && (1.6..1.8).contains(&g(&gt, 70.0)));
        assert!((g(&touring, 60.0) - g(&touring, 20.0)).abs() < 0.1, "little downforce");
        assert!(g(&single, 70.0) > 1.7 * g(&single, 20.0), "much downforce");
        assert!(touring.wheel_loads_n.fl > 1.3 * touring.wheel_loads_n.rl, "nose-heavy");
        assert!(gt.characteristic_speed_mps.is_some() && gt.critical_speed_mps.is_none());
    }

    #[test]
    fn an_oversteering_car_gets_a_critical_speed_and_a_warning() {
        let mut car = Car::from_toml_str(crate::examples::GT).unwrap();
        car.rear.tyre.magic_formula.pky1 = -14.0;
        let report = check(&car);
        assert!(report.critical_speed_mps.is_some(), "{report:?}");
        assert!(!report.ok && report.warnings.iter().any(|w| w.contains("oversteers")), "{report:?}");
    }

    #[test]
    fn the_top_speed_is_where_the_simulation_ends_up() {
        use crate::simulation::{Controls, Road, Simulation, SimulationOptions};
        let car = Car::from_toml_str(crate::examples::TOURING).unwrap();
        let options = SimulationOptions { roughness_m3: 0.0, air_temp_k: 293.15, ..Default::default() };
        let mut simulation = Simulation::new(&car, options).unwrap();
        simulation.place(0.0, 0.0, 0.0, 60.0);
        for _ in 0..60_000 {
            simulation.step(&Controls { throttle: 1.0, ..Default::default() }, &Road::default());
        }
        let (got, want) = (simulation.state().speed_mps, check(&car).top_speed_mps);
        assert!((got - want).abs() < 0.03 * want, "{got} against {want}");
    }
}
