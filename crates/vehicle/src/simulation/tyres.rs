//! Contact patches: slip that follows by relaxation, and the forces on it.

use crate::car::Car;
use crate::tyre::{Forces, MagicFormula, Side};

/// Time that the deflection's rate adds to it at standstill \[s\], fading until [`LOW_SPEED_MPS`]: damping where
/// relaxation has none `[Pacejka2012]` §8.6. Forward less, for the wheel's spin is a light, stiff oscillator.
const LOW_SPEED_DAMPING_S: [f64; 2] = [0.004, 0.03];
const LOW_SPEED_MPS: f64 = 4.0;

/// One tyre's constants.
#[derive(Debug, Clone, Copy)]
struct Constants {
    formula: MagicFormula,
    side: Side,
    relaxation_m: [f64; 2],
    stiffness_npm: f64,
}

/// What a tyre meets in one step.
#[derive(Debug, Clone, Copy)]
pub(super) struct Contact {
    pub(super) load_n: f64,
    pub(super) inclination_rad: f64,
    pub(super) pressure_pa: f64,
    pub(super) grip: f64,
    /// Of the wheel centre, in the wheel's axes \[m/s\].
    pub(super) velocity_mps: [f64; 2],
    pub(super) spin_radps: f64,
}

/// State of the four contact patches.
#[derive(Debug, Clone)]
pub(super) struct Tyres {
    constants: [Constants; 4],
    /// Deflections u, v \[m\].
    deflection_m: [[f64; 2]; 4],
    pub(super) slip_ratio: [f64; 4],
    pub(super) tan_slip_angle: [f64; 4],
    pub(super) force: [Forces; 4],
    pub(super) load_n: [f64; 4],
    pub(super) radius_m: [f64; 4],
    /// Power that sliding turns into heat \[W\].
    pub(super) rubbing_w: [f64; 4],
}

impl Tyres {
    pub(super) fn new(car: &Car) -> Self {
        let constants = [
            (&car.front, Side::Left),
            (&car.front, Side::Right),
            (&car.rear, Side::Left),
            (&car.rear, Side::Right),
        ]
        .map(|(axle, side)| Constants {
            formula: axle.tyre.magic_formula,
            side,
            relaxation_m: [axle.tyre.longitudinal_relaxation_m, axle.tyre.lateral_relaxation_m],
            stiffness_npm: axle.tyre.vertical_stiffness_npm,
        });
        Self {
            constants,
            deflection_m: [[0.0; 2]; 4],
            slip_ratio: [0.0; 4],
            tan_slip_angle: [0.0; 4],
            force: [Forces::default(); 4],
            load_n: [0.0; 4],
            radius_m: constants.map(|c| c.formula.unloaded_radius_m),
            rubbing_w: [0.0; 4],
        }
    }

    /// Moves one patch on and returns its force in the wheel's axes.
    #[inline]
    pub(super) fn step(&mut self, i: usize, contact: &Contact, dt: f64) -> Forces {
        let c = &self.constants[i];
        let [vx, vy] = contact.velocity_mps;
        self.load_n[i] = contact.load_n;
        // Effective rolling radius: about a third of the deflection comes off `[Pacejka2012]` §1.2.1.
        let radius = c.formula.unloaded_radius_m - contact.load_n.min(2e4) / (3.0 * c.stiffness_npm);
        self.radius_m[i] = radius;
        let slip_velocity = [vx - contact.spin_radps * radius, vy];
        let rolling = vx.abs();
        let share = (contact.load_n / c.formula.nominal_load_n).clamp(0.0, 2.0);
        let fade = (1.0 - rolling / LOW_SPEED_MPS).max(0.0);
        // The most deflection that sliding can build up: little when slow, so that a stopped car does not spring back.
        let speed = rolling + vy.abs();
        let most = (0.25 + 0.25 * speed).min(4.0);
        let mut slip = [0.0; 2];
        for axis in 0..2 {
            let relaxation = c.relaxation_m[axis] * (0.3 + 0.7 * share);
            let rate = if axis == 0 { -slip_velocity[0] } else { slip_velocity[1] };
            let u = (self.deflection_m[i][axis] + rate * dt) / (1.0 + rolling * dt / relaxation);
            let u = u.clamp(-most * relaxation, most * relaxation);
            self.deflection_m[i][axis] = u;
            slip[axis] =
                ((u + LOW_SPEED_DAMPING_S[axis] * fade * rate) / relaxation).clamp(-most - 0.5, most + 0.5);
        }
        self.slip_ratio[i] = slip[0];
        self.tan_slip_angle[i] = slip[1];
        let force = c
            .formula
            .loaded(c.side, contact.load_n, contact.inclination_rad, contact.pressure_pa, contact.grip)
            .forces(slip[0], slip[1]);
        self.rubbing_w[i] = (-force.fx_n * slip_velocity[0] - force.fy_n * slip_velocity[1]).max(0.0);
        self.force[i] = force;
        force
    }
}
