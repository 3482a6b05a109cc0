//! Timing: do samples come evenly, and how late does an input arrive?
//!
//! A clock that stutters makes times between samples guesses; an input that arrives late is answered with corrections.

use crate::signal::{Delay, Signal, delay};
use crate::stats::{finite, largest, mean, median, quantile, sd};
use crate::{Answer, Caution, Finding, Outcome, Unlock, Verdict};
use channels::{Channel, Samples};
use serde::Serialize;

/// One clock of the recording.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Clock {
    /// Channels that run on it.
    pub channels: Vec<Channel>,
    /// Stamps.
    pub stamps: usize,
    /// Samples per second, from the mean step outside gaps \[1/s\].
    pub rate_hz: f64,
    /// Standard deviation of the steps outside gaps \[s\].
    pub jitter_s: f64,
    /// The step that 1 in 100 exceeds, less the mean step \[s\].
    pub late_step_s: f64,
    /// Steps that are longer than 1.6 times the median.
    pub gaps: usize,
    /// Samples that are missing in them.
    pub dropped: usize,
    /// Dropped over what should be there \[0..1\].
    pub dropped_share: f64,
    /// Longest step \[s\].
    pub longest_s: f64,
    /// Share of the samples on which no channel of the clock changed, while driving \[0..1\]: frames shown twice.
    pub repeated_share: f64,
}

/// An input and what the car got of it.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct InputDelay {
    /// The sensor.
    pub sensor: Channel,
    /// What reached the car.
    pub at_the_car: Channel,
    /// The delay; its resolution is about a tenth of the sample step.
    pub delay: Delay,
}

/// Numbers of the timing check.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Timing {
    /// Clocks with channels on them, fastest first.
    pub clocks: Vec<Clock>,
    /// Input delays, where both ends were logged.
    pub inputs: Vec<InputDelay>,
}

/// Sensor, and what reaches the car of it.
const INPUTS: [(Channel, Channel); 4] = [
    (Channel::WheelbaseAngle, Channel::SteeringWheelAngle),
    (Channel::PedalRaw, Channel::Brake),
    (Channel::BrakeTravel, Channel::Brake),
    (Channel::ThrottleTravel, Channel::Throttle),
];

/// Longest input delay that is looked for \[s\].
const LONGEST_S: f64 = 0.3;

/// Checks clocks and input delays of a recording.
#[must_use]
pub fn timing(samples: &Samples) -> Outcome<Timing> {
    let mut clocks: Vec<Clock> = samples
        .clocks()
        .filter(|(_, t)| t.len() >= FEWEST)
        .map(|(id, t)| {
            let channels: Vec<Channel> =
                samples.channels().filter(|c| samples.clock_of(*c) == Some(id)).collect();
            clock(samples, channels, t)
        })
        .filter(|c| !c.channels.is_empty())
        .collect();
    if clocks.is_empty() {
        return Outcome::too_little(format!(
            "No clock of the recording has {FEWEST} samples: record for a few seconds at least."
        ));
    }
    clocks.sort_by(|a, b| b.rate_hz.total_cmp(&a.rate_hz));
    let inputs: Vec<InputDelay> = INPUTS
        .into_iter()
        .filter_map(|(sensor, at_the_car)| {
            let (a, b) = (samples.get(sensor)?, samples.get(at_the_car)?);
            let delay = delay(
                Signal { time_s: a.time_s, values: a.values },
                Signal { time_s: b.time_s, values: b.values },
                LONGEST_S,
                0.0,
            )?;
            (delay.correlation.abs() > 0.9).then_some(InputDelay { sensor, at_the_car, delay })
        })
        .collect();
    let unlocks = if inputs.is_empty() {
        vec![Unlock::new(
            Channel::WheelbaseAngle,
            "the delay between the wheel in the hands and the wheel in the car",
        )]
    } else {
        Vec::new()
    };
    let findings = findings(&clocks, &inputs);
    Outcome::Answered(Answer::new(Timing { clocks, inputs }, findings, &[Caution::SimulatorsOnly], unlocks))
}

const FEWEST: usize = 50;

fn clock(samples: &Samples, channels: Vec<Channel>, t: &[f64]) -> Clock {
    let steps: Vec<f64> = t.windows(2).map(|w| w[1] - w[0]).collect();
    // The median step finds the gaps, the mean of the others the rate: stamps in whole milliseconds alternate between two
    // steps, and the median is one of them.
    let middle = median(&steps);
    let even: Vec<f64> = steps.iter().copied().filter(|s| *s <= 1.6 * middle).collect();
    let usual = mean(&even);
    let gaps: Vec<f64> = steps.iter().copied().filter(|s| *s > 1.6 * middle).collect();
    let dropped: f64 = gaps.iter().map(|g| ((g / usual).round() - 1.0).max(0.0)).sum();
    let moving: Vec<&[f64]> =
        channels.iter().filter_map(|c| samples.get(*c)).map(|v| v.values).filter(|v| moves(v)).collect();
    let speed = samples.get(Channel::Speed).map(|v| v.on(t));
    let driving: Vec<usize> = (1..t.len()).filter(|&i| speed.as_ref().is_none_or(|v| v[i] > 5.0)).collect();
    let repeats = driving
        .iter()
        .filter(|&&i| !moving.is_empty() && moving.iter().all(|v| v[i].to_bits() == v[i - 1].to_bits()))
        .count();
    Clock {
        stamps: t.len(),
        rate_hz: 1.0 / usual,
        jitter_s: sd(&even),
        late_step_s: quantile(&even, 0.99) - usual,
        gaps: gaps.len(),
        dropped: dropped as usize,
        dropped_share: dropped / (dropped + t.len() as f64),
        longest_s: largest(steps),
        repeated_share: if driving.is_empty() { 0.0 } else { repeats as f64 / driving.len() as f64 },
        channels,
    }
}

/// Whether a channel changes in most steps: gears and flags say nothing of repeats.
fn moves(values: &[f64]) -> bool {
    let known = finite(values.iter().copied());
    known.windows(2).filter(|w| w[0] != w[1]).count() * 2 > known.len()
}

/// Share of dropped samples that a corner's brake point survives, and a jitter that does not count \[share of the step\].
/// Common practice, no source.
const FEW_DROPS: f64 = 0.002;
const SMALL_JITTER: f64 = 0.10;

fn findings(clocks: &[Clock], inputs: &[InputDelay]) -> Vec<Finding> {
    let why = "A drive that stutters is felt as a car that answers late, and brake points are measured no better than the gaps.";
    let mut found = Vec::new();
    for c in clocks {
        let about = format!(
            "At {:.0} samples a second the step varies by {:.2} ms; {} samples are missing in {} gaps, the longest {:.0} ms.",
            c.rate_hz,
            1e3 * c.jitter_s,
            c.dropped,
            c.gaps,
            1e3 * c.longest_s
        );
        if c.dropped_share > FEW_DROPS || c.jitter_s * c.rate_hz > SMALL_JITTER {
            found.push(Finding::fault(
                if c.dropped_share > 0.05 || c.longest_s > 1.0 { Verdict::Stop } else { Verdict::Improve },
                about,
                why,
                "Close what runs beside the simulator, lower the load on the graphics, log to a fast disk or at a lower rate.",
                "Record again: less than 0.2 % of the samples may be missing.",
            ));
        } else {
            found.push(Finding::passed(about, why));
        }
        if c.repeated_share > 0.02 {
            found.push(Finding::fault(
                Verdict::Improve,
                format!(
                    "{:.1} % of the samples repeat the one before while the car moves.",
                    100.0 * c.repeated_share
                ),
                why,
                "Log at the rate of the simulation: the source writes some of its steps twice.",
                "Record again: no sample may repeat the one before.",
            ));
        }
    }
    for i in inputs {
        let why = "Hands and feet answer what they see: each hundredth of a second between them and the car makes slides harder to catch.";
        let about = format!("{} follows {} after {:.0} ms.", i.at_the_car, i.sensor, 1e3 * i.delay.delay_s);
        // Common practice, no source: up to 30 ms is not noticed.
        found.push(if i.delay.delay_s > 0.03 {
            Finding::fault(
                Verdict::Improve,
                about,
                why,
                "Turn off smoothing of the input, use a cable instead of radio, raise the polling rate, and turn frame synchronisation off.",
                "Record again: the delay must be below 30 ms.",
            )
        } else {
            Finding::passed(about, why)
        });
    }
    found
}

#[cfg(test)]
mod tests {
    use super::*;
    use channels::Origin;

    fn drive(t: Vec<f64>, late_s: f64) -> Samples {
        let hand = |t: f64| (0.9 * t).sin() + 0.4 * (2.7 * t).sin();
        let (shaft, shown) =
            (t.iter().map(|t| hand(*t)).collect(), t.iter().map(|t| hand(t - late_s)).collect());
        let mut samples = Samples::new();
        let clock = samples.add_clock(t).unwrap();
        samples.insert(Channel::WheelbaseAngle, clock, shaft, Origin::Logged).unwrap();
        samples.insert(Channel::SteeringWheelAngle, clock, shown, Origin::Logged).unwrap();
        samples
    }

    #[test]
    fn an_even_clock_passes_and_the_input_delay_is_found() {
        let outcome = timing(&drive((0..3000).map(|i| f64::from(i) * 0.01).collect(), 0.012));
        let answer = outcome.answer().unwrap();
        assert_eq!(answer.verdict, Verdict::Passed, "{:?}", answer.findings);
        assert!(
            (answer.numbers.inputs[0].delay.delay_s - 0.012).abs() < 0.001,
            "{:?}",
            answer.numbers.inputs
        );
        let slow = timing(&drive((0..3000).map(|i| f64::from(i) * 0.01).collect(), 0.08));
        assert_eq!(slow.answer().unwrap().verdict, Verdict::Improve);
    }

    #[test]
    fn drops_and_jitter_have_their_size() {
        // Every 50th sample is missing; steps vary by ±2 ms in turn.
        let t = (0..3000)
            .filter(|i| i % 50 != 7)
            .map(|i| f64::from(i) * 0.01 + if i % 2 == 0 { 0.001 } else { -0.001 })
            .collect();
        let outcome = timing(&drive(t, 0.0));
        let c = &outcome.answer().unwrap().numbers.clocks[0];
        assert_eq!((c.gaps, c.dropped), (60, 60));
        assert!((c.dropped_share - 0.02).abs() < 1e-3 && (c.jitter_s - 0.002).abs() < 1e-4, "{c:?}");
    }

    #[test]
    fn frames_shown_twice_are_counted() {
        let mut samples = drive((0..1000).map(|i| f64::from(i) * 0.01).collect(), 0.0);
        for channel in [Channel::WheelbaseAngle, Channel::SteeringWheelAngle] {
            let mut v = samples.get(channel).unwrap().values.to_vec();
            for i in (10..1000).step_by(10) {
                v[i] = v[i - 1];
            }
            let clock = samples.clock_of(channel).unwrap();
            samples.insert(channel, clock, v, Origin::Logged).unwrap();
        }
        let outcome = timing(&samples);
        assert!((outcome.answer().unwrap().numbers.clocks[0].repeated_share - 0.1).abs() < 0.002);
    }

    #[test]
    fn a_few_samples_are_not_enough() {
        assert!(matches!(timing(&Samples::new()), Outcome::NotEnough { .. }));
    }
}
