//! What the driver means to do on a lap: a line, a speed at each station, and where the pedals stay shut.
//!
//! The speed plan is quasi-steady-state: the highest speed that lateral grip allows, a backward pass with what is left
//! for braking, a forward pass with what is left for driving, each scaled by the share of the grip that this driver
//! uses. These passes are not the ones of [`limit::fixed_line`], which finds the fastest periodic lap and knows no
//! driver: here a lap begins at the speed at which the car crosses the line, and faults are limits and shifts of
//! the passes, so that a plan stays drivable whatever is planted. A test holds the level against that lap.

use crate::faults::DriverFault;
use crate::layout::Bend;
use crate::line::{Path, Road};
use track::Direction;
use vehicle::envelope::Envelope;

/// An envelope as a table on speed and share of lateral grip, for passes that ask often.
#[derive(Debug, Clone)]
pub(crate) struct Capability {
    /// Per speed node: largest lateral acceleration \[m/s²\], drag deceleration \[m/s²\].
    lateral_mps2: Vec<f64>,
    drag_mps2: Vec<f64>,
    /// Per speed node and lateral share: least and largest tyre-made longitudinal acceleration \[m/s²\].
    brake_mps2: Vec<[f64; SHARES]>,
    drive_mps2: Vec<[f64; SHARES]>,
}

const SPEED_STEP_MPS: f64 = 2.0;
const SPEEDS: usize = 50;
const SHARES: usize = 13;

impl Capability {
    pub(crate) fn new(envelope: &dyn Envelope) -> Self {
        let mut table =
            Self { lateral_mps2: vec![], drag_mps2: vec![], brake_mps2: vec![], drive_mps2: vec![] };
        for i in 1..=SPEEDS {
            let v = i as f64 * SPEED_STEP_MPS;
            let lateral = envelope.max_lateral(v, 0.0);
            let (mut brake, mut drive) = ([0.0; SHARES], [0.0; SHARES]);
            for j in 0..SHARES {
                let share = j as f64 / (SHARES - 1) as f64;
                if let Some((low, high)) = envelope.longitudinal_range(v, 0.9999 * share * lateral) {
                    (brake[j], drive[j]) = (low, high);
                }
            }
            table.lateral_mps2.push(lateral);
            table.drag_mps2.push(envelope.drag(v).value);
            table.brake_mps2.push(brake);
            table.drive_mps2.push(drive);
        }
        table
    }

    fn node(speed_mps: f64) -> (usize, f64) {
        let u = (speed_mps / SPEED_STEP_MPS - 1.0).clamp(0.0, (SPEEDS - 1) as f64 - 1e-9);
        (u as usize, u.fract())
    }

    pub(crate) fn lateral(&self, speed_mps: f64) -> f64 {
        let (i, w) = Self::node(speed_mps);
        self.lateral_mps2[i] + w * (self.lateral_mps2[i + 1] - self.lateral_mps2[i])
    }

    pub(crate) fn drag(&self, speed_mps: f64) -> f64 {
        let (i, w) = Self::node(speed_mps);
        self.drag_mps2[i] + w * (self.drag_mps2[i + 1] - self.drag_mps2[i])
    }

    /// Least (negative) and largest tyre-made acceleration at a speed and a share 0..1 of the lateral grip.
    fn longitudinal(&self, speed_mps: f64, share: f64) -> (f64, f64) {
        let (i, w) = Self::node(speed_mps);
        let u = share.clamp(0.0, 1.0) * (SHARES - 1) as f64;
        let j = (u as usize).min(SHARES - 2);
        let x = u - j as f64;
        let read = |t: &[[f64; SHARES]]| {
            let at = |i: usize| t[i][j] + x * (t[i][j + 1] - t[i][j]);
            at(i) + w * (at(i + 1) - at(i))
        };
        (read(&self.brake_mps2), read(&self.drive_mps2))
    }

    /// Highest speed on a curvature with a share of the lateral grip.
    fn corner_speed(&self, curvature_1pm: f64, share: f64) -> f64 {
        let k = curvature_1pm.abs().max(1e-5);
        let (mut low, mut high) = (2.0, SPEEDS as f64 * SPEED_STEP_MPS);
        if high * high * k <= share * self.lateral(high) {
            return high;
        }
        for _ in 0..30 {
            let middle = 0.5 * (low + high);
            if middle * middle * k <= share * self.lateral(middle) {
                low = middle;
            } else {
                high = middle;
            }
        }
        low
    }
}

/// How much of the grip a driver asks for.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct GripUse {
    /// Share of the lateral grip.
    pub(crate) lateral: f64,
    /// Share of the braking grip.
    pub(crate) brake: f64,
    /// Share of the driving grip.
    pub(crate) drive: f64,
    /// Share of the braking that is left out at full lateral grip, and less with its square below: what a driver keeps
    /// back on the way into the corner.
    pub(crate) caution: f64,
}

/// What the driver does differently in one corner on one lap; all zero is as planned.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(crate) struct Deviation {
    /// Brakes earlier \[m\].
    pub(crate) brake_early_m: f64,
    /// Share of the brake effort missing.
    pub(crate) brake_soft: f64,
    /// Off the brake before the wheel turns.
    pub(crate) no_trail: bool,
    /// Rolls before the throttle \[m\].
    pub(crate) coast_m: f64,
    /// Share of the speed missing in the middle.
    pub(crate) slow_mid: f64,
    /// Throttle later \[m\].
    pub(crate) throttle_late_m: f64,
    /// Away from the inner border at the apex \[m\].
    pub(crate) wide_m: f64,
    /// Turns in earlier \[m\].
    pub(crate) turn_in_early_m: f64,
}

impl Deviation {
    /// Adds what a fault does on every lap; [`DriverFault::Inconsistent`] and [`DriverFault::Tired`] act elsewhere.
    pub(crate) fn add(&mut self, fault: DriverFault) {
        match fault {
            DriverFault::BrakesEarly { size_m } => self.brake_early_m += size_m,
            DriverFault::BrakesSoftly { share } => self.brake_soft += share,
            DriverFault::NoTrailBraking => self.no_trail = true,
            DriverFault::Coasts { size_m } => self.coast_m += size_m,
            DriverFault::SlowMidCorner { share } => self.slow_mid += share,
            DriverFault::LateThrottle { size_m } => self.throttle_late_m += size_m,
            DriverFault::WideOfApex { size_m } => self.wide_m += size_m,
            DriverFault::EarlyTurnIn { size_m } => self.turn_in_early_m += size_m,
            DriverFault::Inconsistent { .. } | DriverFault::Tired { .. } => {}
        }
    }
}

/// Where things happen in a corner on the base plan; stations, not wrapped, ascending.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct CornerPlace {
    pub(crate) direction: Direction,
    /// Where braking begins; `None` when the corner is taken without.
    pub(crate) brake_on: Option<usize>,
    pub(crate) turn_in: usize,
    pub(crate) apex: usize,
    /// Where the brake is let go, or the slowest point.
    pub(crate) release: usize,
    /// Lowest speed.
    pub(crate) slowest: usize,
    /// Where the throttle goes down again.
    pub(crate) pickup: usize,
    pub(crate) exit: usize,
}

/// A lap as it is meant to be driven, station by station from the start line on, some way past the line.
#[derive(Debug, Clone)]
pub(crate) struct Plan {
    pub(crate) path: Path,
    pub(crate) speed_mps: Vec<f64>,
    /// Along the path \[m/s²\].
    pub(crate) accel_mps2: Vec<f64>,
    /// False where the driver keeps off the throttle.
    pub(crate) throttle_open: Vec<bool>,
    /// False where the driver keeps off the brake.
    pub(crate) brake_open: Vec<bool>,
}

/// Deceleration while rolling with both pedals up, beyond air drag: closed engine and rolling resistance \[m/s²\].
const ROLLING_MPS2: f64 = 0.7;

/// Speed limits of one plan.
struct Limits {
    /// Share of the grip speed in the middle.
    mid: Vec<f64>,
    /// Share of the braking effort; 0 rolls.
    brake: Vec<f64>,
    /// Share of the driving force; 0 rolls.
    drive: Vec<f64>,
}

impl Limits {
    fn none(n: usize) -> Self {
        Self { mid: vec![1.0; n], brake: vec![1.0; n], drive: vec![1.0; n] }
    }
}

/// Speeds on a path: lateral limit, backward pass, forward pass.
///
/// `from_mps` is the speed at the first station. The backward pass starts from the lateral limit at the last.
fn speeds(
    capability: &Capability,
    grip: GripUse,
    path: &Path,
    step_m: f64,
    limits: &Limits,
    from_mps: f64,
) -> Vec<f64> {
    let n = path.curvature_1pm.len();
    let mut v: Vec<f64> = (0..n)
        .map(|i| capability.corner_speed(path.curvature_1pm[i], grip.lateral) * limits.mid[i])
        .collect();
    let share = |v: f64, i: usize| {
        (path.curvature_1pm[i].abs() * v * v / (grip.lateral * capability.lateral(v)).max(0.1)).min(1.0)
    };
    for i in (0..n - 1).rev() {
        let ds = step_m * path.stretch[i];
        let next = v[i + 1];
        // The deceleration over a step is judged at its end, where grip is scarcer, and once more at its begin.
        let mut at = next;
        for _ in 0..2 {
            let lateral = share(at, i);
            let kept = grip.brake * (1.0 - grip.caution * lateral * lateral);
            let tyre = -capability.longitudinal(at, lateral).0 * kept * limits.brake[i];
            let decel = tyre.max(ROLLING_MPS2) + capability.drag(at);
            at = (next * next + 2.0 * decel * ds).sqrt();
        }
        v[i] = v[i].min(at);
    }
    v[0] = v[0].min(from_mps.max(3.0));
    for i in 0..n - 1 {
        let ds = step_m * path.stretch[i];
        let at = v[i];
        let tyre = capability.longitudinal(at, share(at, i)).1 * grip.drive * limits.drive[i];
        let accel = if limits.drive[i] > 0.0 { tyre } else { -ROLLING_MPS2 } - capability.drag(at);
        v[i + 1] = v[i + 1].min((at * at + 2.0 * accel * ds).max(4.0).sqrt());
    }
    v
}

fn accelerations(v: &[f64], path: &Path, step_m: f64) -> Vec<f64> {
    let n = v.len();
    (0..n)
        .map(|i| {
            let (a, b) = (i.saturating_sub(1), (i + 1).min(n - 1));
            let ds: f64 = (a..b).map(|k| step_m * path.stretch[k]).sum();
            (v[b] * v[b] - v[a] * v[a]) / (2.0 * ds)
        })
        .collect()
}

/// Everything a plan needs that stays the same from lap to lap.
#[derive(Debug, Clone)]
pub(crate) struct Planner<'a> {
    pub(crate) road: &'a Road,
    pub(crate) capability: Capability,
    /// Offsets of the racing line, periodic.
    pub(crate) line_m: Vec<f64>,
    /// Closest that the line may come to a border \[m\].
    pub(crate) margin_m: f64,
    pub(crate) corners: Vec<CornerPlace>,
}

/// How far beyond the racing line's margin scatter may take a line \[m\]: hardly ever reached, for the clamp bends it.
const SCATTER_ROOM_M: f64 = 0.7;

/// How far a plan runs on past the line \[m\].
pub(crate) const BEYOND_M: f64 = 240.0;

/// Raised cosine: 1 at `centre`, 0 beyond `half` stations on either side.
fn bump(i: f64, centre: f64, half: f64) -> f64 {
    let u = ((i - centre) / half).abs();
    if u >= 1.0 { 0.0 } else { 0.5 * (1.0 + (std::f64::consts::PI * u).cos()) }
}

/// Smooth step from 0 at `from` to 1 at `to`.
fn rise(i: f64, from: f64, to: f64) -> f64 {
    let t = ((i - from) / (to - from)).clamp(0.0, 1.0);
    t * t * (3.0 - 2.0 * t)
}

impl<'a> Planner<'a> {
    /// Finds the places of all corners on the base plan of `grip`.
    pub(crate) fn new(
        road: &'a Road,
        envelope: &dyn Envelope,
        bends: &[Bend],
        line_m: Vec<f64>,
        margin_m: f64,
        grip: GripUse,
    ) -> Self {
        let mut planner =
            Self { road, capability: Capability::new(envelope), line_m, margin_m, corners: Vec::new() };
        // Two laps on end: the second is free of the start, and no corner is cut by the line.
        let n = road.len();
        let path = Path::new(road, (0..2 * n).map(|i| planner.line_m[i % n]).collect());
        let v = speeds(&planner.capability, grip, &path, road.step_m, &Limits::none(2 * n), 20.0);
        let v: Vec<f64> = v[n..].iter().chain(&v[n..n + n / 8]).copied().collect();
        let path = Path::new(road, (0..v.len()).map(|i| planner.line_m[i % n]).collect());
        let a = accelerations(&v, &path, road.step_m);
        planner.corners = places(road, bends, &path, &v, &a);
        planner
    }

    /// Stations of one plan.
    fn stations(&self) -> usize {
        self.road.len() + (BEYOND_M / self.road.step_m) as usize
    }

    /// The plan of one lap.
    ///
    /// `deviations` has one entry per corner; `wander_m` is the scatter of the line by station; `from_mps` the speed
    /// at the line.
    pub(crate) fn lap(
        &self,
        grip: GripUse,
        deviations: &[Deviation],
        wander_m: &dyn Fn(usize) -> f64,
        from_mps: f64,
    ) -> Plan {
        let (n, m, h) = (self.road.len(), self.stations(), self.road.step_m);
        let offset = self.offsets(deviations, wander_m);
        let path = Path::new(self.road, offset);
        let mut limits = Limits::none(m);
        let (mut throttle_open, mut brake_open) = (vec![true; m], vec![true; m]);
        for (place, deviation) in self.corners.iter().zip(deviations) {
            limit(&mut limits, place, deviation, h, &mut throttle_open, &mut brake_open);
        }
        let mut speed_mps = speeds(&self.capability, grip, &path, h, &limits, from_mps);
        for (place, deviation) in self.corners.iter().zip(deviations) {
            if let Some(on) = place.brake_on {
                brake_early(&mut speed_mps, on, place.slowest, deviation.brake_early_m / h);
            }
        }
        debug_assert!(m > n);
        let accel_mps2 = accelerations(&speed_mps, &path, h);
        Plan { path, speed_mps, accel_mps2, throttle_open, brake_open }
    }

    /// Offsets of the line with the deviations in it.
    fn offsets(&self, deviations: &[Deviation], wander_m: &dyn Fn(usize) -> f64) -> Vec<f64> {
        let (n, h) = (self.road.len() as f64, self.road.step_m);
        let base = |u: f64| {
            let u = u.rem_euclid(n);
            let i = u as usize % self.road.len();
            self.line_m[i] + u.fract() * (self.line_m[(i + 1) % self.road.len()] - self.line_m[i])
        };
        (0..self.stations())
            .map(|station| {
                let i = station as f64;
                let (mut shift, mut aside) = (0.0, wander_m(station));
                for (place, deviation) in self.corners.iter().zip(deviations) {
                    let (turn_in, apex, exit) = (place.turn_in as f64, place.apex as f64, place.exit as f64);
                    if deviation.turn_in_early_m != 0.0 {
                        let lead = 40.0 / h;
                        let window = rise(i, turn_in - lead, turn_in) * (1.0 - rise(i, apex, exit + lead));
                        shift += deviation.turn_in_early_m / h * window;
                    }
                    if deviation.wide_m != 0.0 {
                        let half = (0.5 * (exit - turn_in)).max(30.0 / h);
                        let outward = if place.direction == Direction::Left { -1.0 } else { 1.0 };
                        aside += outward * deviation.wide_m * bump(i, apex, half);
                    }
                }
                let (low, high) = self.road.room(station, self.margin_m - SCATTER_ROOM_M);
                (base(i + shift) + aside).clamp(low, high)
            })
            .collect()
    }
}

/// Writes a corner's deviation into the limits of the passes.
fn limit(
    limits: &mut Limits,
    place: &CornerPlace,
    deviation: &Deviation,
    step_m: f64,
    throttle_open: &mut [bool],
    brake_open: &mut [bool],
) {
    let m = limits.mid.len();
    let stations = |metres: f64| (metres / step_m).round().max(0.0) as usize;
    let (slowest, pickup) = (place.slowest, place.pickup);
    let lead = stations(250.0);
    if deviation.slow_mid != 0.0 {
        let half = (0.5 * (place.exit - place.turn_in) as f64).max(30.0 / step_m);
        for i in slowest.saturating_sub(half as usize)..(slowest + half as usize).min(m) {
            limits.mid[i] *= 1.0 - deviation.slow_mid * bump(i as f64, slowest as f64, half);
        }
    }
    if deviation.brake_soft != 0.0 {
        for share in &mut limits.brake[slowest.saturating_sub(lead)..slowest.min(m)] {
            *share *= 1.0 - deviation.brake_soft;
        }
    }
    // No plan brakes or drives where the driver keeps off the pedal.
    let mut closed_brake = |from: usize, to: usize| {
        limits.brake[from.min(m)..to.min(m)].fill(0.0);
        brake_open[from.min(m)..to.min(m)].fill(false);
    };
    let mut closed_throttle = |from: usize, to: usize| {
        limits.drive[from.min(m)..to.min(m)].fill(0.0);
        throttle_open[from.min(m)..to.min(m)].fill(false);
    };
    if deviation.no_trail && place.brake_on.is_some() {
        // From shortly before the wheel turns the speed is what the middle of the corner will bear.
        closed_brake(place.turn_in.saturating_sub(stations(4.0)).min(slowest), slowest);
    }
    let coast = stations(deviation.coast_m);
    if coast > 0 && place.brake_on.is_some() {
        let from = place.release.saturating_sub(coast);
        closed_brake(from, pickup);
        closed_throttle(from, pickup);
    }
    let late = stations(deviation.throttle_late_m);
    if late > 0 {
        closed_throttle(slowest, pickup + late);
    }
}

/// Brings the braking of a corner forward by `early` stations (less than 0: later, steeper), fading out over the second
/// half of the zone, so that the slowest point stays where it is.
fn brake_early(speed_mps: &mut [f64], on: usize, slowest: usize, early: f64) {
    if early.abs() < 0.05 || slowest <= on + 2 || slowest + 1 >= speed_mps.len() {
        return;
    }
    let before = speed_mps.to_vec();
    let lead = early.max(0.0).ceil() as usize + 2;
    let half = 0.5 * (slowest - on) as f64;
    for i in on.saturating_sub(lead + 1)..slowest {
        let fade = ((slowest - i) as f64 / half).min(1.0);
        let from = (i as f64 + early * fade).clamp(0.0, slowest as f64);
        let k = from as usize;
        let v = before[k] + from.fract() * (before[k + 1] - before[k]);
        // Ahead of the old brake point the shifted speed is still rising: never faster than the car gets.
        speed_mps[i] = if early > 0.0 { v.min(before[i]) } else { v.max(before[i]) };
    }
}

/// Finds where each corner begins, turns, is slowest and ends on a plan without deviations.
fn places(road: &Road, bends: &[Bend], path: &Path, v: &[f64], a: &[f64]) -> Vec<CornerPlace> {
    /// Share of a corner's largest curvature at which it begins and ends; common practice, no source.
    const EDGE: f64 = 0.3;
    /// Deceleration that needs a brake \[m/s²\].
    const BRAKING_MPS2: f64 = 3.0;
    let last = v.len() - 2;
    bends
        .iter()
        .map(|bend| {
            let sign = if bend.direction == Direction::Left { 1.0 } else { -1.0 };
            let (from, to) = (road.station(bend.start_m), road.station(bend.end_m).min(last));
            let window = || from..=to;
            let tightest = window()
                .max_by(|&i, &j| (sign * path.curvature_1pm[i]).total_cmp(&(sign * path.curvature_1pm[j])))
                .unwrap_or(from);
            let edge = EDGE * path.curvature_1pm[tightest].abs();
            let turn_in = (from.saturating_sub(30)..=tightest)
                .rev()
                .find(|&i| sign * path.curvature_1pm[i] < edge)
                .unwrap_or(from);
            let exit =
                (tightest..=last.min(to + 30)).find(|&i| sign * path.curvature_1pm[i] < edge).unwrap_or(to);
            let apex = window()
                .max_by(|&i, &j| (sign * path.offset_m[i]).total_cmp(&(sign * path.offset_m[j])))
                .unwrap_or(tightest);
            let slowest = (turn_in..=exit).min_by(|&i, &j| v[i].total_cmp(&v[j])).unwrap_or(tightest);
            // Braking that reaches to the slowest point: back over the zone, small reliefs in it allowed.
            let reach = slowest.saturating_sub(150);
            let mut on = None;
            let mut relief = 0;
            for i in (reach..slowest).rev() {
                if a[i] < -BRAKING_MPS2 {
                    on = Some(i);
                    relief = 0;
                } else {
                    relief += 1;
                    if relief > 12 {
                        break;
                    }
                }
            }
            let release = on.map_or(slowest, |on| {
                (on..slowest).rev().find(|&i| a[i] < -0.5 * BRAKING_MPS2).map_or(slowest, |i| i + 1)
            });
            let pickup = (slowest..last).find(|&i| a[i] > 0.3).unwrap_or(slowest);
            CornerPlace {
                direction: bend.direction,
                brake_on: on,
                turn_in,
                apex,
                release,
                slowest,
                pickup,
                exit,
            }
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::layout::tarnbrook;
    use crate::line::racing_line;
    use vehicle::envelope::GripEllipse;

    const FULL: GripUse = GripUse { lateral: 1.0, brake: 1.0, drive: 1.0, caution: 0.0 };

    fn ellipse() -> GripEllipse {
        GripEllipse {
            mass_kg: 1350.0,
            mu_x: 1.5,
            mu_y: 1.5,
            downforce_area_m2: 2.5,
            drag_area_m2: 1.0,
            power_w: 380e3,
            drive_share: 0.6,
            width_m: 1.95,
            air_density_kgpm3: 1.2,
        }
    }

    fn with_planner<T>(work: impl FnOnce(&Planner<'_>) -> T) -> T {
        let layout = tarnbrook().unwrap();
        let road = Road::new(&layout, 2.0);
        let line = racing_line(&layout, &road, 1.4).unwrap();
        work(&Planner::new(&road, &ellipse(), layout.bends(), line, 1.4, FULL))
    }

    fn lap_time(planner: &Planner<'_>, deviations: &[Deviation]) -> f64 {
        let plan = planner.lap(FULL, deviations, &|_| 0.0, 55.0);
        (0..planner.road.len())
            .map(|i| {
                planner.road.step_m * plan.path.stretch[i] * 2.0 / (plan.speed_mps[i] + plan.speed_mps[i + 1])
            })
            .sum()
    }

    #[test]
    fn corners_lie_in_order_and_most_are_braked_for() {
        with_planner(|planner| {
            for corner in &planner.corners {
                println!("{corner:?}");
                assert!(corner.turn_in < corner.exit && corner.slowest <= corner.pickup);
                assert!(corner.brake_on.is_none_or(|on| on < corner.slowest));
            }
            println!("{}", lap_time(planner, &[Deviation::default(); 12]));
            assert!(planner.corners.windows(2).all(|p| p[0].apex < p[1].apex));
            assert!(planner.corners.iter().filter(|c| c.brake_on.is_some()).count() >= 8);
        });
    }

    #[test]
    fn the_plan_stays_within_the_grip_it_asks_for() {
        with_planner(|planner| {
            let plan = planner.lap(FULL, &[Deviation::default(); 12], &|_| 0.0, 55.0);
            for (i, (v, a)) in plan.speed_mps.iter().zip(&plan.accel_mps2).enumerate().skip(2) {
                let lateral = plan.path.curvature_1pm[i] * v * v;
                let tyre = a + ellipse().drag(*v).value;
                let used = ellipse().usage(*v, tyre, lateral).value.sqrt();
                assert!(used < 1.1, "station {i}: {used}");
            }
        });
    }

    #[test]
    fn every_deviation_costs_time_in_the_plan() {
        with_planner(|planner| {
            let clean = lap_time(planner, &[Deviation::default(); 12]);
            let none = Deviation::default();
            for (corner, deviation) in [
                (0, Deviation { brake_early_m: 12.0, ..none }),
                (2, Deviation { brake_soft: 0.25, ..none }),
                (9, Deviation { no_trail: true, ..none }),
                (2, Deviation { coast_m: 15.0, ..none }),
                (8, Deviation { slow_mid: 0.06, ..none }),
                (11, Deviation { throttle_late_m: 15.0, ..none }),
                (9, Deviation { wide_m: 2.0, ..none }),
                (0, Deviation { turn_in_early_m: 10.0, ..none }),
            ] {
                let mut deviations = [none; 12];
                deviations[corner] = deviation;
                let cost = lap_time(planner, &deviations) - clean;
                assert!((0.02..0.8).contains(&cost), "{deviation:?} in corner {corner}: {cost} s");
            }
        });
    }
}
