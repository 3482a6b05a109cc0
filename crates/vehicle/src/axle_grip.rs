//! What one axle can do: the largest force in a direction, with both tyres at the slip that gives it.
//!
//! Both wheels of an axle share slip ratio and slip angle (but for toe): what a locking differential or anti-lock
//! brakes come near at the limit, and exact for pure cornering and straight running.

use crate::car::{Axle, Car};
use crate::loads::Loads;
use crate::tyre::{LoadedTyre, Side};

/// Gas and carcass of a tyre in steady running against its best tread temperature \[K\]. Common practice, no source.
const CORE_BELOW_BEST_K: f64 = 15.0;
/// Temperature at which cold pressures are set for steady-state results \[K\].
const COLD_K: f64 = 293.15;
/// Ambient pressure of steady-state results \[Pa\].
const AMBIENT_PA: f64 = 101_325.0;

/// Hot gauge pressure \[Pa\] of a tyre in steady running: the cold pressure brought by the ideal gas law from 20 °C to
/// 15 K below the tread's best temperature.
#[must_use]
pub fn running_pressure_pa(axle: &Axle, left: bool) -> f64 {
    let cold = axle.cold_pressure_pa[usize::from(!left)] + AMBIENT_PA;
    cold * (axle.tyre.best_temp_k - CORE_BELOW_BEST_K) / COLD_K - AMBIENT_PA
}

/// The two tyres of an axle under load.
#[derive(Debug, Clone, Copy)]
pub struct AxleTyres {
    tyres: [LoadedTyre; 2],
    /// Toe as added slip (tan α) of left and right.
    toe: [f64; 2],
}

/// Slip at which an axle gives its most, to start the next search from.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Grip {
    /// Largest force in the direction asked \[N\].
    pub force_n: f64,
    /// Force of the right tyre less that of the left \[N\], along and across the wheels.
    pub difference_n: [f64; 2],
    /// Tan of the slip angle there, positive against ISO (in the sense of the lateral force).
    pub tan_slip_angle: f64,
    /// Size of the slip over the peak slip of a pure direction.
    size: f64,
    /// Direction of the slip \[rad\].
    angle: f64,
}

impl AxleTyres {
    /// Front and rear axle of a car under loads, warm, with new tread.
    #[must_use]
    pub fn of(car: &Car, loads: &Loads) -> [Self; 2] {
        let n = loads.load_n.to_array();
        let camber = loads.inclination_rad.to_array();
        [(&car.front, 0), (&car.rear, 2)].map(|(axle, i)| Self {
            tyres: [
                axle.tyre.magic_formula.loaded(
                    Side::Left,
                    n[i],
                    camber[i],
                    running_pressure_pa(axle, true),
                    1.0,
                ),
                axle.tyre.magic_formula.loaded(
                    Side::Right,
                    n[i + 1],
                    camber[i + 1],
                    running_pressure_pa(axle, false),
                    1.0,
                ),
            ],
            // Toe-in turns the left wheel to the right: it slides more to the left.
            toe: [axle.toe_rad, -axle.toe_rad],
        })
    }

    /// Forces of left and right tyre \[N\] at a common slip ratio and tan of the slip angle.
    #[inline]
    fn forces(&self, kappa: f64, tan_alpha: f64) -> [(f64, f64); 2] {
        [0, 1].map(|i| self.tyres[i].forces_in_plane(kappa, tan_alpha + self.toe[i]))
    }

    /// Cornering stiffness of the axle at small slip \[N/rad\], positive.
    #[must_use]
    pub fn cornering_stiffness_npr(&self) -> f64 {
        let step = 1e-4;
        let fy = |a: f64| self.forces(0.0, a).iter().map(|f| f.1).sum::<f64>();
        (fy(-step) - fy(step)) / (2.0 * step)
    }

    /// Slip stiffness of the left and the right tyre in driving direction \[N\].
    pub(crate) fn slip_stiffness_n(&self) -> [f64; 2] {
        [0, 1].map(|i| self.tyres[i].slip_stiffness_n())
    }

    /// Slip ratio and tan of the slip angle at which the pure forces peak, about: twice peak force over stiffness.
    fn peak_slips(&self) -> [f64; 2] {
        let [l, r] = &self.tyres;
        [
            2.0 * (l.peak_longitudinal_n() + r.peak_longitudinal_n())
                / (l.slip_stiffness_n() + r.slip_stiffness_n()).max(1.0),
            2.0 * (l.peak_lateral_n() + r.peak_lateral_n())
                / -(l.cornering_stiffness_npr() + r.cornering_stiffness_npr()).min(-1.0),
        ]
    }

    /// The most the axle can push in a direction \[rad\] (0 forward, π/2 to the left), −π..π.
    ///
    /// `start` may hold the answer of a near case. Always ends: the slip's size is climbed by parabolas, its direction
    /// turned by a secant, both with a bounded number of tries.
    #[must_use]
    pub fn most(&self, direction_rad: f64, start: Option<&Grip>) -> Grip {
        let axis = Axis::new(self, direction_rad);
        if let Some(grip) = start.and_then(|start| axis.improve(start)) {
            return grip;
        }
        axis.search()
    }
}

/// One direction in which an axle is to push its most.
struct Axis<'a> {
    tyres: &'a AxleTyres,
    peak: [f64; 2],
    direction_rad: f64,
    sin: f64,
    cos: f64,
}

/// Forces at one slip: along the direction, across it, and right less left.
type Push = (f64, f64, [f64; 2]);

impl<'a> Axis<'a> {
    fn new(tyres: &'a AxleTyres, direction_rad: f64) -> Self {
        let (sin, cos) = direction_rad.sin_cos();
        Self { tyres, peak: tyres.peak_slips(), direction_rad, sin, cos }
    }

    #[inline]
    fn at(&self, size: f64, angle: f64) -> Push {
        let (s, c) = angle.sin_cos();
        let [left, right] = self.tyres.forces(size * c * self.peak[0], -size * s * self.peak[1]);
        let (fx, fy) = (left.0 + right.0, left.1 + right.1);
        (fx * self.cos + fy * self.sin, fy * self.cos - fx * self.sin, [right.0 - left.0, right.1 - left.1])
    }

    fn grip(&self, size: f64, angle: f64, push: Push) -> Grip {
        Grip {
            force_n: push.0.max(0.0),
            difference_n: push.2,
            tan_slip_angle: size * angle.sin() * self.peak[1],
            size,
            angle,
        }
    }

    /// Climbs from a near answer by quadratic models of the force along and a linear one of the force across;
    /// `None` when that leads nowhere.
    fn improve(&self, start: &Grip) -> Option<Grip> {
        let (mut size, mut angle) = (start.size, start.angle);
        for _ in 0..5 {
            let (hs, ha) = (0.08 * size, 0.04);
            let (f, c, _) = self.at(size, angle);
            let (bigger, smaller) = (self.at(size + hs, angle), self.at(size - hs, angle));
            let (left, right) = (self.at(size, angle + ha), self.at(size, angle - ha));
            let (fs, fss) = (0.5 * (bigger.0 - smaller.0), bigger.0 - 2.0 * f + smaller.0);
            let (fa, faa) = (0.5 * (left.0 - right.0), left.0 - 2.0 * f + right.0);
            let (cs, ca) = (0.5 * (bigger.1 - smaller.1), 0.5 * (left.1 - right.1));
            if ca.abs() < 1e-3 * ha * f.abs() {
                return None;
            }
            // In units of hs and ha: nothing across fixes the turn, da = d0 + d1 ds.
            let (d0, d1) = (-c / ca, -cs / ca);
            let bend = fss + d1 * d1 * faa;
            let lean = fs + d1 * (fa + faa * d0);
            let ds = if bend < 0.0 { (-lean / bend).clamp(-3.0, 4.0) } else { 4.0 * lean.signum() };
            let da = (d0 + d1 * ds).clamp(-6.0, 6.0);
            size = (size + ds * hs).clamp(0.05, 8.0);
            angle += da * ha;
            if ds.abs() < 1.0 && da.abs() < 1.0 {
                let push = self.at(size, angle);
                return (push.0 > 0.0 && push.1.abs() < 0.02 * push.0).then(|| self.grip(size, angle, push));
            }
        }
        None
    }

    /// Climbs from nothing.
    fn search(&self) -> Grip {
        let mut angle = self.direction_rad;
        // Force along the direction at a slip size, with the slip turned so that nothing is left across it.
        let mut along = |size: f64| {
            let mut a = angle;
            let (mut f, mut cross, mut difference_n) = self.at(size, a);
            let mut slope = f.max(1.0);
            for _ in 0..8 {
                // What is left across costs its square: 3e-4 is a tenth of a millionth of the force.
                if cross.abs() < 3e-4 * f.abs() + 1e-6 {
                    break;
                }
                let step = (-cross / slope).clamp(-0.4, 0.4);
                let next = self.at(size, a + step);
                let measured = (next.1 - cross) / step;
                if measured > 0.05 * f.abs() {
                    slope = measured;
                }
                a += step;
                (f, cross, difference_n) = next;
            }
            angle = a;
            self.grip(size, a, (f, cross, difference_n))
        };
        const SIZES: [f64; 6] = [0.5, 0.8, 1.2, 1.7, 2.4, 3.4];
        let better = |p: Grip, q: Grip| if q.force_n > p.force_n { q } else { p };
        let first = along(SIZES[0]);
        let mut best = SIZES[1..].iter().fold(first, |best, &size| better(best, along(size)));
        // Climb by parabolas through three sizes; the top is flat, so half a per cent of size is plenty.
        for _ in 0..8 {
            let h = 0.1 * best.size;
            let (low, high) = (along(best.size - h), along(best.size + h));
            let bend = low.force_n - 2.0 * best.force_n + high.force_n;
            let lean = 0.5 * (high.force_n - low.force_n);
            let move_by = if bend < 0.0 { (-lean / bend).clamp(-3.0, 3.0) } else { 3.0 * lean.signum() };
            let size = (best.size + move_by * h).clamp(0.05, 8.0);
            if move_by.abs() < 0.05 {
                break;
            }
            let top = along(size);
            let settled = move_by.abs() < 0.6 && top.force_n >= best.force_n;
            best = better(better(better(best, low), high), top);
            if settled {
                break;
            }
        }
        best
    }
}
