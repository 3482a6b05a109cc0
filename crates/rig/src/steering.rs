//! Steering: does the wheel on the screen turn as the one in the hands does, and when does the car follow?
//!
//! Two regressions, each robust against slides and stray samples, with the turning speed and its sign beside the angle, so
//! that a delay is not taken for a ratio, nor play for a delay:
//!
//! ```text
//! y = offset + ratio·x + lag·ẋ + ½·play·sign(ẋ)
//! ```
//!
//! * shown wheel `y` on shaft `x`: 1:1 when the ratio is 1;
//! * wheel on road wheels: the steering ratio of the car.

use crate::regression::robust;
use crate::signal::{Delay, Signal, delay, last_way};
use crate::stats::{largest, median, quantile};
use crate::{Answer, Caution, Finding, Outcome, Unlock, Verdict};
use channels::{Channel, Samples};
use serde::{Deserialize, Serialize};

/// What is known of the rig.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
pub struct SteeringOptions {
    /// Turn of the wheelbase from stop to stop that is set \[rad\].
    pub wheelbase_lock_rad: Option<f64>,
    /// Turn of the car's wheel from stop to stop \[rad\].
    pub car_lock_rad: Option<f64>,
}

/// Options that make no sense.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum SteeringError {
    /// A lock that no wheel has.
    #[error(
        "{name} is {degrees:.0} degrees from stop to stop; expected 90 to 2000 (is it in degrees, and both ways?)"
    )]
    Lock {
        /// Which lock.
        name: &'static str,
        /// Its size \[deg\].
        degrees: f64,
    },
}

/// Turn of one thing against another.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Ratio {
    /// Turn of the first per turn of the second \[-\].
    pub ratio: f64,
    /// First with the second straight \[rad\], left positive.
    pub offset_rad: f64,
    /// Turn of the second that does not reach the first when it changes direction \[rad\].
    pub play_rad: f64,
    /// Delay of the first that the regression found \[s\].
    pub lag_s: f64,
    /// Middle size of what is left over \[rad\].
    pub scatter_rad: f64,
}

/// Numbers of the steering check.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Steering {
    /// Shown wheel against the wheelbase's shaft; none without its angle.
    pub shown_against_shaft: Option<Ratio>,
    /// Wheel against road wheels; none without their angle.
    pub wheel_against_road_wheels: Option<Ratio>,
    /// Mean steering on straights \[rad\], left positive: a wheel that is not centred, or a car that pulls; none without
    /// speed and lateral acceleration or yaw rate.
    pub straight_ahead_rad: Option<f64>,
    /// Largest turn to the left, and to the right as a positive number \[rad\].
    pub largest_left_rad: f64,
    /// See `largest_left_rad`.
    pub largest_right_rad: f64,
    /// Share of the driving with the wheel at a stop \[0..1\].
    pub at_lock_share: f64,
    /// Lock of the wheelbase for this car, stop to stop \[rad\]: makes the wheel 1:1 where it is not.
    pub lock_to_set_rad: Option<f64>,
    /// Least lock that the drive needed, with a margin of a tenth, stop to stop \[rad\].
    pub lock_needed_rad: f64,
    /// Turn of the car per distance behind the wheel: its own answer and the delays of the rig. Slightly negative where the
    /// driver winds on lock late in a corner.
    pub car_behind_wheel: Option<Delay>,
}

/// Longest delay that is looked for \[s\].
const LONGEST_S: f64 = 0.8;
/// Smoothing before the delay is found \[s\]: turning into a corner takes about as long; common practice, no source.
const MANOEUVRE_S: f64 = 0.5;
/// Slower than this the wheel says nothing of the car \[m/s\]; common practice, no source.
const ROLLING_MPS: f64 = 5.0;
/// On straights a car is below this \[m/s²\]; common practice, no source.
const STRAIGHT_MPS2: f64 = 0.6;
/// A wheel turning faster than this has a direction \[rad/s\].
const TURNING_RADPS: f64 = 0.05;
/// Ratios this near 1 are 1:1.
const ONE_TO_ONE: f64 = 0.02;
/// A rack that turns more than this between the stops is no race car's \[rad\]; range of the lock options.
const LOCKS_RAD: (f64, f64) = (1.57, 35.0);

/// Checks the steering of a recording.
///
/// # Errors
/// [`SteeringError`] for locks out of range.
pub fn steering(samples: &Samples, options: &SteeringOptions) -> Result<Outcome<Steering>, SteeringError> {
    for (name, lock) in
        [("the wheelbase's lock", options.wheelbase_lock_rad), ("the car's lock", options.car_lock_rad)]
    {
        if let Some(rad) = lock.filter(|r| !(LOCKS_RAD.0..LOCKS_RAD.1).contains(r)) {
            return Err(SteeringError::Lock { name, degrees: rad.to_degrees() });
        }
    }
    let Some(wheel) = samples.get(Channel::SteeringWheelAngle) else {
        return Ok(Outcome::missing(
            &[Channel::SteeringWheelAngle],
            "without it there is no steering to check",
        ));
    };
    let time = wheel.time_s;
    let on = |c: Channel| samples.get(c).map(|v| v.on(time));
    let speed = on(Channel::Speed);
    let driving: Vec<usize> = (0..time.len())
        .filter(|&i| wheel.values[i].is_finite() && speed.as_ref().is_none_or(|v| v[i] > ROLLING_MPS))
        .collect();
    if driving.len() < FEWEST {
        return Ok(Outcome::too_little(format!(
            "The recording holds {} samples of driving with a steering angle; at least {FEWEST} are needed.",
            driving.len()
        )));
    }
    let of = |v: &[f64]| driving.iter().map(|&i| v[i]).collect::<Vec<f64>>();
    let (t, shown) = (of(time), of(wheel.values));
    let against = |c: Channel| on(c).and_then(|x| ratio(&t, &of(&x), &shown));
    let shown_against_shaft = against(Channel::WheelbaseAngle);
    let wheel_against_road_wheels = against(Channel::RoadWheelAngle);
    let load = on(Channel::AccelY).or_else(|| {
        let (v, r) = (speed.as_ref()?, on(Channel::YawRate)?);
        Some(v.iter().zip(r).map(|(v, r)| v * r).collect())
    });
    let straight_ahead_rad = load.as_ref().zip(speed.as_ref()).and_then(|(a, _)| {
        let straight: Vec<f64> =
            driving.iter().filter(|&&i| a[i].abs() < STRAIGHT_MPS2).map(|&i| wheel.values[i]).collect();
        (straight.len() >= 50).then(|| median(&straight))
    });
    let largest_left_rad = largest(shown.iter().copied()).max(0.0);
    let largest_right_rad = largest(shown.iter().map(|a| -a)).max(0.0);
    let widest = largest_left_rad.max(largest_right_rad);
    let lock_needed_rad = 2.0 * 1.1 * widest;
    let car_behind_wheel = samples.get(Channel::YawRate).and_then(|yaw| {
        // The turn per distance follows the wheel at any speed, the turn per time does not.
        let speed = samples.get(Channel::Speed).map(|v| v.on(yaw.time_s));
        let turn: Vec<f64> = match speed {
            Some(v) => {
                let per_m = |(r, v): (&f64, f64)| if v > ROLLING_MPS { r / v } else { f64::NAN };
                yaw.values.iter().zip(v).map(per_m).collect()
            }
            None => yaw.values.to_vec(),
        };
        delay(
            Signal { time_s: wheel.time_s, values: wheel.values },
            Signal { time_s: yaw.time_s, values: &turn },
            LONGEST_S,
            MANOEUVRE_S,
        )
    });
    let mismatch = shown_against_shaft.map(|r| r.ratio).filter(|r| (r - 1.0).abs() > ONE_TO_ONE);
    // A shaft that turns x shows r·x: with the lock r times as large the program maps it one to one.
    let lock_to_set_rad = match (options.car_lock_rad, options.wheelbase_lock_rad, mismatch) {
        (Some(car), _, _) => Some(car),
        (None, Some(lock), Some(r)) => Some(lock * r),
        _ => None,
    };
    let numbers = Steering {
        shown_against_shaft,
        wheel_against_road_wheels,
        straight_ahead_rad,
        largest_left_rad,
        largest_right_rad,
        at_lock_share: at_lock(&shown),
        lock_to_set_rad,
        lock_needed_rad,
        car_behind_wheel,
    };
    let mut unlocks = Vec::new();
    for (channel, adds) in [
        (Channel::WheelbaseAngle, "whether the wheel on the screen turns 1:1, and its play"),
        (Channel::RoadWheelAngle, "the steering ratio of the car"),
        (Channel::YawRate, "how late the car follows the wheel"),
    ] {
        if samples.get(channel).is_none() {
            unlocks.push(Unlock::new(channel, adds));
        }
    }
    let findings = findings(&numbers);
    Ok(Outcome::Answered(Answer::new(
        numbers,
        findings,
        &[Caution::StrongWheel, Caution::SimulatorsOnly],
        unlocks,
    )))
}

/// Fewest samples that say something.
const FEWEST: usize = 200;

/// Turn of `y` against `x`; none when `x` hardly turns.
fn ratio(t: &[f64], x: &[f64], y: &[f64]) -> Option<Ratio> {
    let mut columns = vec![Vec::new(); 4];
    let mut turned = Vec::new();
    let way = last_way(t, x, TURNING_RADPS);
    for i in 1..t.len() - 1 {
        let dt = t[i + 1] - t[i - 1];
        let rate = (x[i + 1] - x[i - 1]) / dt;
        if !(rate.is_finite() && y[i].is_finite() && x[i].is_finite()) || dt > 0.25 {
            continue;
        }
        let side = way[i];
        for (column, value) in columns.iter_mut().zip([1.0, x[i], rate, side]) {
            column.push(value);
        }
        turned.push(y[i]);
    }
    let fit = robust(&columns, &turned)?;
    let [offset_rad, ratio, lag, play] = fit.coefficients[..] else { return None };
    Some(Ratio {
        ratio,
        offset_rad,
        // The second turns by this before the first moves: seen in the first it is as much times the ratio, the other way round.
        play_rad: (-2.0 * play / ratio).max(0.0),
        lag_s: -lag / ratio,
        scatter_rad: fit.residual_sd,
    })
}

/// Share of the samples at an extreme in runs of five or more, when it is reached again and again.
fn at_lock(angle: &[f64]) -> f64 {
    let share = |side: f64| {
        let top = largest(angle.iter().map(|a| side * a));
        if top.is_nan() || top <= 0.5 {
            return 0.0;
        }
        let at: Vec<bool> = angle.iter().map(|a| side * a > top - 1e-4 * top).collect();
        let runs: usize =
            at.chunk_by(|a, b| a == b).filter(|r| r[0] && r.len() >= 5).map(<[bool]>::len).sum();
        runs as f64 / angle.len() as f64
    };
    share(1.0) + share(-1.0)
}

fn findings(n: &Steering) -> Vec<Finding> {
    let mut found = Vec::new();
    let degrees = f64::to_degrees;
    if let Some(r) = n.shown_against_shaft {
        let why = "Hands learn angles: when the wheel on the screen turns by another amount, every correction is a guess, in slides most \
                   of all.";
        found.push(if (r.ratio - 1.0).abs() <= ONE_TO_ONE {
            Finding::passed(format!("The wheel on the screen turns as the one in the hands, {:.3}:1.", r.ratio), why)
        } else {
            let lock = n.lock_to_set_rad.map_or_else(
                || format!("Multiply the wheelbase's lock by {:.3}, or set the simulator's to that of the wheelbase.", r.ratio),
                |lock| format!("Set the wheelbase to {:.0} degrees from stop to stop.", degrees(lock)),
            );
            Finding::fault(
                if (r.ratio - 1.0).abs() > 0.25 { Verdict::Stop } else { Verdict::Improve },
                format!("The wheel on the screen turns {:.3} times the wheel in the hands.", r.ratio),
                why,
                lock,
                "Turn the wheel by a quarter: the one on the screen must stand at a quarter too; check again with a lap.",
            )
        });
        if r.play_rad > 0.009 {
            found.push(Finding::fault(
                Verdict::Improve,
                format!(
                    "The shaft turns {:.2} degrees before the wheel on the screen follows.",
                    degrees(r.play_rad)
                ),
                "Play around the middle makes the car wander on straights and hides the first slip.",
                "Tighten the quick release and the shaft's coupling; turn dead zones of the steering to 0.",
                "Hold the wheel and rock it: the angle must follow at once; check again with a lap.",
            ));
        }
    }
    let centre = n.shown_against_shaft.map(|r| r.offset_rad).filter(|o| o.abs() > 0.01);
    if let Some(o) = centre {
        found.push(Finding::fault(
            Verdict::Improve,
            format!(
                "With the wheelbase straight the wheel on the screen stands at {:.1} degrees.",
                degrees(o)
            ),
            "The same corner needs another angle to the left than to the right.",
            "Centre the wheelbase with its own program, hands off, then calibrate the simulator again.",
            "Drive straight on: both must stand at 0.",
        ));
    } else if let Some(a) = n.straight_ahead_rad.filter(|a| a.abs() > 0.026) {
        found.push(Finding::fault(
            Verdict::Improve,
            format!("On straights the wheel stands at {:.1} degrees.", degrees(a)),
            "A wheel that is not centred, or a car whose toe or corner weights pull to one side.",
            "Centre the wheelbase hands off; if it stays, look at the car's setup.",
            "On a level straight the wheel must stand within 1 degree of 0.",
        ));
    }
    if n.at_lock_share > 0.001 {
        found.push(Finding::fault(
            Verdict::Improve,
            format!("The wheel stands at its stop for {:.1} % of the driving.", 100.0 * n.at_lock_share),
            "At the stop there is no steering left to catch a slide or to make the hairpin.",
            format!("Allow more turn: at least {:.0} degrees from stop to stop.", degrees(n.lock_needed_rad)),
            "Drive the tightest corner again: the wheel must not reach the stop.",
        ));
    }
    if let Some(d) = n.car_behind_wheel.filter(|d| d.correlation.abs() > 0.5) {
        // Common practice, no source: race cars answer within 0.05 to 0.2 s (ISO 7401 step steer).
        let why = "What comes later than the car's own answer is delay of the rig, and is answered with corrections.";
        found.push(if d.delay_s > 0.3 {
            Finding::fault(
                Verdict::Improve,
                format!("The car turns {:.2} s after the wheel; race cars take 0.05 to 0.2 s.", d.delay_s),
                why,
                "Look for smoothing of the steering, synchronised frames and wireless links; see whether the source logs yaw rate late.",
                "The delay must come down to that of other drives of this car.",
            )
        } else {
            Finding::passed(format!("The car turns {:.2} s after the wheel.", d.delay_s.max(0.0)), why)
        });
    }
    if found.is_empty() {
        let widest = quantile(&[n.largest_left_rad, n.largest_right_rad], 1.0);
        found.push(Finding::passed(
            format!(
                "Nothing is wrong with what was logged: the wheel turned up to {:.0} degrees.",
                degrees(widest)
            ),
            "More channels would tell more.",
        ));
    }
    found
}

#[cfg(test)]
mod tests {
    use super::*;
    use channels::Origin;
    use proptest::prelude::*;

    /// A shaft that swings, and a screen that shows `ratio` times it, late and with play.
    fn rig(ratio: f64, offset_rad: f64, play_rad: f64, lag_s: f64) -> Samples {
        let t: Vec<f64> = (0..6000).map(|i| f64::from(i) * 0.01).collect();
        let hand = |t: f64| 0.8 * (0.7 * t).sin() + 0.3 * (1.9 * t + 0.4).sin();
        let shaft: Vec<f64> = t.iter().map(|t| hand(*t)).collect();
        let mut held = hand(-lag_s);
        let shown: Vec<f64> = t
            .iter()
            .map(|t| {
                let x = hand(t - lag_s);
                held = held.clamp(x - 0.5 * play_rad, x + 0.5 * play_rad);
                offset_rad + ratio * held
            })
            .collect();
        let mut samples = Samples::new();
        let clock = samples.add_clock(t).unwrap();
        samples.insert(Channel::WheelbaseAngle, clock, shaft, Origin::Logged).unwrap();
        samples.insert(Channel::SteeringWheelAngle, clock, shown, Origin::Logged).unwrap();
        samples
    }

    proptest! {
        #[test]
        fn ratio_offset_play_and_lag_are_told_apart(
            ratio in 0.5..1.8f64, offset in -0.1..0.1f64, play in 0.0..0.06f64, lag in 0.0..0.06f64,
        ) {
            let outcome = steering(&rig(ratio, offset, play, lag), &SteeringOptions::default()).unwrap();
            let found = outcome.answer().unwrap().numbers.shown_against_shaft.unwrap();
            prop_assert!((found.ratio / ratio - 1.0).abs() < 0.01, "{found:?}");
            prop_assert!((found.offset_rad - offset).abs() < 0.003, "{found:?}");
            prop_assert!((found.play_rad - play).abs() < 0.004, "{found:?} for {play}");
            prop_assert!((found.lag_s - lag).abs() < 0.006, "{found:?} for {lag}");
        }
    }

    #[test]
    fn a_mismatch_names_the_lock_to_set() {
        let options = SteeringOptions { wheelbase_lock_rad: Some(900f64.to_radians()), car_lock_rad: None };
        let outcome = steering(&rig(0.6, 0.0, 0.0, 0.0), &options).unwrap();
        let answer = outcome.answer().unwrap();
        assert_eq!(answer.verdict, Verdict::Stop);
        // Common practice, no source: modern rally cars use about 540 degrees.
        assert!((answer.numbers.lock_to_set_rad.unwrap().to_degrees() - 540.0).abs() < 5.0);
        let bad = SteeringOptions { car_lock_rad: Some(0.5), ..options };
        assert!(steering(&rig(1.0, 0.0, 0.0, 0.0), &bad).unwrap_err().to_string().contains("29 degrees"));
    }

    #[test]
    fn a_wheel_against_its_stop_is_noticed() {
        let mut samples = rig(1.0, 0.0, 0.0, 0.0);
        let view = samples.get(Channel::SteeringWheelAngle).unwrap();
        let stopped: Vec<f64> = view.values.iter().map(|a| a.clamp(-0.9, 0.9)).collect();
        let clock = samples.clock_of(Channel::SteeringWheelAngle).unwrap();
        samples.insert(Channel::SteeringWheelAngle, clock, stopped, Origin::Logged).unwrap();
        let outcome = steering(&samples, &SteeringOptions::default()).unwrap();
        assert!(outcome.answer().unwrap().numbers.at_lock_share > 0.01);
    }

    #[test]
    fn without_a_wheel_the_answer_says_which_channel_would_help() {
        let outcome = steering(&Samples::new(), &SteeringOptions::default()).unwrap();
        assert!(
            matches!(outcome, Outcome::NotEnough { ref channels, .. } if channels == &[Channel::SteeringWheelAngle])
        );
    }
}
