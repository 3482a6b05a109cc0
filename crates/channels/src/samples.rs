//! The channels of one recording in memory, each on the clock it was logged with.
//!
//! Rule for gaps: a value that was not logged is NaN, and a reading next to it is NaN too, never a guess. Readings
//! before the first or after the last sample of a clock are NaN.

use crate::{Channel, Interpolation};
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;
use std::f64::consts::PI;

/// One of the clocks of a recording.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
pub struct ClockId(pub usize);

/// Where the values of a channel come from.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Origin {
    /// Logged by the source.
    Logged,
    /// Computed from other channels.
    Derived,
}

/// Samples that cannot be held.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum SamplesError {
    /// Time stands still, runs backwards or is not a number.
    #[error("time must increase: sample {index} is at {time_s} s after {before_s} s")]
    Clock {
        /// Index of the later sample.
        index: usize,
        /// Its time \[s\].
        time_s: f64,
        /// Time of the sample before \[s\].
        before_s: f64,
    },
    /// A channel has more or fewer values than its clock has stamps.
    #[error("channel {channel} has {values} values on a clock of {stamps} stamps")]
    Length {
        /// The channel.
        channel: Channel,
        /// Its number of values.
        values: usize,
        /// Stamps of the clock.
        stamps: usize,
    },
    /// The clock does not exist.
    #[error("there is no clock {0}")]
    NoClock(usize),
}

/// An analysis needs a channel that the recording does not have.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("the recording has no channel {channel} ({}); it is needed to {purpose}. Log it, or map a column to it with --map", channel.meaning())]
pub struct MissingChannel {
    /// The channel.
    pub channel: Channel,
    /// What it is needed for, completing 'needed to …'.
    pub purpose: &'static str,
}

#[derive(Debug, Clone, PartialEq)]
struct Signal {
    clock: ClockId,
    origin: Origin,
    values: Vec<f64>,
}

/// All channels of one recording, SI and ISO 8855.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Samples {
    clocks: Vec<Vec<f64>>,
    signals: BTreeMap<Channel, Signal>,
}

impl Samples {
    /// No clocks, no channels.
    #[must_use]
    pub fn new() -> Self {
        Self::default()
    }

    /// Adds a clock: n time stamps \[s\], finite and strictly increasing.
    ///
    /// # Errors
    /// [`SamplesError::Clock`] at the first stamp that is not later than the one before.
    pub fn add_clock(&mut self, time_s: Vec<f64>) -> Result<ClockId, SamplesError> {
        if let Some(&first) = time_s.first().filter(|t| !t.is_finite()) {
            return Err(SamplesError::Clock { index: 0, time_s: first, before_s: f64::NAN });
        }
        if let Some(i) = (1..time_s.len()).find(|&i| !(time_s[i].is_finite() && time_s[i] > time_s[i - 1])) {
            return Err(SamplesError::Clock { index: i, time_s: time_s[i], before_s: time_s[i - 1] });
        }
        self.clocks.push(time_s);
        Ok(ClockId(self.clocks.len() - 1))
    }

    /// Adds or replaces a channel: one value \[SI\] per stamp of the clock, NaN where none was logged.
    ///
    /// # Errors
    /// [`SamplesError::Length`] or [`SamplesError::NoClock`].
    pub fn insert(
        &mut self,
        channel: Channel,
        clock: ClockId,
        values: Vec<f64>,
        origin: Origin,
    ) -> Result<(), SamplesError> {
        let stamps = self.clocks.get(clock.0).ok_or(SamplesError::NoClock(clock.0))?.len();
        if values.len() != stamps {
            return Err(SamplesError::Length { channel, values: values.len(), stamps });
        }
        self.signals.insert(channel, Signal { clock, origin, values });
        Ok(())
    }

    /// The channels that are there, in the order of the vocabulary.
    pub fn channels(&self) -> impl Iterator<Item = Channel> {
        self.signals.keys().copied()
    }

    /// The clocks, each a list of time stamps \[s\].
    pub fn clocks(&self) -> impl Iterator<Item = (ClockId, &[f64])> {
        self.clocks.iter().enumerate().map(|(i, t)| (ClockId(i), t.as_slice()))
    }

    /// Clock of a channel.
    #[must_use]
    pub fn clock_of(&self, channel: Channel) -> Option<ClockId> {
        self.signals.get(&channel).map(|s| s.clock)
    }

    /// A channel with its time stamps, if the recording has it.
    #[must_use]
    pub fn get(&self, channel: Channel) -> Option<View<'_>> {
        let signal = self.signals.get(&channel)?;
        Some(View {
            channel,
            origin: signal.origin,
            time_s: &self.clocks[signal.clock.0],
            values: &signal.values,
        })
    }

    /// A channel that an analysis cannot do without.
    ///
    /// # Errors
    /// [`MissingChannel`] with what it is needed for.
    pub fn require(&self, channel: Channel, purpose: &'static str) -> Result<View<'_>, MissingChannel> {
        self.get(channel).ok_or(MissingChannel { channel, purpose })
    }

    /// First and last time stamp over all clocks \[s\]; none when there is no sample.
    #[must_use]
    pub fn span_s(&self) -> Option<(f64, f64)> {
        let first = self.clocks.iter().filter_map(|t| t.first()).copied().reduce(f64::min)?;
        let last = self.clocks.iter().filter_map(|t| t.last()).copied().reduce(f64::max)?;
        Some((first, last))
    }
}

/// One channel with its time stamps.
#[derive(Debug, Clone, Copy)]
pub struct View<'a> {
    /// The channel.
    pub channel: Channel,
    /// Logged or derived.
    pub origin: Origin,
    /// n time stamps \[s\], strictly increasing.
    pub time_s: &'a [f64],
    /// n values \[SI\]; NaN where none was logged.
    pub values: &'a [f64],
}

impl<'a> View<'a> {
    /// The part with stamps in `[from_s, to_s]`.
    #[must_use]
    pub fn between(self, from_s: f64, to_s: f64) -> Self {
        let a = self.time_s.partition_point(|&t| t < from_s);
        let b = self.time_s.partition_point(|&t| t <= to_s).max(a);
        Self { time_s: &self.time_s[a..b], values: &self.values[a..b], ..self }
    }

    /// Reading at a time \[s\], by the channel's [`Interpolation`].
    #[must_use]
    pub fn at(self, time_s: f64) -> f64 {
        let after = self.time_s.partition_point(|&t| t < time_s);
        self.read(after, time_s)
    }

    /// Readings at increasing times \[s\]; one pass over the samples.
    #[must_use]
    pub fn on(self, times_s: &[f64]) -> Vec<f64> {
        let mut after = 0;
        times_s
            .iter()
            .map(|&t| {
                while after < self.time_s.len() && self.time_s[after] < t {
                    after += 1;
                }
                self.read(after, t)
            })
            .collect()
    }

    /// Reading at `time_s` when `after` is the first sample that is not earlier.
    fn read(self, after: usize, time_s: f64) -> f64 {
        if after < self.time_s.len() && self.time_s[after] == time_s {
            return self.values[after];
        }
        if after == 0 || after >= self.time_s.len() {
            return f64::NAN;
        }
        let (t0, t1) = (self.time_s[after - 1], self.time_s[after]);
        let (a, b) = (self.values[after - 1], self.values[after]);
        let w = (time_s - t0) / (t1 - t0);
        match self.channel.interpolation() {
            Interpolation::Linear => a + (b - a) * w,
            Interpolation::Hold => a,
            Interpolation::Circular => a + wrapped(b - a) * w,
            // Half a lap back between two samples is a restart: the source counts from the line again.
            Interpolation::Restarting if b < a - RESTART_M => f64::NAN,
            Interpolation::Restarting => a + (b - a) * w,
        }
    }
}

/// A fall of the lap distance by more than this is the line, not a car that rolls back \[m\]. Common practice, no
/// source: shorter than any circuit, longer than any roll-back between two samples.
const RESTART_M: f64 = 50.0;

/// Angle \[rad\] brought to (-pi, pi].
fn wrapped(angle: f64) -> f64 {
    let r = angle.rem_euclid(2.0 * PI);
    if r > PI { r - 2.0 * PI } else { r }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn one(channel: Channel, t: &[f64], v: &[f64]) -> Samples {
        let mut s = Samples::new();
        let c = s.add_clock(t.to_vec()).unwrap();
        s.insert(channel, c, v.to_vec(), Origin::Logged).unwrap();
        s
    }

    #[test]
    fn readings_follow_the_kind_of_channel() {
        let at = |c, v: [f64; 2], t| one(c, &[0.0, 1.0], &v).get(c).unwrap().at(t);
        assert_eq!(at(Channel::Speed, [10.0, 20.0], 0.25), 12.5);
        assert_eq!(at(Channel::Gear, [2.0, 3.0], 0.99), 2.0);
        assert!((at(Channel::Heading, [3.0, -3.0], 0.5).abs() - PI).abs() < 1e-12);
        assert!(at(Channel::LapDistance, [2990.0, 5.0], 0.5).is_nan());
    }

    #[test]
    fn nothing_is_read_outside_or_beside_a_hole() {
        let s = one(Channel::Speed, &[0.0, 1.0, 2.0], &[1.0, f64::NAN, 3.0]);
        let v = s.get(Channel::Speed).unwrap();
        assert!(v.at(-0.1).is_nan() && v.at(2.1).is_nan() && v.at(0.5).is_nan());
        assert_eq!((v.at(0.0), v.at(2.0)), (1.0, 3.0));
        assert_eq!(v.on(&[0.0, 2.0]), vec![1.0, 3.0]);
        assert_eq!(v.between(0.5, 2.0).values.len(), 2);
    }

    #[test]
    fn time_that_stands_still_is_refused_with_its_place() {
        let e = Samples::new().add_clock(vec![0.0, 1.0, 1.0]).unwrap_err();
        assert_eq!(e, SamplesError::Clock { index: 2, time_s: 1.0, before_s: 1.0 });
        assert!(Samples::new().add_clock(vec![f64::NAN]).is_err());
    }
}
