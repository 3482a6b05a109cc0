//! Force feedback: does the command clip, what is cut, and which gain keeps the loaded corners under the ceiling?
//!
//! The command is a signal with a ceiling, like a sound. Where it stands at the ceiling, the part above is lost. How large
//! it would have been is reconstructed from what the recording does show:
//!
//! * by the torque, when `force_feedback_torque` was logged before the ceiling;
//! * otherwise by regression of the command on what loads the front tyres (lateral acceleration, steer and yaw rate, each
//!   with speed, braking and its own size; damper travel and speed where logged), fitted on the passes under the ceiling
//!   and through it (`[Tobin1958]`): unclipped passes at the same lateral load say what the clipped ones would have been.
//!
//! Forces of a car that is mirrored turn the other way, so every term of the regression is odd in left and right. The
//! reconstruction holds as far as the unclipped passes reach: beyond a third of the time at the ceiling it is marked rough.

use crate::regression::{censored, robust};
use crate::stats::{largest, median, quantile};
use crate::{Answer, Caution, Finding, Outcome, Unlock, Verdict};
use channels::{Channel, Samples, View, Wheel};
use serde::{Deserialize, Serialize};
use track::{Circuit, Lap, trace};

/// How the motor turns the wheel.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Drive {
    /// Motor and shaft mesh through gears.
    Geared,
    /// A belt goes round both.
    Belt,
    /// The wheel sits on the motor's shaft.
    Direct,
}

/// What is known of the rig, and what is wanted.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct ForceOptions {
    /// Gain that is set in the simulator \[-, above 0\]; with it the highest gain is given as a number to set.
    pub gain: Option<f64>,
    /// Torque of the wheelbase at full command \[N m\].
    pub peak_torque_nm: Option<f64>,
    /// Kind of wheelbase.
    pub drive: Option<Drive>,
    /// Dead band from the motor check \[share of full command\].
    pub dead_band: Option<f64>,
    /// Share of the time in loaded corners that is to stay under the ceiling \[0.5..1\].
    pub keep: f64,
}

impl Default for ForceOptions {
    fn default() -> Self {
        Self { gain: None, peak_torque_nm: None, drive: None, dead_band: None, keep: 0.995 }
    }
}

/// Options or channels that make no sense.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum ForceError {
    /// A number outside its range.
    #[error("{name} is {value}; expected {expected}")]
    Option {
        /// Which option.
        name: &'static str,
        /// Its value.
        value: f64,
        /// What fits.
        expected: &'static str,
    },
    /// A command in another unit.
    #[error(
        "the force-feedback command reaches {found:.2}, expected -1 to 1; is it in per cent, or a torque? State its unit in the map"
    )]
    Range {
        /// Largest size.
        found: f64,
    },
}

/// Share of the time at the ceiling somewhere.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct CornerForce {
    /// Name of the corner.
    pub corner: String,
    /// Time in it on all laps, from turn-in to exit \[s\].
    pub seconds: f64,
    /// Share of it at the ceiling \[0..1\].
    pub clipped_share: f64,
    /// Largest command that was asked for, reconstructed where it was clipped \[share of full\].
    pub largest: f64,
}

/// Time spent in a band of command.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Level {
    /// Lower edge of the band of |command| \[0..1\]; bands are 0.05 wide.
    pub from: f64,
    /// Share of the time in it \[0..1\].
    pub share: f64,
}

/// Where the reconstruction of the clipped part comes from.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Reconstruction {
    /// Nothing was clipped.
    NotNeeded,
    /// The torque before the ceiling was logged.
    Torque,
    /// Regression on unclipped passes at the same load.
    Load,
    /// The same, with so much clipped that sizes are rough.
    LoadRough,
    /// There is nothing to reconstruct from.
    None,
}

/// Forces in torque, for a wheelbase of known peak torque.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct TorqueForm {
    /// Torque at full command \[N m\].
    pub peak_nm: f64,
    /// Median torque in the loaded corners at the highest gain \[N m\].
    pub loaded_corners_nm: f64,
    /// Peak torque that a wheelbase would need to play the present gain without a cut \[N m\].
    pub needed_nm: f64,
    /// Highest gain as torque per torque of the present setting \[N m per N m\]: present strength times this.
    pub gain_ratio: f64,
}

/// Numbers of the force check. Shares are of driving time on timed laps, or of all driving where there is none.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Forces {
    /// Level at which the command stands still \[share of full\]; 1 unless the program clips lower.
    pub ceiling: f64,
    /// Share of the time at the ceiling \[0..1\].
    pub clipped_share: f64,
    /// Share of the time in loaded corners at the ceiling \[0..1\].
    pub clipped_share_loaded: f64,
    /// Share of the time on kerbs at the ceiling \[0..1\]; none without damper speeds.
    pub clipped_share_kerbs: Option<f64>,
    /// By corner; empty without a circuit.
    pub corners: Vec<CornerForce>,
    /// Number of clipped runs.
    pub runs: usize,
    /// Median length of a run \[s\]; 0 without any.
    pub median_run_s: f64,
    /// Longest run \[s\].
    pub longest_run_s: f64,
    /// How the part above the ceiling was found.
    pub reconstruction: Reconstruction,
    /// Mean of what was cut, over all driving time \[share of full\].
    pub mean_cut: f64,
    /// Largest command that was asked for \[share of full\], above 1 when clipped.
    pub largest_demand: f64,
    /// Ceiling over largest demand \[-\]: below 1 the gain is too high, above 1 there is room.
    pub gain_factor_without_clipping: f64,
    /// The same as a gain to set; none unless the gain was given.
    pub highest_gain_without_clipping: Option<f64>,
    /// Factor on the gain that keeps the chosen share of the loaded corners under the ceiling \[-\].
    pub gain_factor: f64,
    /// The same as a gain to set; none unless the gain was given.
    pub highest_gain: Option<f64>,
    /// Share that was chosen \[0..1\].
    pub keep: f64,
    /// Ceiling less the largest command \[share of full\]; 0 when clipped.
    pub headroom: f64,
    /// Distribution of |command|.
    pub levels: Vec<Level>,
    /// Dead band that was assumed \[share of full\].
    pub dead_band: f64,
    /// Share of the time with a command other than 0 below the dead band \[0..1\].
    pub below_dead_band: f64,
    /// In torque; none without a peak torque.
    pub torque: Option<TorqueForm>,
}

/// Checks the force feedback of a recording. `laps` may be empty; corners need `circuit`.
///
/// # Errors
/// [`ForceError`] for options out of range and commands that are no shares.
pub fn forces(
    samples: &Samples,
    laps: &[Lap],
    circuit: Option<&Circuit>,
    options: &ForceOptions,
) -> Result<Outcome<Forces>, ForceError> {
    check(options)?;
    let Some(command) = samples.get(Channel::ForceFeedbackCommand) else {
        return Ok(Outcome::missing(
            &[Channel::ForceFeedbackCommand],
            "without it nobody can tell whether the wheel clips",
        ));
    };
    let drive = Driving::new(samples, laps, command);
    if drive.time_s.len() < FEWEST {
        return Ok(Outcome::too_little(format!(
            "The recording holds {} samples of driving with a force-feedback command; at least {FEWEST} are needed: drive a lap.",
            drive.time_s.len()
        )));
    }
    let found = largest(drive.command.iter().map(|c| c.abs()));
    if found > 1.2 {
        return Err(ForceError::Range { found });
    }
    Ok(Outcome::Answered(drive.answer(samples, laps, circuit, options)))
}

fn check(options: &ForceOptions) -> Result<(), ForceError> {
    let refuse = |name, value, expected| Err(ForceError::Option { name, value, expected });
    let outside = |v: Option<f64>, from: f64, to: f64| v.filter(|v| !(*v > from && *v <= to));
    if let Some(v) = outside(options.gain, 0.0, 1000.0) {
        return refuse("the gain", v, "a number above 0");
    }
    if let Some(v) = outside(options.peak_torque_nm, 0.0, 100.0) {
        return refuse("the peak torque", v, "0 to 100 Nm");
    }
    if let Some(v) = options.dead_band.filter(|v| !(0.0..0.9).contains(v)) {
        return refuse("the dead band", v, "a share of full command below 0.9");
    }
    if !(0.5..=1.0).contains(&options.keep) {
        return refuse("the share to keep under the ceiling", options.keep, "0.5 to 1");
    }
    Ok(())
}

/// What a signal loses to a ceiling: share of the samples beyond it, and mean cut over all samples.
#[must_use]
pub fn loss(demand: &[f64], ceiling: f64) -> (f64, f64) {
    let n = demand.len() as f64;
    let beyond = demand.iter().filter(|d| d.abs() > ceiling).count() as f64;
    let cut: f64 = demand.iter().map(|d| (d.abs() - ceiling).max(0.0)).sum();
    (beyond / n, cut / n)
}

/// Fewest samples that say something.
const FEWEST: usize = 200;
/// Slower than this is no driving \[m/s\]; common practice, no source.
const ROLLING_MPS: f64 = 5.0;
/// Within this of the ceiling a command stands at it \[share of ceiling\].
const AT_CEILING: f64 = 5e-4;
/// A ceiling below 1 is one when at least this share of the samples stands at it, in runs of three.
const CEILING_SHARE: f64 = 0.002;
/// Corners are loaded above this share of the lateral acceleration that is reached in them; common practice, no source.
const LOADED: f64 = 0.6;
/// On kerbs a damper moves faster than this \[m/s\]; common practice, no source: road and bumps stay below 0.3.
const KERB_MPS: f64 = 0.30;
/// With more of the time at the ceiling than this, sizes beyond it are rough. From trials on clean stints clipped afterwards.
const ROUGH: f64 = 1.0 / 3.0;
/// Rows for the regression, at most.
const MOST_ROWS: usize = 12_000;

struct Driving {
    time_s: Vec<f64>,
    command: Vec<f64>,
    /// Share of the whole time that each sample stands for.
    weight: Vec<f64>,
    /// Usual step \[s\].
    step_s: f64,
}

impl Driving {
    fn new(samples: &Samples, laps: &[Lap], view: View<'_>) -> Self {
        let timed: Vec<&Lap> = laps.iter().filter(|l| l.lap_time_s.is_some()).collect();
        let speed = samples.get(Channel::Speed).map(|v| v.on(view.time_s));
        let inside = |t: f64| timed.is_empty() || timed.iter().any(|l| l.start_s <= t && t < l.end_s);
        let rolls = |i: usize| speed.as_ref().is_none_or(|v| v[i] > ROLLING_MPS);
        let kept: Vec<usize> = (0..view.time_s.len())
            .filter(|&i| view.values[i].is_finite() && inside(view.time_s[i]) && rolls(i))
            .collect();
        let steps: Vec<f64> = view.time_s.windows(2).map(|w| w[1] - w[0]).collect();
        let step_s = median(&steps);
        let length = |i: usize| steps.get(i).copied().unwrap_or(step_s).min(3.0 * step_s);
        let total: f64 = kept.iter().map(|&i| length(i)).sum();
        Self {
            time_s: kept.iter().map(|&i| view.time_s[i]).collect(),
            command: kept.iter().map(|&i| view.values[i]).collect(),
            weight: kept.iter().map(|&i| length(i) / total).collect(),
            step_s,
        }
    }

    /// 1, or a lower level at which the command stands.
    fn ceiling(&self) -> f64 {
        let size: Vec<f64> = self.command.iter().map(|c| c.abs()).collect();
        let top = largest(size.iter().copied());
        if top >= 1.0 - AT_CEILING {
            return top;
        }
        let at = |c: f64| c >= top * (1.0 - 1e-6);
        let run = size.windows(3).filter(|w| w.iter().all(|c| at(*c))).count() as f64;
        if run >= CEILING_SHARE * size.len() as f64 && run >= 3.0 { top } else { 1.0 }
    }

    /// Share of the time at which `what` holds, among the time at which `of` holds.
    fn share(&self, what: impl Fn(usize) -> bool, of: impl Fn(usize) -> bool) -> f64 {
        let all: f64 = (0..self.weight.len()).filter(|&i| of(i)).map(|i| self.weight[i]).sum();
        let part: f64 = (0..self.weight.len()).filter(|&i| of(i) && what(i)).map(|i| self.weight[i]).sum();
        if all > 0.0 { part / all } else { 0.0 }
    }

    /// Lengths of the runs at the ceiling \[s\].
    fn runs(&self, clipped: &[bool]) -> Vec<f64> {
        let mut runs = Vec::new();
        let mut length = 0.0;
        let mut before = f64::NAN;
        for (i, &t) in self.time_s.iter().enumerate() {
            let joined = t - before < 2.5 * self.step_s;
            if length > 0.0 && !(clipped[i] && joined) {
                runs.push(length);
                length = 0.0;
            }
            if clipped[i] {
                length += if joined && length > 0.0 { t - before } else { self.step_s };
            }
            before = t;
        }
        if length > 0.0 {
            runs.push(length);
        }
        runs
    }

    /// Size that each command would have had without the ceiling.
    fn demand(&self, samples: &Samples, ceiling: f64, clipped: &[bool]) -> (Vec<f64>, Reconstruction) {
        let shown: Vec<f64> = self.command.iter().map(|c| c.abs()).collect();
        let share = clipped.iter().filter(|c| **c).count() as f64 / clipped.len() as f64;
        if share == 0.0 {
            return (shown, Reconstruction::NotNeeded);
        }
        if let Some(demand) = self.by_torque(samples, ceiling, clipped) {
            return (demand, Reconstruction::Torque);
        }
        match self.by_load(samples, ceiling, clipped) {
            Some(demand) if share > ROUGH => (demand, Reconstruction::LoadRough),
            Some(demand) => (demand, Reconstruction::Load),
            None => (shown, Reconstruction::None),
        }
    }

    /// By the logged torque, if it goes on where the command stands still.
    fn by_torque(&self, samples: &Samples, ceiling: f64, clipped: &[bool]) -> Option<Vec<f64>> {
        let torque = samples.get(Channel::ForceFeedbackTorque)?.on(&self.time_s);
        let open: Vec<usize> = (0..torque.len()).filter(|&i| !clipped[i] && torque[i].is_finite()).collect();
        let x: Vec<f64> = open.iter().map(|&i| torque[i]).collect();
        let y: Vec<f64> = open.iter().map(|&i| self.command[i]).collect();
        let fit = robust(&[x], &y)?;
        let by = |i: usize| (fit.coefficients[0] * torque[i]).abs();
        let goes_on = quantile(&(0..torque.len()).filter(|&i| clipped[i]).map(by).collect::<Vec<_>>(), 0.95);
        // A torque that was clipped too says nothing beyond the ceiling; one of another signal does not follow the command.
        (goes_on > 1.01 * ceiling && fit.residual_sd < 0.05 * ceiling).then(|| {
            (0..torque.len())
                .map(|i| if clipped[i] { by(i).max(ceiling) } else { self.command[i].abs() })
                .collect()
        })
    }

    /// By what loads the front tyres.
    fn by_load(&self, samples: &Samples, ceiling: f64, clipped: &[bool]) -> Option<Vec<f64>> {
        let columns = load_terms(samples, &self.time_s)?;
        let whole: Vec<usize> =
            (0..self.time_s.len()).filter(|&i| columns.iter().all(|c| c[i].is_finite())).collect();
        let every = whole.len().div_ceil(MOST_ROWS).max(1);
        let used: Vec<usize> = whole.iter().copied().step_by(every).collect();
        let of = |v: &[f64]| used.iter().map(|&i| v[i]).collect::<Vec<f64>>();
        let rows: Vec<Vec<f64>> = columns.iter().map(|c| of(c)).collect();
        let flags: Vec<bool> = used.iter().map(|&i| clipped[i]).collect();
        let fit = censored(&rows, &of(&self.command), ceiling, &flags)?;
        // What the regression leaves is scatter of road and hands; over so many clipped samples it adds its usual extreme to
        // the largest of them, so each is drawn at its own even quantile instead of standing at the mean.
        let mut drawn = 0.0;
        let mut demand: Vec<f64> = self.command.iter().map(|c| c.abs()).collect();
        for &i in whole.iter().filter(|&&i| clipped[i]) {
            drawn = (drawn + GOLDEN).fract();
            let side = self.command[i].signum();
            let scatter = fit.residual_sd * tail_quantile(drawn);
            demand[i] = (side * fit.at(&columns, i) + scatter).max(ceiling);
        }
        Some(demand)
    }

    fn answer(
        &self,
        samples: &Samples,
        laps: &[Lap],
        circuit: Option<&Circuit>,
        options: &ForceOptions,
    ) -> Answer<Forces> {
        let ceiling = self.ceiling();
        let clipped: Vec<bool> =
            self.command.iter().map(|c| c.abs() >= ceiling * (1.0 - AT_CEILING)).collect();
        let (demand, reconstruction) = self.demand(samples, ceiling, &clipped);
        let loaded = self.loaded(samples);
        let kerbs = self.kerbs(samples);
        let runs = self.runs(&clipped);
        let largest_demand = largest(demand.iter().copied());
        let in_corners: Vec<f64> = demand.iter().zip(&loaded).filter(|(_, l)| **l).map(|(d, _)| *d).collect();
        let gain_factor = ceiling / quantile(&in_corners, options.keep).max(1e-9);
        let gain_factor_without_clipping = ceiling / largest_demand.max(1e-9);
        let dead_band = options.dead_band.unwrap_or(match options.drive {
            // Common practice, no source: 6 to 10 % on geared and belt drives, 0 on direct drive.
            Some(Drive::Geared) => 0.08,
            Some(Drive::Belt) => 0.06,
            Some(Drive::Direct) | None => 0.0,
        });
        let mean_cut = demand.iter().zip(&self.weight).map(|(d, w)| w * (d - ceiling).max(0.0)).sum();
        let torque = options.peak_torque_nm.map(|peak_nm| TorqueForm {
            peak_nm,
            loaded_corners_nm: peak_nm * (gain_factor * median(&in_corners)).min(ceiling),
            needed_nm: peak_nm * largest_demand,
            gain_ratio: gain_factor,
        });
        let numbers = Forces {
            ceiling,
            clipped_share: self.share(|i| clipped[i], |_| true),
            clipped_share_loaded: self.share(|i| clipped[i], |i| loaded[i]),
            clipped_share_kerbs: kerbs.as_ref().map(|k| self.share(|i| clipped[i], |i| k[i])),
            corners: circuit.map_or_else(Vec::new, |c| self.corners(samples, laps, c, &clipped, &demand)),
            runs: runs.len(),
            median_run_s: if runs.is_empty() { 0.0 } else { median(&runs) },
            longest_run_s: runs.iter().copied().fold(0.0, f64::max),
            reconstruction,
            mean_cut,
            largest_demand,
            gain_factor_without_clipping,
            highest_gain_without_clipping: options.gain.map(|g| g * gain_factor_without_clipping),
            gain_factor,
            highest_gain: options.gain.map(|g| g * gain_factor),
            keep: options.keep,
            headroom: (ceiling - largest_demand).max(0.0),
            levels: self.levels(),
            dead_band,
            below_dead_band: self
                .share(|i| self.command[i].abs() < dead_band && self.command[i] != 0.0, |_| true),
            torque,
        };
        let mut unlocks = Vec::new();
        for (channel, adds) in [
            (Channel::AccelY, "loaded corners are told from straights, and what was cut is found"),
            (Channel::DamperSpeed(Wheel::Fl), "clipping on kerbs is told apart"),
        ] {
            if samples.get(channel).is_none() {
                unlocks.push(Unlock::new(channel, adds));
            }
        }
        Answer::new(
            numbers.clone(),
            findings(&numbers, options),
            &[Caution::StrongWheel, Caution::Breaks, Caution::SimulatorsOnly],
            unlocks,
        )
    }

    fn levels(&self) -> Vec<Level> {
        let mut shares = [0.0; 20];
        for (c, w) in self.command.iter().zip(&self.weight) {
            shares[((c.abs() * 20.0) as usize).min(19)] += w;
        }
        shares.iter().enumerate().map(|(k, &share)| Level { from: k as f64 / 20.0, share }).collect()
    }

    /// Samples in loaded corners; without lateral acceleration, those in the upper half of the command.
    fn loaded(&self, samples: &Samples) -> Vec<bool> {
        let load = lateral(samples, &self.time_s)
            .unwrap_or_else(|| self.command.clone())
            .into_iter()
            .map(f64::abs)
            .collect::<Vec<_>>();
        let floor = LOADED * quantile(&load, 0.98);
        load.iter().map(|l| *l >= floor).collect()
    }

    /// Samples within a tenth of a second of a damper speed that only kerbs give.
    fn kerbs(&self, samples: &Samples) -> Option<Vec<bool>> {
        let speeds: Vec<Vec<f64>> = [Wheel::Fl, Wheel::Fr]
            .into_iter()
            .map(|w| samples.get(Channel::DamperSpeed(w)).map(|v| v.on(&self.time_s)))
            .collect::<Option<_>>()?;
        let reach = (0.1 / self.step_s) as usize;
        let hit: Vec<bool> =
            (0..self.time_s.len()).map(|i| speeds.iter().any(|s| s[i].abs() > KERB_MPS)).collect();
        Some(
            (0..hit.len())
                .map(|i| hit[i.saturating_sub(reach)..(i + reach + 1).min(hit.len())].iter().any(|h| *h))
                .collect(),
        )
    }

    fn corners(
        &self,
        samples: &Samples,
        laps: &[Lap],
        circuit: &Circuit,
        clipped: &[bool],
        demand: &[f64],
    ) -> Vec<CornerForce> {
        let traces: Vec<(f64, track::LapTrace)> = laps
            .iter()
            .filter(|l| l.lap_time_s.is_some())
            .filter_map(|l| Some((l.start_s, trace::lap_trace(samples, l, circuit).ok()?)))
            .collect();
        let length = circuit.length_m();
        circuit
            .corners
            .iter()
            .map(|corner| {
                let (mut seconds, mut at_ceiling, mut top) = (0.0, 0.0, 0.0_f64);
                for (start_s, lap) in &traces {
                    // A corner across the line is driven in two pieces.
                    let pieces = [
                        (corner.turn_in_m.max(0.0), corner.exit_m.min(length)),
                        (corner.turn_in_m + length, length),
                        (0.0, corner.exit_m - length),
                    ];
                    for (from, to) in pieces.into_iter().filter(|(a, b)| b > a) {
                        let (a, b) = (start_s + time_at(lap, from), start_s + time_at(lap, to));
                        let first = self.time_s.partition_point(|t| *t < a);
                        let last = self.time_s.partition_point(|t| *t < b);
                        for i in first..last {
                            seconds += self.step_s;
                            at_ceiling += if clipped[i] { self.step_s } else { 0.0 };
                            top = top.max(demand[i]);
                        }
                    }
                }
                CornerForce {
                    corner: corner.name.clone(),
                    seconds,
                    clipped_share: if seconds > 0.0 { at_ceiling / seconds } else { 0.0 },
                    largest: top,
                }
            })
            .collect()
    }
}

/// Fraction of the golden section: multiples of it fill the unit interval evenly. `[Weyl1916]`
const GOLDEN: f64 = 0.618_033_988_749_894_9;

/// Quantile of the standard normal distribution, error below 4.5e-4. `[AS1964]` 26.2.23.
fn tail_quantile(p: f64) -> f64 {
    let p = p.clamp(1e-6, 1.0 - 1e-6);
    let t = (-2.0 * p.min(1.0 - p).ln()).sqrt();
    let top = 2.515_517 + 0.802_853 * t + 0.010_328 * t * t;
    let bottom = 1.0 + 1.432_788 * t + 0.189_269 * t * t + 0.001_308 * t * t * t;
    (t - top / bottom) * if p < 0.5 { -1.0 } else { 1.0 }
}

fn time_at(lap: &track::LapTrace, s_m: f64) -> f64 {
    let last = lap.s_m.len() - 1;
    let i = lap.s_m.partition_point(|s| *s < s_m).clamp(1, last);
    let w = ((s_m - lap.s_m[i - 1]) / (lap.s_m[i] - lap.s_m[i - 1])).clamp(0.0, 1.0);
    lap.time_s[i - 1] + (lap.time_s[i] - lap.time_s[i - 1]) * w
}

/// Lateral acceleration \[m/s²\], logged or speed times yaw rate.
fn lateral(samples: &Samples, time_s: &[f64]) -> Option<Vec<f64>> {
    if let Some(v) = samples.get(Channel::AccelY) {
        return Some(v.on(time_s));
    }
    let (speed, yaw) = (samples.get(Channel::Speed)?.on(time_s), samples.get(Channel::YawRate)?.on(time_s));
    Some(speed.iter().zip(&yaw).map(|(v, r)| v * r).collect())
}

/// Terms of the aligning torque, odd in left and right, scaled to about 1.
fn load_terms(samples: &Samples, time_s: &[f64]) -> Option<Vec<Vec<f64>>> {
    let on = |c| samples.get(c).map(|v: View<'_>| v.on(time_s));
    let n = time_s.len();
    let lateral: Vec<f64> = lateral(samples, time_s)?.iter().map(|a| a / 15.0).collect();
    let speed = on(Channel::Speed);
    // Downforce grows with the square of speed.
    let q: Vec<f64> = speed.as_ref().map_or(vec![0.0; n], |v| v.iter().map(|v| (v / 50.0).powi(2)).collect());
    let along: Vec<f64> = on(Channel::AccelX).map_or(vec![0.0; n], |a| a.iter().map(|a| a / 10.0).collect());
    let mut odd = vec![lateral.clone()];
    if let Some(yaw) = on(Channel::YawRate) {
        if let Some(v) = &speed {
            odd.push(yaw.iter().zip(v).map(|(r, v)| 20.0 * r / v.max(5.0)).collect());
        }
        // Yaw acceleration over two samples each way: the front axle carries what turns the car.
        let slope = |i: usize| {
            let (a, b) = (i.saturating_sub(2), (i + 2).min(n - 1));
            if time_s[b] - time_s[a] < 0.3 { (yaw[b] - yaw[a]) / (time_s[b] - time_s[a]) / 3.0 } else { 0.0 }
        };
        odd.push((0..n).map(slope).collect());
        odd.push(yaw);
    }
    let steer = on(Channel::RoadWheelAngle)
        .map(|v| v.iter().map(|a| 10.0 * a).collect::<Vec<f64>>())
        .or_else(|| on(Channel::SteeringWheelAngle));
    odd.extend(steer);
    let times = |a: &[f64], b: &[f64]| a.iter().zip(b).map(|(a, b)| a * b).collect::<Vec<f64>>();
    let size: Vec<f64> = lateral.iter().map(|a| a.abs()).collect();
    let mut terms: Vec<Vec<f64>> = odd.clone();
    terms.push(times(&times(&lateral, &size), &lateral.iter().map(|a| a.abs()).collect::<Vec<_>>()));
    for o in &odd {
        for even in [&size, &q, &along] {
            terms.push(times(o, even));
        }
    }
    let damper = |f: fn(Wheel) -> Channel| Some((on(f(Wheel::Fl))?, on(f(Wheel::Fr))?));
    for (scale, pair) in [(30.0, damper(Channel::DamperTravel)), (3.0, damper(Channel::DamperSpeed))] {
        if let Some((l, r)) = pair {
            let sum: Vec<f64> = l.iter().zip(&r).map(|(l, r)| scale * (l + r)).collect();
            terms.push(l.iter().zip(&r).map(|(l, r)| scale * (l - r)).collect());
            terms.push(times(&lateral, &sum));
        }
    }
    // A term that is nothing throughout has no coefficient.
    terms.retain(|t| t.iter().any(|v| v.abs() > 1e-9));
    Some(terms)
}

/// Share of loaded-corner time at the ceiling that is no loss, and from which the wheel hides the limit. Common practice, no
/// source.
const FEW: f64 = 0.01;
const MANY: f64 = 0.10;
/// Largest command below which the gain wastes the motor's range. Common practice, no source.
const WEAK: f64 = 0.5;

fn findings(n: &Forces, options: &ForceOptions) -> Vec<Finding> {
    let why = "At the ceiling the wheel feels alike whether the front tyres grip or slide: the driver leaves a margin in the corners \
               that matter most, and a strong wheel at full force tires wrists.";
    let percent = |x: f64| 100.0 * x;
    let setting = n.highest_gain.map_or_else(
        || format!("Multiply the gain by {:.2}", n.gain_factor),
        |g| format!("Set the gain to {g:.3}"),
    );
    let proof = "Drive the same corners again: less than 1 % of the loaded corners may stand at the ceiling, and the wheel must still \
                 grow heavier towards the limit.";
    let mut found = Vec::new();
    if n.clipped_share_loaded > FEW || n.clipped_share > 0.5 * FEW {
        let stop = n.clipped_share_loaded > MANY;
        let kept = format!(
            "{setting}: it keeps {:.1} % of the loaded corners under the ceiling.{}",
            percent(n.keep),
            n.torque.map_or_else(String::new, |t| format!(
                " Loaded corners then give about {:.1} Nm; playing today's gain without a cut would take {:.1} Nm.",
                t.loaded_corners_nm, t.needed_nm
            ))
        );
        let worst = n.corners.iter().max_by(|a, b| a.clipped_share.total_cmp(&b.clipped_share));
        let where_ = worst.map_or_else(String::new, |c| {
            format!(", most of all in {} with {:.0} %", c.corner, percent(c.clipped_share))
        });
        found.push(Finding::fault(
            if stop { Verdict::Stop } else { Verdict::Improve },
            format!(
                "The force feedback stands at its ceiling for {:.1} % of the driving and {:.1} % of the loaded corners{where_}; the \
                 longest run lasts {:.2} s.",
                percent(n.clipped_share),
                percent(n.clipped_share_loaded),
                n.longest_run_s
            ),
            why,
            kept,
            proof,
        ));
    } else if n.largest_demand < WEAK {
        found.push(Finding::fault(
            Verdict::Improve,
            format!(
                "The strongest command is {:.0} % of full: half the range is unused.",
                percent(n.largest_demand)
            ),
            "Small forces sink below the friction of the wheelbase, and the first slip is felt late.",
            format!("{setting} in small steps; lower the wheelbase's own strength if it becomes too heavy."),
            proof,
        ));
    } else {
        found.push(Finding::passed(
            format!(
                "The force feedback stays under its ceiling; the strongest command is {:.0} % of full.",
                percent(n.largest_demand)
            ),
            why,
        ));
    }
    if let Some(k) = n.clipped_share_kerbs.filter(|k| *k > 0.02 && n.clipped_share_loaded <= FEW) {
        found.push(Finding::fault(
            Verdict::Improve,
            format!("On kerbs {:.1} % of the time is at the ceiling.", percent(k)),
            "A kerb that hits the ceiling jerks the wrists and tells nothing of the grip.",
            "Lower the share of road and kerb effects, not the whole gain.",
            "Drive over the same kerb: the corner's own force must still be felt on top.",
        ));
    }
    found.extend(by_drive(n, options));
    found
}

/// Advice that depends on how the motor turns the wheel. Common practice, no source: minimum force of 6 to 10 % on geared
/// and belt drives, none on direct drive.
fn by_drive(n: &Forces, options: &ForceOptions) -> Option<Finding> {
    let percent = |x: f64| 100.0 * x;
    let below = percent(n.below_dead_band);
    let lost = format!(
        "{below:.1} % of the driving asks for a force below the dead band of {:.1} %.",
        percent(n.dead_band)
    );
    let why = "The small forces around straight ahead are the first sign of lost grip.";
    let proof = "Hands off on a straight: the wheel must not shake by itself; then feel for the first slip of the front tyres.";
    let fault = |change: String| Some(Finding::fault(Verdict::Improve, lost.clone(), why, change, proof));
    match options.drive? {
        Drive::Direct if n.dead_band > 0.02 => fault(
            "A direct drive needs no minimum force: look for a filter, friction or damping setting, and turn it down.".to_owned(),
        ),
        Drive::Direct => Some(Finding::passed("A direct drive plays small forces as they are; leave the minimum force at 0.", why)),
        Drive::Geared if below > 5.0 => fault(format!(
            "Set the minimum force to {:.1} %, in steps of 1 % from 0, until the rattle of the gears just does not start.",
            percent(n.dead_band)
        )),
        Drive::Belt if below > 5.0 => fault(format!(
            "Set the minimum force to {:.1} %, and make a motor sweep: a belt may be straight only near 60 % of its strength.",
            percent(n.dead_band)
        )),
        _ => Some(Finding::passed(lost, why)),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use channels::Origin;
    use std::f64::consts::PI;

    /// Closed form: share 1 − 2 asin(0.8)/π = 0.4096655, mean cut 2/π·(√(1 − 0.64) − 0.8·acos 0.8) = 0.05423944.
    #[test]
    fn a_clipped_sine_loses_what_the_closed_form_says() {
        let n = 1_000_000;
        let sine: Vec<f64> = (0..n).map(|i| ((f64::from(i) + 0.5) / f64::from(n) * 2.0 * PI).sin()).collect();
        let (share, cut) = loss(&sine, 0.8);
        assert!((share - 0.409_665_5).abs() < 2e-6, "{share}");
        assert!((cut - 0.054_239_44).abs() < 1e-7, "{cut}");
    }

    fn sine(gain: f64, ceiling: f64) -> Samples {
        let mut samples = Samples::new();
        let time: Vec<f64> = (0..6000).map(|i| f64::from(i) * 0.01).collect();
        let load: Vec<f64> = time.iter().map(|t| 15.0 * (t * 0.3 * PI).sin()).collect();
        let command = load.iter().map(|a| (-gain * a / 15.0).clamp(-ceiling, ceiling)).collect();
        let clock = samples.add_clock(time).unwrap();
        samples.insert(Channel::ForceFeedbackCommand, clock, command, Origin::Logged).unwrap();
        samples.insert(Channel::AccelY, clock, load, Origin::Logged).unwrap();
        samples
    }

    #[test]
    fn a_load_that_clips_is_reconstructed() {
        let options = ForceOptions { gain: Some(1.25), ..ForceOptions::default() };
        let outcome = forces(&sine(1.25, 1.0), &[], None, &options).unwrap();
        let n = &outcome.answer().unwrap().numbers;
        assert!((n.clipped_share - 0.4097).abs() < 0.003, "{}", n.clipped_share);
        assert!((n.largest_demand - 1.25).abs() < 0.01, "{}", n.largest_demand);
        assert!((n.mean_cut - 1.25 * 0.054_239).abs() < 0.002, "{}", n.mean_cut);
        assert!((n.highest_gain_without_clipping.unwrap() - 1.0).abs() < 0.01);
        assert_eq!(outcome.answer().unwrap().verdict, Verdict::Stop);
    }

    #[test]
    fn a_program_that_clips_below_full_is_noticed() {
        let outcome = forces(&sine(1.0, 0.7), &[], None, &ForceOptions::default()).unwrap();
        let n = &outcome.answer().unwrap().numbers;
        assert!((n.ceiling - 0.7).abs() < 1e-9 && n.clipped_share > 0.4, "{n:?}");
    }

    #[test]
    fn bad_options_and_other_units_are_refused() {
        let bad = ForceOptions { keep: 0.2, ..ForceOptions::default() };
        assert!(matches!(forces(&sine(0.9, 1.0), &[], None, &bad), Err(ForceError::Option { .. })));
        let found = forces(&sine(50.0, 50.0), &[], None, &ForceOptions::default()).unwrap_err();
        assert!(found.to_string().contains("per cent"), "{found}");
        let nothing = forces(&Samples::new(), &[], None, &ForceOptions::default()).unwrap();
        assert!(
            matches!(nothing, Outcome::NotEnough { ref channels, .. } if channels == &[Channel::ForceFeedbackCommand])
        );
    }

    #[test]
    fn the_quantile_formula_inverts_the_tail() {
        for p in [0.001, 0.2, 0.5, 0.9, 0.999] {
            assert!((1.0 - crate::stats::upper_tail(tail_quantile(p)) - p).abs() < 3e-4, "{p}");
        }
    }
}
