//! Applying what settles a contradiction.

use super::{Fix, FixKind};
use channels::{Channel, ClockId, Origin, Samples, SamplesError};
use serde::Serialize;

/// A fix that was applied.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Applied {
    /// The fix.
    pub fix: Fix,
    /// The channels whose values changed.
    pub channels: Vec<Channel>,
    /// The same for reading.
    pub sentence: String,
}

/// A fix that cannot be applied.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[allow(missing_docs)]
pub enum FixError {
    /// The channel is not there.
    #[error("the recording has no channel {channel}, so it cannot be changed; check the recording again")]
    NoChannel { channel: Channel },
    /// The samples refuse the result.
    #[error("{channel} cannot be changed: {source}")]
    Samples { channel: Channel, source: SamplesError },
}

/// Applies fixes to a recording and tells what was done. All or nothing: on an error the samples stay as they were.
///
/// Signs are the user's to change: pass [`Consistency::sign_fixes`](super::Consistency::sign_fixes) for `--fix-signs`.
///
/// # Errors
/// [`FixError`] when a channel is not there.
pub fn apply(fixes: &[Fix], samples: &mut Samples) -> Result<Vec<Applied>, FixError> {
    let mut changed = samples.clone();
    let applied = fixes.iter().map(|fix| one(fix, &mut changed)).collect::<Result<Vec<_>, _>>()?;
    *samples = changed;
    Ok(applied)
}

fn one(fix: &Fix, samples: &mut Samples) -> Result<Applied, FixError> {
    let channel = fix.channel;
    let here = |c: &Channel| samples.clock_of(*c).is_some();
    let (channels, done): (Vec<Channel>, String) = match &fix.change {
        FixKind::Mirror => {
            (Channel::all().filter(|c| c.is_lateral() && here(c)).collect(), "sign changed".to_owned())
        }
        FixKind::Sign => (vec![channel], "sign changed".to_owned()),
        FixKind::Invert => (vec![channel], "counted from the other end".to_owned()),
        FixKind::Unit { factor, unit, .. } => {
            let channels = match channel {
                Channel::X => [Channel::X, Channel::Y, Channel::Z].into_iter().filter(here).collect(),
                _ => vec![channel],
            };
            (channels, format!("taken for {unit}, times {factor:.6}"))
        }
        FixKind::Offset { add } => (vec![channel], format!("{add:+.6} {}", channel.dimension().si_symbol())),
        FixKind::Delay { delay_s } => (vec![channel], format!("taken {delay_s:.3} s earlier")),
        FixKind::LeaveOut => (vec![channel], "left out".to_owned()),
    };
    if let Some(&missing) = channels.iter().find(|c| !here(c)) {
        return Err(FixError::NoChannel { channel: missing });
    }
    match &fix.change {
        FixKind::LeaveOut => *samples = without(samples, channel)?,
        FixKind::Delay { delay_s } => delay(samples, channel, *delay_s)?,
        kind => {
            for &c in &channels {
                // value · factor + summand
                let (factor, summand) = match kind {
                    FixKind::Invert => (-1.0, 1.0),
                    FixKind::Unit { factor, .. } => (*factor, 0.0),
                    FixKind::Offset { add } => (1.0, *add),
                    _ => (-1.0, 0.0),
                };
                let change = |v: f64| v * factor + summand;
                replace(samples, c, &change)?;
            }
        }
    }
    let list: Vec<String> = channels.iter().map(|c| c.name()).collect();
    Ok(Applied { fix: fix.clone(), sentence: format!("{}: {done}", list.join(", ")), channels })
}

fn refused(channel: Channel) -> impl Fn(SamplesError) -> FixError {
    move |source| FixError::Samples { channel, source }
}

fn replace(samples: &mut Samples, channel: Channel, change: &dyn Fn(f64) -> f64) -> Result<(), FixError> {
    let missing = FixError::NoChannel { channel };
    let (Some(view), Some(clock)) = (samples.get(channel), samples.clock_of(channel)) else {
        return Err(missing);
    };
    let (values, origin) = (view.values.iter().map(|&v| change(v)).collect(), view.origin);
    samples.insert(channel, clock, values, origin).map_err(refused(channel))
}

/// The channel gets a clock of its own, which runs earlier.
fn delay(samples: &mut Samples, channel: Channel, delay_s: f64) -> Result<(), FixError> {
    let Some(view) = samples.get(channel) else { return Err(FixError::NoChannel { channel }) };
    let time_s = view.time_s.iter().map(|t| t - delay_s).collect();
    let (values, origin): (Vec<f64>, Origin) = (view.values.to_vec(), view.origin);
    let clock = samples.add_clock(time_s).map_err(refused(channel))?;
    samples.insert(channel, clock, values, origin).map_err(refused(channel))
}

fn without(samples: &Samples, gone: Channel) -> Result<Samples, FixError> {
    let mut rest = Samples::new();
    let mut clocks: Vec<ClockId> = Vec::new();
    for (_, time_s) in samples.clocks() {
        clocks.push(rest.add_clock(time_s.to_vec()).map_err(refused(gone))?);
    }
    for c in samples.channels().filter(|&c| c != gone) {
        if let (Some(view), Some(clock)) = (samples.get(c), samples.clock_of(c)) {
            rest.insert(c, clocks[clock.0], view.values.to_vec(), view.origin).map_err(refused(c))?;
        }
    }
    Ok(rest)
}
