//! Wheel loads at rest in a turn: where weight, downforce and load transfer end up.
//!
//! The body and four wheels of the ride model ([`crate::simulation`]) in static balance: springs, anti-roll bars,
//! bump stops, floor and tyre springs carry the elastic part, roll centres and anti-pitch links the geometric one.
//! Springs are linear but for stops, floor and wheels in the air, which an active-set iteration switches.
//!
//! # Source
//! `[Milliken1995]` ch. 18 (lateral transfer by roll stiffness and roll centres), `[Gillespie1992]` ch. 1 (axle loads on
//! a grade and under acceleration).

use crate::car::{AIR_DENSITY_KGPM3, Car, GRAVITY_MPS2};
use crate::wheels::Wheels;

/// Stiffness of the floor when it touches the road \[N/m\], per axle. Common practice, no source.
pub(crate) const FLOOR_NPM: f64 = 8e5;

/// What presses and pulls on the car.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LoadCase {
    /// Speed \[m/s\].
    pub speed_mps: f64,
    /// Force of all tyres forward \[N\].
    pub force_x_n: f64,
    /// Force of the front and of the rear tyres to the left \[N\].
    pub axle_force_y_n: [f64; 2],
    /// What stands for gravity across the road \[m/s²\]: `g cos(grade) cos(bank)` plus curvature.
    pub normal_mps2: f64,
    /// Air \[kg/m³\].
    pub air_density_kgpm3: f64,
    /// Fuel aboard \[kg\].
    pub fuel_kg: f64,
}

impl LoadCase {
    /// Level road, standard air, the car's own fuel, lateral force shared as steady cornering without yaw
    /// acceleration shares it.
    ///
    /// `accel` are tyre-made accelerations forward and to the left \[m/s²\].
    #[must_use]
    pub fn level(car: &Car, speed_mps: f64, accel: [f64; 2]) -> Self {
        let fuel_kg = car.fuel.mass_kg;
        let mass = car.mass_kg(fuel_kg);
        let rear = car.cg_to_front_axle_m(fuel_kg) / car.body.wheelbase_m;
        Self {
            speed_mps,
            force_x_n: mass * accel[0],
            axle_force_y_n: [mass * accel[1] * (1.0 - rear), mass * accel[1] * rear],
            normal_mps2: GRAVITY_MPS2,
            air_density_kgpm3: AIR_DENSITY_KGPM3,
            fuel_kg,
        }
    }
}

/// Loads and attitude of a car in static balance.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Loads {
    /// Load of each tyre \[N\], never negative; with the floor's share they sum to weight plus downforce.
    pub load_n: Wheels<f64>,
    /// Front and rear downforce \[N\].
    pub downforce_n: [f64; 2],
    /// What the floor carries on the road \[N\]; 0 for a car that does not touch.
    pub floor_n: f64,
    /// Roll \[rad\], right side down.
    pub roll_rad: f64,
    /// Pitch \[rad\], nose down.
    pub pitch_rad: f64,
    /// Floor over road at front and rear axle \[m\].
    pub ride_height_m: [f64; 2],
    /// Inclination of each wheel \[rad\], top to the right positive.
    pub inclination_rad: Wheels<f64>,
}

/// Degrees of freedom: heave, pitch, roll, four wheels.
const N: usize = 7;

/// Solves `matrix x = rhs` in place by Gaussian elimination with pivoting; tiny pivots are propped up.
fn solve(mut matrix: [[f64; N]; N], mut rhs: [f64; N]) -> [f64; N] {
    for k in 0..N {
        let pivot = (k..N).max_by(|&i, &j| matrix[i][k].abs().total_cmp(&matrix[j][k].abs())).unwrap_or(k);
        matrix.swap(k, pivot);
        rhs.swap(k, pivot);
        if matrix[k][k].abs() < 1.0 {
            matrix[k][k] = 1.0_f64.copysign(matrix[k][k]);
        }
        let pivot_row = matrix[k];
        for i in k + 1..N {
            let factor = matrix[i][k] / pivot_row[k];
            if factor != 0.0 {
                for (target, from) in matrix[i][k..].iter_mut().zip(&pivot_row[k..]) {
                    *target -= factor * from;
                }
                rhs[i] -= factor * rhs[k];
            }
        }
    }
    for k in (0..N).rev() {
        for j in k + 1..N {
            rhs[k] -= matrix[k][j] * rhs[j];
        }
        rhs[k] /= matrix[k][k];
    }
    rhs
}

impl Loads {
    /// Loads of a car under a load case.
    ///
    /// A car that would tip over keeps its sum of loads, on two wheels; no answer is undefined.
    #[must_use]
    pub fn settle(car: &Car, case: &LoadCase) -> Self {
        Self::settle_near(car, case, None)
    }

    /// The same from the balance of a near case, whose ride heights start the search for the downforce. With one, a
    /// single round may do: callers that repeat until nothing moves lose nothing.
    pub(crate) fn settle_near(car: &Car, case: &LoadCase, near: Option<&Self>) -> Self {
        let mass = car.mass_kg(case.fuel_kg);
        let l = car.body.wheelbase_m;
        let a = car.cg_to_front_axle_m(case.fuel_kg);
        let h = car.body.cg_height_m;
        let g = GRAVITY_MPS2;
        let rest = [0.5 * mass * g * (l - a) / l, 0.5 * mass * g * a / l];
        let corner = [
            [a, 0.5 * car.front.track_m],
            [a, -0.5 * car.front.track_m],
            [a - l, 0.5 * car.rear.track_m],
            [a - l, -0.5 * car.rear.track_m],
        ];
        let axles = [&car.front, &car.rear];
        let q = 0.5 * case.air_density_kgpm3 * case.speed_mps * case.speed_mps;
        let lift = g - case.normal_mps2;
        let unsprung = 2.0 * (car.front.unsprung_mass_kg + car.rear.unsprung_mass_kg);
        let pitch_moment = -h * case.force_x_n;
        let link = car.body.anti_pitch * pitch_moment / (2.0 * l);
        let side = case.axle_force_y_n[0] + case.axle_force_y_n[1];

        let mut x = [0.0; N];
        let mut stop = [false; 4];
        let mut air = [false; 4];
        let mut floor = [false; 2];
        let mut downforce = near.map_or([0.0; 2], |n| n.downforce_n);
        let mut at = near.map_or([car.front.ride_height_m, car.rear.ride_height_m], |n| n.ride_height_m);
        let heights = |x: &[f64; N]| {
            [car.front.ride_height_m + x[0] - x[1] * a, car.rear.ride_height_m + x[0] - x[1] * (a - l)]
        };
        for _ in 0..14 {
            let new = car.aero.downforce_areas_m2(at[0], at[1]).map(|area| q * area);
            let moved = (new[0] - downforce[0]).abs() + (new[1] - downforce[1]).abs();
            downforce = new;
            let mut matrix = [[0.0; N]; N];
            let mut rhs = [0.0; N];
            rhs[0] = (mass - unsprung) * lift - downforce[0] - downforce[1];
            rhs[1] = pitch_moment + a * downforce[0] - (l - a) * downforce[1];
            rhs[2] = h * side;
            for (k, axle) in axles.into_iter().enumerate() {
                let jack = -case.axle_force_y_n[k] * axle.roll_centre_height_m / axle.track_m;
                let links = if k == 0 { link } else { -link };
                let bar = axle.anti_roll_bar_nmprad / (axle.track_m * axle.track_m);
                for (i, sign) in [(2 * k, 1.0), (2 * k + 1, -1.0)] {
                    let [cx, cy] = corner[i];
                    // Compression = wheel − body; its row as a function of x.
                    let mut squeeze = [0.0; N];
                    squeeze[0] = -1.0;
                    squeeze[1] = cx;
                    squeeze[2] = -cy;
                    squeeze[3 + i] = 1.0;
                    // Direction of the body's and the wheel's gain from a unit push up on the body.
                    let mut push = [0.0; N];
                    push[0] = 1.0;
                    push[1] = -cx;
                    push[2] = cy;
                    push[3 + i] = -1.0;
                    let mut add = |rate: f64, row: &[f64; N]| {
                        for r in 0..N {
                            if push[r] != 0.0 {
                                for c in 0..N {
                                    matrix[r][c] -= rate * push[r] * row[c];
                                }
                            }
                        }
                    };
                    let mut rate = axle.wheel_rate_npm;
                    if stop[i] {
                        rate += axle.bump_stop_npm;
                    }
                    add(rate, &squeeze);
                    if bar > 0.0 {
                        let mut twist = squeeze;
                        let j = if i % 2 == 0 { i + 1 } else { i - 1 };
                        twist[0] = 0.0;
                        twist[1] = 0.0;
                        twist[2] = -2.0 * cy;
                        twist[3 + j] = -1.0;
                        add(bar, &twist);
                    }
                    let constant = sign * jack + links
                        - if stop[i] { axle.bump_stop_npm * axle.bump_travel_m } else { 0.0 };
                    for r in 0..N {
                        rhs[r] += push[r] * constant;
                    }
                    // Tyre spring: load − rest, or nothing in the air.
                    if air[i] {
                        rhs[3 + i] -= rest[k];
                    } else {
                        matrix[3 + i][3 + i] += axle.tyre.vertical_stiffness_npm;
                    }
                    rhs[3 + i] += axle.unsprung_mass_kg * lift;
                }
                if floor[k] {
                    let cx = corner[2 * k][0];
                    let row = [1.0, -cx, 0.0, 0.0, 0.0, 0.0, 0.0];
                    for r in 0..2 {
                        for c in 0..2 {
                            matrix[r][c] += FLOOR_NPM * row[r] * row[c];
                        }
                        rhs[r] -= FLOOR_NPM * axle.ride_height_m * row[r];
                    }
                }
            }
            x = solve(matrix, rhs);
            let mut changed = false;
            at = heights(&x);
            for (k, height) in at.into_iter().enumerate() {
                changed |= floor[k] != (height < 0.0);
                floor[k] = height < 0.0;
            }
            for i in 0..4 {
                let axle = axles[i / 2];
                let [cx, cy] = corner[i];
                let squeeze = x[3 + i] - (x[0] - x[1] * cx + x[2] * cy);
                let at_stop = squeeze > axle.bump_travel_m;
                let flying = x[3 + i] * axle.tyre.vertical_stiffness_npm > rest[i / 2];
                changed |= at_stop != stop[i] || flying != air[i];
                stop[i] = at_stop;
                air[i] = flying;
            }
            if !changed && moved < 1e-4 * mass {
                break;
            }
        }
        let wanted = mass * case.normal_mps2 + downforce[0] + downforce[1];
        let mut floor_n: f64 = heights(&x).iter().map(|h| (-h).max(0.0) * FLOOR_NPM).sum();
        let mut load: [f64; 4] = std::array::from_fn(|i| {
            (rest[i / 2] - axles[i / 2].tyre.vertical_stiffness_npm * x[3 + i]).max(0.0)
        });
        let off = load.iter().sum::<f64>() + floor_n - wanted;
        if off.abs() > 1e-6 * wanted.abs() {
            // It tips over or takes off: no balance to find, so the outer wheels carry what there is.
            floor_n = 0.0;
            x[2] = x[2].clamp(-0.5, 0.5);
            x[1] = x[1].clamp(-0.3, 0.3);
            x[0] = x[0].clamp(-0.3, 0.3);
            let outer = |i: usize| if (i % 2 == 1) == (side > 0.0) { 1.0 } else { 0.0 };
            let axle_share = [(l - a) / l, a / l];
            load = std::array::from_fn(|i| wanted.max(0.0) * axle_share[i / 2] * outer(i));
        }
        let roll = x[2];
        let (rf, rr) = (roll * car.front.camber_per_roll, roll * car.rear.camber_per_roll);
        Self {
            load_n: Wheels::from_array(load),
            downforce_n: downforce,
            floor_n,
            roll_rad: roll,
            pitch_rad: x[1],
            ride_height_m: heights(&x),
            inclination_rad: Wheels {
                fl: rf - car.front.camber_rad,
                fr: rf + car.front.camber_rad,
                rl: rr - car.rear.camber_rad,
                rr: rr + car.rear.camber_rad,
            },
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::simulation::{Controls, GearRequest, Road, Simulation, SimulationOptions};

    fn gt() -> Car {
        Car::from_toml_str(crate::examples::GT).unwrap()
    }

    /// The textbook split by roll stiffness, `[Milliken1995]` ch. 18; numbers recomputed from the closed form.
    #[test]
    fn lateral_transfer_follows_roll_stiffness_and_roll_centres() {
        let mut car = gt();
        car.body.mass_kg = 1300.0;
        car.body.wheelbase_m = 2.6;
        car.body.front_axle_to_cg_m = 0.48 * 2.6;
        car.body.cg_height_m = 0.45;
        car.fuel.mass_kg = 0.0;
        for (axle, track, centre, stiffness) in
            [(&mut car.front, 1.6, 0.05, 60e3), (&mut car.rear, 1.55, 0.10, 45e3)]
        {
            axle.track_m = track;
            axle.roll_centre_height_m = centre;
            axle.wheel_rate_npm = 20e3;
            axle.anti_roll_bar_nmprad = stiffness - 0.5 * 20e3 * track * track;
            axle.tyre.vertical_stiffness_npm = 1e11;
            axle.bump_travel_m = 1.0;
        }
        let loads = Loads::settle(&car, &LoadCase::level(&car, 0.0, [0.0, 12.0]));
        let w = loads.load_n;
        let transfer = [0.5 * (w.fr - w.fl), 0.5 * (w.rr - w.rl)];
        assert!((transfer[0] - 2348.357).abs() < 0.01, "{transfer:?}");
        assert!((transfer[1] - 2104.922).abs() < 0.01, "{transfer:?}");
        assert!((loads.roll_rad - 0.0558629).abs() < 1e-6, "{}", loads.roll_rad);
    }

    /// `[Gillespie1992]` ch. 1: front load = m (g b/L − a_x h/L) on the level.
    #[test]
    fn braking_moves_mass_times_deceleration_times_height_over_wheelbase() {
        let car = gt();
        let still = Loads::settle(&car, &LoadCase::level(&car, 0.0, [0.0, 0.0]));
        let braking = Loads::settle(&car, &LoadCase::level(&car, 0.0, [-10.0, 0.0]));
        let moved = 2.0 * (braking.load_n.fl - still.load_n.fl);
        let expected = car.mass_kg(car.fuel.mass_kg) * 10.0 * car.body.cg_height_m / car.body.wheelbase_m;
        assert!((moved - expected).abs() < 1e-3, "{moved} against {expected}");
        assert!(braking.pitch_rad > 0.0, "the nose dives");
    }

    #[test]
    fn the_simulation_settles_into_the_same_loads() {
        let car = gt();
        let options = SimulationOptions { roughness_m3: 0.0, tyre_temp_k: Some(353.0), ..Default::default() };
        let mut simulation = Simulation::new(&car, options).unwrap();
        simulation.place(0.0, 0.0, 0.0, 40.0);
        let mut state = simulation.state();
        for _ in 0..8000 {
            let throttle = (0.35 + 0.5 * (40.0 - state.speed_mps)).clamp(0.0, 1.0);
            let controls = Controls {
                throttle,
                steering_wheel_angle_rad: 0.35,
                gear: GearRequest::Automatic,
                ..Default::default()
            };
            simulation.step(&controls, &Road::default());
            state = simulation.state();
        }
        let w = state.wheels;
        let along = |s: &crate::simulation::WheelState, angle: f64| {
            (
                s.force_x_n * angle.cos() - s.force_y_n * angle.sin(),
                s.force_x_n * angle.sin() + s.force_y_n * angle.cos(),
            )
        };
        let (fl, fr) = (along(&w.fl, state.road_wheel_angle_rad), along(&w.fr, state.road_wheel_angle_rad));
        let case = LoadCase {
            speed_mps: state.velocity_x_mps,
            force_x_n: fl.0 + fr.0 + w.rl.force_x_n + w.rr.force_x_n,
            axle_force_y_n: [fl.1 + fr.1, w.rl.force_y_n + w.rr.force_y_n],
            normal_mps2: GRAVITY_MPS2,
            air_density_kgpm3: options.air_density_kgpm3(),
            fuel_kg: state.fuel_kg,
        };
        let loads = Loads::settle(&car, &case);
        for (got, want) in state.wheels.map(|s| s.load_n).to_array().into_iter().zip(loads.load_n.to_array())
        {
            assert!((got - want).abs() < 25.0, "{got} against {want} N");
        }
        assert!((state.roll_rad - loads.roll_rad).abs() < 2e-4);
    }

    proptest::proptest! {
        /// Sum of loads = weight plus downforce, for any acceleration, speed, grade and banking.
        #[test]
        fn loads_sum_to_weight_plus_downforce(
            speed in 0.0..90.0_f64, ax in -25.0..25.0_f64, ay in -25.0..25.0_f64, tilt in -0.4..0.4_f64,
        ) {
            let car = gt();
            let mut case = LoadCase::level(&car, speed, [ax, ay]);
            case.normal_mps2 = GRAVITY_MPS2 * tilt.cos();
            let loads = Loads::settle(&car, &case);
            let wanted = car.mass_kg(case.fuel_kg) * case.normal_mps2 + loads.downforce_n[0] + loads.downforce_n[1];
            proptest::prop_assert!((loads.load_n.sum() + loads.floor_n - wanted).abs() < 2e-6 * wanted);
            proptest::prop_assert!(loads.load_n.to_array().iter().all(|&n| n >= 0.0));
        }

        /// As long as all wheels carry, the roll moment of the loads is the lateral force times its height.
        #[test]
        fn lateral_transfer_balances_the_roll_moment(speed in 0.0..80.0_f64, ay in -12.0..12.0_f64) {
            let car = gt();
            let case = LoadCase::level(&car, speed, [0.0, ay]);
            let w = Loads::settle(&car, &case).load_n;
            let moment = 0.5 * car.front.track_m * (w.fr - w.fl) + 0.5 * car.rear.track_m * (w.rr - w.rl);
            let expected = car.mass_kg(case.fuel_kg) * ay * car.body.cg_height_m;
            proptest::prop_assert!((moment - expected).abs() < 1e-3 * (1.0 + expected.abs()), "{moment} {expected}");
        }
    }
}
