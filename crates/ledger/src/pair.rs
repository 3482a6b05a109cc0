//! The two laps side by side at the nodes they share.

use crate::{Both, Column, LedgerError, Side};
use channels::Channel;
use track::LapTrace;

/// Nodes to each side over which speed is taken from place and time \[-\]; nodes are about 1 m apart, so that ten metres
/// hold several samples at any rate above 20 Hz and 40 m/s. Own choice.
const REACH: usize = 5;
/// Speeds below this \[m/s\] are read from place and time instead: the channel tells neither a halt nor reversing apart
/// from a hole in the log. Own choice.
const LEAST_SPEED_MPS: f64 = 0.5;
/// Two laps with one set of nodes.
pub(crate) struct Pair<'a> {
    pub(crate) laps: Both<&'a LapTrace>,
    /// Time of the lap less that of the reference at each node \[s\].
    pub(crate) gap_s: Vec<f64>,
    /// Speed of each lap at the nodes \[m/s\], above 0: as logged where both laps have it, else from place and time.
    pub(crate) speed_mps: Both<Vec<f64>>,
}

impl<'a> Pair<'a> {
    /// # Errors
    /// [`LedgerError`] unless both laps are whole, run forward in time and share their nodes.
    pub(crate) fn new(lap: &'a LapTrace, reference: &'a LapTrace) -> Result<Self, LedgerError> {
        check(Side::Lap, lap)?;
        check(Side::Reference, reference)?;
        let laps = Both { lap, reference };
        if lap.s_m != reference.s_m {
            let last = laps.map(|l| l.s_m.last().copied().unwrap_or(0.0));
            return Err(LedgerError::Nodes {
                lap: lap.s_m.len(),
                lap_m: last.lap,
                reference: reference.s_m.len(),
                reference_m: last.reference,
            });
        }
        let gap_s = lap.time_s.iter().zip(&reference.time_s).map(|(a, b)| a - b).collect();
        Ok(Self { laps, gap_s, speed_mps: speeds(laps) })
    }

    /// Nodes \[m\].
    pub(crate) fn s_m(&self) -> &'a [f64] {
        &self.laps.reference.s_m
    }

    /// Gap at any place \[s\].
    pub(crate) fn gap_at(&self, s_m: f64) -> f64 {
        at(self.s_m(), &self.gap_s, s_m)
    }

    /// Speeds at any place \[m/s\].
    pub(crate) fn speed_at(&self, s_m: f64) -> Both<f64> {
        self.speed_mps.as_ref().map(|v| at(self.s_m(), v, s_m))
    }

    /// Times at any place \[s\].
    pub(crate) fn time_at(&self, s_m: f64) -> Both<f64> {
        self.laps.map(|l| at(&l.s_m, &l.time_s, s_m))
    }

    /// A channel that both laps have.
    pub(crate) fn channel(&self, channel: Channel) -> Option<Both<&'a [f64]>> {
        self.laps.map(|l| l.channels.get(&channel).map(Vec::as_slice)).present()
    }

    /// `from_m`, the nodes between, `to_m`; nothing when the stretch is empty.
    pub(crate) fn places(&self, from_m: f64, to_m: f64) -> impl Iterator<Item = f64> + 'a {
        let s = self.s_m();
        let inside = s.partition_point(|&x| x <= from_m)..s.partition_point(|&x| x < to_m);
        let inside = if inside.start <= inside.end { &s[inside] } else { &[] };
        let ends = if from_m < to_m { [Some(from_m), Some(to_m)] } else { [None, None] };
        ends[0].into_iter().chain(inside.iter().copied()).chain(ends[1])
    }
}

/// Reading between nodes, straight line; the end values outside.
pub(crate) fn at(s_m: &[f64], values: &[f64], s: f64) -> f64 {
    let after = s_m.partition_point(|&x| x < s).clamp(1, s_m.len() - 1);
    let (a, b) = (values[after - 1], values[after]);
    let w = ((s - s_m[after - 1]) / (s_m[after] - s_m[after - 1])).clamp(0.0, 1.0);
    // The ends are returned as they are, so that a reading at a node is the node's value.
    match w {
        0.0 => a,
        1.0 => b,
        _ => a + (b - a) * w,
    }
}

fn check(side: Side, lap: &LapTrace) -> Result<(), LedgerError> {
    let nodes = lap.s_m.len();
    if nodes < 2 {
        return Err(LedgerError::Empty { side, nodes });
    }
    let columns = [(Column::Time, lap.time_s.len()), (Column::Offset, lap.offset_m.len())];
    let channels = lap.channels.iter().map(|(&c, v)| (Column::Channel(c), v.len()));
    if let Some((column, values)) = columns.into_iter().chain(channels).find(|&(_, n)| n != nodes) {
        return Err(LedgerError::Ragged { side, column, nodes, values });
    }
    let stop = |v: &[f64]| v.windows(2).position(|w| !(w[1] > w[0] && w[0].is_finite() && w[1].is_finite()));
    if let Some(i) = stop(&lap.s_m) {
        return Err(LedgerError::Place { side, node: i + 1, before_m: lap.s_m[i], s_m: lap.s_m[i + 1] });
    }
    match stop(&lap.time_s) {
        Some(i) => Err(LedgerError::Time {
            side,
            s_m: lap.s_m[i + 1],
            before_s: lap.time_s[i],
            time_s: lap.time_s[i + 1],
        }),
        None => Ok(()),
    }
}

fn speeds(laps: Both<&LapTrace>) -> Both<Vec<f64>> {
    let logged = laps.map(|l| l.channels.get(&Channel::Speed)).present();
    let mut speeds = laps.map(progress_mps);
    let Some(logged) = logged else { return speeds };
    for (i, (&lap, &reference)) in logged.lap.iter().zip(logged.reference).enumerate() {
        if lap >= LEAST_SPEED_MPS && reference >= LEAST_SPEED_MPS {
            speeds.lap[i] = lap;
            speeds.reference[i] = reference;
        }
    }
    speeds
}

/// Speed of a single lap at the nodes \[m/s\], above 0: as logged, else from place and time.
pub(crate) fn speed_of(lap: &LapTrace) -> Vec<f64> {
    speeds(Both { lap, reference: lap }).lap
}

/// Speed along the centre line at the nodes \[m/s\]: distance over time across the neighbouring nodes, fewer of them at the
/// ends.
fn progress_mps(lap: &LapTrace) -> Vec<f64> {
    let last = lap.s_m.len() - 1;
    let between = |i: usize| {
        let reach = REACH.min(i).min(last - i).max(1);
        let (a, b) = (i.saturating_sub(reach), (i + reach).min(last));
        (lap.s_m[b] - lap.s_m[a]) / (lap.time_s[b] - lap.time_s[a])
    };
    (0..=last).map(between).collect()
}
