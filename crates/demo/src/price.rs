//! Drives a stint, and again without its faults.
//!
//! Every run keeps the time at which it passed each station, so that what a fault costs is a difference of two lists:
//! positive where the recorded drive took longer.

use crate::DemoError;
use crate::record::Log;
use crate::stint::{Ground, Run, Setting};
use std::ops::Range;

/// How far a recording runs on after the last timed lap \[m\].
const TAIL_M: f64 = 350.0;
/// No lap takes longer, not even behind a spin \[s\].
const LONGEST_LAP_S: f64 = 200.0;
/// Two drives are one again when speed \[m/s\] and place \[m\] have stayed this close for [`SAME_STATIONS`].
const SAME_MPS: f64 = 0.03;
const SAME_M: f64 = 0.03;
const SAME_STATIONS: usize = 10;
/// How far a drive without a fault is followed at most after the corner's exit \[m\].
const FOLLOW_M: f64 = 1800.0;
/// Where it is taken up before the first difference of the plans \[m\]: more than the driver looks ahead.
const TAKE_UP_M: f64 = 30.0;

/// What feet and speed did, at each decision of the driver.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Step {
    pub(crate) stint_m: f64,
    pub(crate) speed_mps: f64,
    pub(crate) brake: f64,
    pub(crate) brake_travel: f64,
    pub(crate) throttle: f64,
    pub(crate) force_feedback: f64,
    pub(crate) torque_nm: f64,
}

/// A stint as driven.
pub(crate) struct Drive {
    /// Time at each station since the line of the out-lap \[s\].
    pub(crate) passed_s: Vec<f64>,
    pub(crate) beyond_m: Vec<f64>,
    pub(crate) steps: Vec<Step>,
    pub(crate) end_s: f64,
    pub(crate) log: Option<Log>,
    /// Time lost at each station by the single habits that act in one corner \[s\], where they were priced.
    pub(crate) habits: Vec<Option<Vec<f64>>>,
}

fn lost(run: &Run<'_>) -> DemoError {
    DemoError::Lost { lap: run.lap, at_m: run.lap_m() }
}

/// Drives the timed laps only: what a comparison needs.
pub(crate) fn again(
    ground: &Ground<'_>,
    setting: &Setting,
    active: Vec<bool>,
) -> Result<Vec<f64>, DemoError> {
    let mut run = Run::start(ground, setting)?;
    run.set_active(active);
    let end_m = f64::from(setting.timed_laps + 1) * ground.road.length_m() + 2.0 * ground.road.step_m;
    while run.stint_m < end_m {
        run.advance();
        if run.time_s() > LONGEST_LAP_S * f64::from(run.lap + 1) {
            return Err(lost(&run));
        }
    }
    Ok(run.passed_s)
}

/// Drives and logs a stint, and prices its habits of single corners.
pub(crate) fn recorded(ground: &Ground<'_>, setting: &Setting, log: Log) -> Result<Drive, DemoError> {
    let mut run = Run::start(ground, setting)?;
    let mut log = log;
    let road = ground.road;
    let end_m = f64::from(setting.timed_laps + 1) * road.length_m() + TAIL_M;
    let all = vec![true; setting.habits.len()];
    let mut steps = Vec::new();
    let mut speed_at = vec![0.0; run.passed_s.len()];
    let mut offset_at = vec![0.0; run.passed_s.len()];
    let mut waiting: Vec<(f64, usize)> = Vec::new();
    let mut taken_up: Vec<(usize, Run<'_>)> = Vec::new();
    let mut planned = None;
    while run.stint_m < end_m {
        if planned != Some(run.lap) {
            planned = Some(run.lap);
            waiting = take_up_places(ground, setting, &run);
        }
        while let Some(k) = waiting.iter().position(|(at_m, _)| *at_m <= run.stint_m) {
            let (_, habit) = waiting.swap_remove(k);
            let mut fork = run.clone();
            let mut active = all.clone();
            active[habit] = false;
            fork.set_active(active);
            taken_up.push((habit, fork));
        }
        run.advance();
        log.write(&run);
        let (action, state) = (run.action(), &run.state);
        steps.push(Step {
            stint_m: run.stint_m,
            speed_mps: state.speed_mps,
            brake: action.brake,
            brake_travel: action.brake_travel,
            throttle: action.throttle,
            force_feedback: state.force_feedback_command,
            torque_nm: state.force_feedback_torque_nm,
        });
        while speed_at.len() < run.passed_s.len() {
            speed_at.push(state.speed_mps);
            offset_at.push(run.offset_m);
        }
        if run.time_s() > LONGEST_LAP_S * f64::from(run.lap + 1) {
            return Err(lost(&run));
        }
    }
    let mut habits: Vec<Option<Vec<f64>>> =
        setting.habits.iter().map(|h| h.corner.map(|_| vec![0.0; run.passed_s.len()])).collect();
    for (habit, fork) in taken_up {
        if let Some(losses) = &mut habits[habit] {
            follow(fork, &all, &run.passed_s, &speed_at, &offset_at, losses)?;
        }
    }
    Ok(Drive {
        end_s: run.time_s(),
        passed_s: run.passed_s,
        beyond_m: run.beyond_m,
        steps,
        log: Some(log),
        habits,
    })
}

/// Where on this lap each habit of a single corner first changes the plan \[m of the stint\].
fn take_up_places(ground: &Ground<'_>, setting: &Setting, run: &Run<'_>) -> Vec<(f64, usize)> {
    let with = run.plan();
    let mut places = Vec::new();
    for (habit, _) in setting.habits.iter().enumerate().filter(|(_, h)| h.corner.is_some()) {
        let mut active = vec![true; setting.habits.len()];
        active[habit] = false;
        let without = run.plan_with(&active);
        let first = (0..ground.road.len()).find(|&i| {
            (with.speed_mps[i] - without.speed_mps[i]).abs() > 1e-6
                || (with.path.offset_m[i] - without.path.offset_m[i]).abs() > 1e-6
                || with.throttle_open[i] != without.throttle_open[i]
                || with.brake_open[i] != without.brake_open[i]
        });
        if let Some(first) = first {
            let line_m = f64::from(run.lap) * ground.road.length_m();
            places.push((line_m + first as f64 * ground.road.step_m - TAKE_UP_M, habit));
        }
    }
    places
}

/// Drives on without a habit until the drive is the recorded one again, and adds up what the habit lost.
fn follow(
    mut run: Run<'_>,
    all: &[bool],
    passed_s: &[f64],
    speed_at: &[f64],
    offset_at: &[f64],
    losses: &mut [f64],
) -> Result<(), DemoError> {
    let lap = run.lap;
    let begin_m = run.stint_m;
    let mut seen = run.passed_s.len();
    let mut same = 0;
    let mut restored = false;
    loop {
        run.advance();
        if run.lap != lap && !restored {
            // The next lap is driven as it was: its faults are priced from their own places.
            run.set_active(all.to_vec());
            restored = true;
        }
        while seen < run.passed_s.len() {
            let Some(&there) = passed_s.get(seen) else { return Ok(()) };
            losses[seen - 1] += (there - passed_s[seen - 1]) - (run.passed_s[seen] - run.passed_s[seen - 1]);
            let near = (run.state.speed_mps - speed_at[seen]).abs() < SAME_MPS
                && (run.offset_m - offset_at[seen]).abs() < SAME_M;
            same = if near { same + 1 } else { 0 };
            seen += 1;
        }
        // Before the fault shows the drives are the same as well: that does not end it.
        let shown = run.stint_m > begin_m + 150.0;
        if (shown && same >= SAME_STATIONS) || run.stint_m > begin_m + FOLLOW_M {
            return Ok(());
        }
        if run.time_s() > passed_s[passed_s.len() - 1] + LONGEST_LAP_S {
            return Err(lost(&run));
        }
    }
}

/// Time lost at each station \[s\]: the recorded drive less another.
pub(crate) fn losses(recorded_s: &[f64], other_s: &[f64]) -> Vec<f64> {
    let n = recorded_s.len().min(other_s.len());
    (1..n)
        .map(|i| {
            let loss = (recorded_s[i] - recorded_s[i - 1]) - (other_s[i] - other_s[i - 1]);
            if loss.is_finite() { loss } else { 0.0 }
        })
        .collect()
}

/// Stations of a timed lap.
pub(crate) fn lap_stations(stations: usize, lap: u32) -> Range<usize> {
    let begin = lap as usize * stations;
    begin..begin + stations
}
