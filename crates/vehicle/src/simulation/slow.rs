//! Slow states: tread and core temperatures, gas pressure, wear, discs, fuel.
//!
//! Moved on every [`EVERY`] steps with the mean powers since. The heat model is a lumped network (three tread strips
//! on one core); its parameters are in the car file and its form is common practice without a source. Gas follows
//! the ideal gas law at constant volume.

use super::SimulationOptions;
use super::driveline::Driveline;
use super::tyres::Tyres;
use crate::car::Car;

/// Steps between two updates.
pub(super) const EVERY: u64 = 10;

/// Stefan–Boltzmann constant \[W/(m² K⁴)\], CODATA 2018.
const STEFAN_BOLTZMANN: f64 = 5.670_374_419e-8;
/// Share of the rolling resistance's heat that arises in the carcass; the rest in the tread. Common practice.
const CARCASS_SHARE: f64 = 0.4;
/// Conductance from disc through hub and rim to the core \[W/K\]. Common practice.
const RIM_WPK: f64 = 0.6;
/// Conductance between neighbouring tread strips \[W/K\]. Common practice.
const STRIP_WPK: f64 = 6.0;
/// Share of the tread's heat that a lateral force equal to the load moves to the strip on its far side. Common
/// practice: it makes the outer shoulder of an upright tyre run hottest.
const SIDE_SHIFT: f64 = 0.10;

#[derive(Debug, Clone)]
pub(super) struct Slow {
    pub(super) tread_k: [[f64; 3]; 4],
    pub(super) core_k: [f64; 4],
    pub(super) disc_k: [f64; 4],
    pub(super) wear: [f64; 4],
    pub(super) pressure_pa: [f64; 4],
    /// Grip factor by temperature and wear.
    pub(super) grip: [f64; 4],
    pub(super) pad_friction: [f64; 4],
    pub(super) fuel_kg: f64,
    rubbing_j: [f64; 4],
    braking_j: [f64; 4],
    side: [f64; 4],
    engine_j: f64,
    elapsed_s: f64,
}

impl Slow {
    pub(super) fn new(car: &Car, options: &SimulationOptions, fuel_kg: f64) -> Self {
        let tyre_k = options.tyre_temp_k.unwrap_or(options.air_temp_k);
        let disc_k = options.disc_temp_k.unwrap_or(options.air_temp_k);
        let mut slow = Self {
            tread_k: [[tyre_k; 3]; 4],
            core_k: [tyre_k; 4],
            disc_k: [disc_k; 4],
            wear: [0.0; 4],
            pressure_pa: [0.0; 4],
            grip: [1.0; 4],
            pad_friction: [1.0; 4],
            fuel_kg,
            rubbing_j: [0.0; 4],
            braking_j: [0.0; 4],
            side: [0.0; 4],
            engine_j: 0.0,
            elapsed_s: 0.0,
        };
        slow.derive(car, options);
        slow
    }

    /// What follows from temperatures and wear.
    fn derive(&mut self, car: &Car, options: &SimulationOptions) {
        let cold_k = options.cold_temp_k.unwrap_or(options.air_temp_k);
        for i in 0..4 {
            let axle = if i < 2 { &car.front } else { &car.rear };
            let cold = axle.cold_pressure_pa[i % 2] + options.air_pressure_pa;
            self.pressure_pa[i] = cold * self.core_k[i] / cold_k - options.air_pressure_pa;
            let strips = self.tread_k[i].map(|t| axle.tyre.grip(t, self.wear[i]));
            self.grip[i] = strips.iter().sum::<f64>() / 3.0;
            self.pad_friction[i] = axle.disc.friction(self.disc_k[i]);
        }
    }

    /// Collects the powers of one step.
    #[inline]
    pub(super) fn gather(&mut self, tyres: &Tyres, driveline: &Driveline, dt: f64) {
        for i in 0..4 {
            self.rubbing_j[i] += tyres.rubbing_w[i] * dt;
            self.braking_j[i] += (driveline.brake_torque_nm[i] * driveline.spin[i]).max(0.0) * dt;
            self.side[i] += tyres.rubbing_w[i] * dt * tyres.force[i].fy_n / tyres.load_n[i].max(100.0);
        }
        self.engine_j += driveline.engine_power_w * dt;
        self.elapsed_s += dt;
    }

    /// Moves the slow states over the time gathered.
    pub(super) fn step(
        &mut self,
        car: &Car,
        options: &SimulationOptions,
        tyres: &Tyres,
        speed_mps: f64,
        inclination_rad: [f64; 4],
    ) {
        let dt = self.elapsed_s;
        if dt <= 0.0 {
            return;
        }
        let (air, track) = (options.air_temp_k, options.track_temp_k);
        for (i, &inclination) in inclination_rad.iter().enumerate() {
            let axle = if i < 2 { &car.front } else { &car.rear };
            let t = &axle.tyre;
            // Towards the car is +1 for a right wheel (to the left).
            let inward = if i % 2 == 0 { -1.0 } else { 1.0 };
            let rubbing_w = self.rubbing_j[i] / dt;
            let rolling_w = t.rolling_resistance * tyres.load_n[i] * speed_mps;
            let heat_w = t.heat_share * rubbing_w + (1.0 - CARCASS_SHARE) * rolling_w;
            // Leaning inwards (positive inclination of a left wheel) loads the inner strip, a force towards the car
            // the outer one, pressure the middle.
            let lean = -inward * inclination * t.camber_heat_shift_prad;
            let force = if self.rubbing_j[i] > 0.0 {
                SIDE_SHIFT * inward * (self.side[i] / self.rubbing_j[i]).clamp(-3.0, 3.0)
            } else {
                0.0
            };
            let shift = 0.5 * (lean - force);
            let over =
                (self.pressure_pa[i] / t.magic_formula.nominal_pressure_pa - 1.0) * t.pressure_heat_shift;
            let third = 1.0 / 3.0;
            let shares = [
                third + shift - 0.5 * over * third,
                third + over * third,
                third - shift - 0.5 * over * third,
            ]
            .map(|share| share.clamp(0.05, 0.9));
            let sum: f64 = shares.iter().sum();
            let rolling = (speed_mps / 2.0).min(1.0);
            let to_air = (t.tread_air_wpk + t.tread_air_wspkm * speed_mps) * third;
            let to_road = t.tread_road_wpk * rolling * third;
            let to_core = t.tread_core_wpk * third;
            let capacity = t.tread_capacity_jpk * third;
            let old = self.tread_k[i];
            let core = self.core_k[i];
            let mut into_core = CARCASS_SHARE * rolling_w + RIM_WPK * (self.disc_k[i] - core);
            into_core -= (t.core_air_wpk + 0.25 * speed_mps) * (core - air);
            for strip in 0..3 {
                let next = old[strip.min(1)] - old[(strip + 1).clamp(1, 2)];
                let between = match strip {
                    0 => -next,
                    1 => (old[0] - old[1]) - (old[1] - old[2]),
                    _ => old[1] - old[2],
                };
                let flow = heat_w * shares[strip] / sum
                    - to_air * (old[strip] - air)
                    - to_road * (old[strip] - track)
                    - to_core * (old[strip] - core)
                    + STRIP_WPK * between;
                into_core += to_core * (old[strip] - core);
                self.tread_k[i][strip] = (old[strip] + flow * dt / capacity).clamp(200.0, 600.0);
            }
            self.core_k[i] = (core + into_core * dt / t.core_capacity_jpk).clamp(200.0, 600.0);
            self.wear[i] = (self.wear[i] + self.rubbing_j[i] / t.wear_energy_j).min(1.0);

            let d = &axle.disc;
            let disc = self.disc_k[i];
            let lost = d.cooling_wpk(speed_mps) * (disc - air)
                + 0.8 * STEFAN_BOLTZMANN * d.radiating_area_m2 * (disc.powi(4) - air.powi(4))
                + RIM_WPK * (disc - core);
            let capacity = d.mass_kg * d.specific_heat_jpkgk;
            self.disc_k[i] = (disc + (self.braking_j[i] - lost * dt) / capacity).clamp(200.0, 1800.0);
        }
        let burnt = car.fuel.use_kgpmj * self.engine_j * 1e-6 + car.fuel.idle_kgps * dt;
        self.fuel_kg = (self.fuel_kg - burnt).max(0.0);
        self.rubbing_j = [0.0; 4];
        self.braking_j = [0.0; 4];
        self.side = [0.0; 4];
        self.engine_j = 0.0;
        self.elapsed_s = 0.0;
        self.derive(car, options);
    }
}
