//! What a driver knows of the car: how much steering a corner takes, and what the pedals do.
//!
//! The feel is taken from the healthy car and stays so when the setup is changed: a changed car then surprises the
//! driver, as it should, and only feedback makes up for it.

use vehicle::car::{Axle, Car, GRAVITY_MPS2};
use vehicle::tyre::{LoadedTyre, Side};

/// Slip angles of the axle curves \[rad\].
const SLIPS: usize = 41;
const SLIP_STEP_RAD: f64 = 0.005;
/// Speeds of the axle curves \[m/s\].
const SPEEDS: usize = 9;
const SPEED_STEP_MPS: f64 = 10.0;
/// Density of the air that the driver reckons with \[kg/m³\]: dry, 23 °C, at sea level; the ideal gas law.
const AIR_KGPM3: f64 = 1.19;

/// Lateral acceleration that an axle carries by slip angle, up to its peak; one curve per speed.
#[derive(Debug, Clone, PartialEq)]
struct AxleCurve {
    /// Acceleration \[m/s²\] at multiples of [`SLIP_STEP_RAD`], rising.
    accel_mps2: Vec<f64>,
}

impl AxleCurve {
    fn slip(&self, accel_mps2: f64) -> f64 {
        let a = accel_mps2.abs();
        let above = self.accel_mps2.partition_point(|&x| x < a);
        if above == 0 {
            return 0.0;
        }
        if above >= self.accel_mps2.len() {
            return (self.accel_mps2.len() - 1) as f64 * SLIP_STEP_RAD;
        }
        let (low, high) = (self.accel_mps2[above - 1], self.accel_mps2[above]);
        ((above - 1) as f64 + (a - low) / (high - low)) * SLIP_STEP_RAD
    }

    fn peak(&self) -> f64 {
        self.accel_mps2.last().copied().unwrap_or(0.0)
    }

    fn peak_slip(&self) -> f64 {
        (self.accel_mps2.len() - 1) as f64 * SLIP_STEP_RAD
    }
}

/// The driver's idea of one car.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Feel {
    front: Vec<AxleCurve>,
    rear: Vec<AxleCurve>,
    pub(crate) wheelbase_m: f64,
    pub(crate) front_m: f64,
    pub(crate) ratio: f64,
    mass_kg: f64,
    drag_kgpm: f64,
    rolling_mps2: f64,
    /// Deceleration at full pedal \[m/s²\].
    full_brake_mps2: f64,
    radius_m: f64,
    max_torque: Vec<(f64, f64)>,
    closed_torque_nm: f64,
    limit_radps: f64,
    ratios: Vec<f64>,
    efficiency: f64,
    /// Spin inertia of all four wheels, and of the engine.
    wheels_kgm2: f64,
    engine_kgm2: f64,
}

fn tyre(axle: &Axle, side: Side, load_n: f64) -> LoadedTyre {
    let pressure = axle.tyre.magic_formula.nominal_pressure_pa;
    axle.tyre.magic_formula.loaded(side, load_n.max(50.0), 0.0, pressure, 1.0)
}

impl Feel {
    pub(crate) fn new(car: &Car, fuel_kg: f64) -> Self {
        let mass_kg = car.mass_kg(fuel_kg);
        let front_m = car.cg_to_front_axle_m(fuel_kg);
        let wheelbase_m = car.body.wheelbase_m;
        let stiffness = [&car.front, &car.rear].map(Car::roll_stiffness_nmprad);
        let roll_share = stiffness[0] / (stiffness[0] + stiffness[1]);
        let [down_f, down_r] =
            car.aero.downforce_areas_m2(car.aero.front_design_height_m, car.aero.rear_design_height_m);
        let curve = |axle: &Axle, share: f64, transfer_share: f64, down_m2: f64, v: f64| {
            let load_n = mass_kg * GRAVITY_MPS2 * share + 0.5 * AIR_KGPM3 * down_m2 * v * v;
            let mut accel_mps2: Vec<f64> = vec![0.0];
            for i in 1..SLIPS {
                let slope = (i as f64 * SLIP_STEP_RAD).tan();
                let mut a = accel_mps2[i - 1];
                for _ in 0..3 {
                    let moved = (mass_kg * a * car.body.cg_height_m * transfer_share / axle.track_m)
                        .min(0.49 * load_n);
                    // A left turn: the right tyre carries more, and slip is negative.
                    let force = tyre(axle, Side::Right, 0.5 * load_n + moved).forces(0.0, -slope).fy_n
                        + tyre(axle, Side::Left, 0.5 * load_n - moved).forces(0.0, -slope).fy_n;
                    a = force / (mass_kg * share);
                }
                if a <= accel_mps2[i - 1] {
                    break;
                }
                accel_mps2.push(a);
            }
            AxleCurve { accel_mps2 }
        };
        let front_share = 1.0 - front_m / wheelbase_m;
        let speeds = || (0..SPEEDS).map(|i| (i + 1) as f64 * SPEED_STEP_MPS);
        let radius_m = car.rear.tyre.magic_formula.unloaded_radius_m - 0.005;
        Self {
            front: speeds().map(|v| curve(&car.front, front_share, roll_share, down_f, v)).collect(),
            rear: speeds()
                .map(|v| curve(&car.rear, 1.0 - front_share, 1.0 - roll_share, down_r, v))
                .collect(),
            wheelbase_m,
            front_m,
            ratio: car.steering.ratio,
            mass_kg,
            drag_kgpm: 0.5 * AIR_KGPM3 * car.drag_area_m2(),
            rolling_mps2: car.front.tyre.rolling_resistance * GRAVITY_MPS2,
            full_brake_mps2: car.brakes.max_torque_nm / radius_m / mass_kg,
            radius_m,
            max_torque: car.engine.torque_curve.iter().map(|p| (p.speed_radps, p.torque_nm)).collect(),
            closed_torque_nm: car.engine.drag_torque_nm,
            limit_radps: car.engine.limit_radps,
            ratios: car.gearbox.ratios.iter().map(|r| r * car.gearbox.final_drive).collect(),
            efficiency: car.gearbox.efficiency,
            wheels_kgm2: 2.0 * (car.front.wheel_inertia_kgm2 + car.rear.wheel_inertia_kgm2),
            engine_kgm2: car.engine.inertia_kgm2,
        }
    }

    fn curves(curves: &[AxleCurve], speed_mps: f64, read: impl Fn(&AxleCurve) -> f64) -> f64 {
        let u = (speed_mps / SPEED_STEP_MPS - 1.0).clamp(0.0, SPEEDS as f64 - 1.001);
        let i = u as usize;
        let (a, b) = (read(&curves[i]), read(&curves[i + 1]));
        a + u.fract() * (b - a)
    }

    /// Lateral acceleration that the weaker axle holds \[m/s²\].
    pub(crate) fn grip(&self, speed_mps: f64) -> f64 {
        let of = |c: &[AxleCurve]| Self::curves(c, speed_mps, AxleCurve::peak);
        of(&self.front).min(of(&self.rear))
    }

    /// Slip angle at which the front gives most \[rad\].
    pub(crate) fn front_peak_slip(&self, speed_mps: f64) -> f64 {
        Self::curves(&self.front, speed_mps, AxleCurve::peak_slip)
    }

    /// Slip angle at which the rear gives most \[rad\].
    pub(crate) fn rear_peak_slip(&self, speed_mps: f64) -> f64 {
        Self::curves(&self.rear, speed_mps, AxleCurve::peak_slip)
    }

    /// Road-wheel angle \[rad\] for a steady lateral acceleration: `L·a_y/V² + α_f − α_r`.
    pub(crate) fn steer(&self, speed_mps: f64, accel_y_mps2: f64) -> f64 {
        let v = speed_mps.max(4.0);
        let slip = |c: &[AxleCurve]| Self::curves(c, v, |curve| curve.slip(accel_y_mps2));
        self.wheelbase_m * accel_y_mps2 / (v * v)
            + (slip(&self.front) - slip(&self.rear)).copysign(accel_y_mps2)
                * if slip(&self.front) >= slip(&self.rear) { 1.0 } else { -1.0 }
    }

    /// Deceleration by air and rolling \[m/s²\].
    pub(crate) fn resistance(&self, speed_mps: f64) -> f64 {
        self.drag_kgpm * speed_mps * speed_mps / self.mass_kg + self.rolling_mps2
    }

    fn engine_radps(&self, speed_mps: f64, gear: u8) -> f64 {
        speed_mps / self.radius_m * self.gear_ratio(gear)
    }

    fn gear_ratio(&self, gear: u8) -> f64 {
        self.ratios.get(usize::from(gear.max(1)) - 1).copied().unwrap_or(1.0)
    }

    /// Deceleration by the closed engine \[m/s²\].
    pub(crate) fn engine_brake(&self, speed_mps: f64, gear: u8) -> f64 {
        let torque =
            self.closed_torque_nm * (0.5 + 0.5 * self.engine_radps(speed_mps, gear) / self.limit_radps);
        torque * self.gear_ratio(gear) / self.radius_m / self.mass_kg
    }

    /// Acceleration of full throttle at the tyres \[m/s²\].
    pub(crate) fn full_drive(&self, speed_mps: f64, gear: u8) -> f64 {
        let w = self.engine_radps(speed_mps, gear);
        let above = self.max_torque.partition_point(|p| p.0 < w).clamp(1, self.max_torque.len() - 1);
        let (a, b) = (self.max_torque[above - 1], self.max_torque[above]);
        let torque = a.1 + (b.1 - a.1) * ((w - a.0) / (b.0 - a.0)).clamp(0.0, 1.0);
        // What spins has to be sped up as well: wheels, and the engine through the gears.
        let spinning_kg =
            (self.wheels_kgm2 + self.engine_kgm2 * self.gear_ratio(gear).powi(2)) / self.radius_m.powi(2);
        torque * self.efficiency * self.gear_ratio(gear) / self.radius_m / (self.mass_kg + spinning_kg)
    }

    /// Brake pedal \[0..1\] for a deceleration by the brakes \[m/s²\].
    pub(crate) fn brake(&self, decel_mps2: f64) -> f64 {
        (decel_mps2 / self.full_brake_mps2).clamp(0.0, 1.0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use vehicle::simulation::{Controls, GearRequest, Road, Simulation, SimulationOptions, State};

    fn car() -> Car {
        Car::from_toml_str(include_str!("../cars/cup.toml")).unwrap()
    }

    /// Drives from 30 m/s for some seconds with what `controls` says, tyres warm.
    fn drive(seconds: f64, mut controls: impl FnMut(&State) -> Controls) -> (State, State) {
        let options = SimulationOptions {
            roughness_m3: 0.0,
            tyre_temp_k: Some(358.0),
            disc_temp_k: Some(600.0),
            fuel_kg: Some(40.0),
            ..SimulationOptions::default()
        };
        let mut simulation = Simulation::new(&car(), options).unwrap();
        simulation.place(0.0, 0.0, 0.0, 30.0);
        let begin = simulation.state();
        for _ in 0..(seconds * 1000.0) as usize {
            let controls = controls(&simulation.state());
            simulation.step(&controls, &Road::default());
        }
        (begin, simulation.state())
    }

    /// The driver's idea of steering against the car itself. The idea knows no camber and no differential that resists
    /// turning; what it misses is left to the yaw-rate feedback.
    #[test]
    fn steering_for_a_lateral_acceleration_brings_it() {
        let feel = Feel::new(&car(), 40.0);
        for wanted in [-9.0, 3.0, 6.0, 11.0] {
            let (_, end) = drive(4.0, |state| Controls {
                steering_wheel_angle_rad: feel.steer(30.0, wanted) * feel.ratio,
                throttle: (0.25 + 0.5 * (30.0 - state.speed_mps)).clamp(0.0, 1.0),
                gear: GearRequest::Gear(3),
                ..Controls::default()
            });
            let got = end.yaw_rate_radps * end.speed_mps;
            assert!(
                (got - wanted).abs() < 0.6 + 0.15 * wanted.abs(),
                "wanted {wanted}, got {got} at {} m/s",
                end.speed_mps
            );
        }
    }

    #[test]
    fn pedals_bring_the_acceleration_that_is_asked_for() {
        let feel = Feel::new(&car(), 40.0);
        let rate = |(begin, end): (State, State)| (end.speed_mps - begin.speed_mps) / end.time_s;
        let gear = GearRequest::Gear(3);
        let full = rate(drive(1.0, |_| Controls { throttle: 1.0, gear, ..Controls::default() }));
        let expected = feel.full_drive(32.0, 3) - feel.resistance(32.0);
        assert!((full / expected - 1.0).abs() < 0.12, "{full} against {expected}");
        let braked = rate(drive(0.8, |_| Controls { brake: feel.brake(8.0), gear, ..Controls::default() }));
        let expected = -8.0 - feel.resistance(27.0) - feel.engine_brake(27.0, 3);
        assert!((braked / expected - 1.0).abs() < 0.12, "{braked} against {expected}");
    }
}
