//! How much of the grip that a lap has shown is in use, place by place.
//!
//! Forward and lateral acceleration are set against the most that the lap itself showed at about that speed: sideways,
//! braking and driving each by a quantile over the lap's places, so that one spike over a kerb sets no mark. Use is the
//! length in that ellipse, 1 at the demonstrated envelope. A place without enough places like it has no use.

use crate::line;
use channels::Channel;
use track::LapTrace;

/// Speeds that count as about the same \[m/s\]; own choice.
const BAND_MPS: f64 = 8.0;
/// Least number of places in a band, about a metre apart; own choice.
const LEAST_PLACES: usize = 40;
/// Quantile that stands for the most; own choice: a spike of 2 m in 100 is left out.
const MOST: f64 = 0.97;

/// Grip in use at each node of a lap.
pub(crate) struct Grip {
    in_use: Vec<f64>,
}

impl Grip {
    /// Nothing when the lap shows neither lateral acceleration nor yaw rate.
    pub(crate) fn of(lap: &LapTrace, speed_mps: &[f64]) -> Option<Self> {
        let column = |c| lap.channels.get(&c).map(Vec::as_slice);
        let lateral: Vec<f64> = match (column(Channel::AccelY), column(Channel::YawRate)) {
            (Some(a), _) => a.iter().map(|a| a.abs()).collect(),
            (None, Some(r)) => r.iter().zip(speed_mps).map(|(r, v)| (r * v).abs()).collect(),
            (None, None) => return None,
        };
        let forward = match column(Channel::AccelX) {
            Some(a) => a.to_vec(),
            None => slope(&lap.s_m, speed_mps),
        };
        // Over the same length as a place of interest, so that use and envelope are of one kind.
        let lateral = line::smooth(&lap.s_m, &lateral);
        let forward = line::smooth(&lap.s_m, &forward);
        let bands = Bands::new(speed_mps, &lateral, &forward);
        let in_use = (0..speed_mps.len())
            .map(|i| bands.use_of(speed_mps[i], lateral[i], forward[i]).unwrap_or(f64::NAN))
            .collect();
        Some(Self { in_use })
    }

    /// Mean use between two places; nothing when less than half of it is known.
    pub(crate) fn between(&self, s_m: &[f64], from_m: f64, to_m: f64) -> Option<f64> {
        let start = s_m.partition_point(|&s| s < from_m);
        let nodes = start..s_m.partition_point(|&s| s <= to_m).max(start);
        let all = nodes.len();
        let known: Vec<f64> = self.in_use[nodes].iter().copied().filter(|u| u.is_finite()).collect();
        (all > 0 && 2 * known.len() >= all).then(|| known.iter().sum::<f64>() / known.len() as f64)
    }
}

/// `v dv/ds` across the neighbouring nodes.
pub(crate) fn slope(s_m: &[f64], v: &[f64]) -> Vec<f64> {
    const REACH: usize = 3;
    let last = v.len() - 1;
    (0..=last)
        .map(|i| {
            let (a, b) = (i.saturating_sub(REACH), (i + REACH).min(last));
            0.5 * (v[b] * v[b] - v[a] * v[a]) / (s_m[b] - s_m[a])
        })
        .collect()
}

/// Most acceleration in bands of speed, one every half [`BAND_MPS`].
struct Bands {
    bands: Vec<[Option<f64>; 3]>,
}

impl Bands {
    fn new(speed_mps: &[f64], lateral: &[f64], forward: &[f64]) -> Self {
        let fastest = speed_mps.iter().copied().filter(|v| v.is_finite()).fold(0.0, f64::max);
        let count = (2.0 * fastest / BAND_MPS) as usize + 2;
        let mut columns = vec![[const { Vec::<f64>::new() }; 3]; count];
        for i in 0..speed_mps.len() {
            let (v, ay, ax) = (speed_mps[i], lateral[i], forward[i]);
            if !(v.is_finite() && ay.is_finite() && ax.is_finite()) {
                continue;
            }
            let near = 2.0 * v / BAND_MPS;
            let from = ((near - 1.0).max(0.0).ceil() as usize).min(count - 1);
            let to = ((near + 1.0) as usize).min(count - 1);
            for band in &mut columns[from..=to] {
                band[0].push(ay);
                band[if ax < 0.0 { 1 } else { 2 }].push(ax.abs());
            }
        }
        let bands = columns.into_iter().map(|b| b.map(most)).collect();
        Self { bands }
    }

    fn use_of(&self, v: f64, lateral: f64, forward: f64) -> Option<f64> {
        let band = self.bands.get((2.0 * v / BAND_MPS).round() as usize)?;
        let along = band[if forward < 0.0 { 1 } else { 2 }];
        // Where the lap never braked or drove at such a speed, the little that it did is no use of grip.
        let along = along.map_or(0.0, |m| forward.abs() / m.max(2.0));
        Some((lateral / band[0]?).hypot(along))
    }
}

fn most(mut values: Vec<f64>) -> Option<f64> {
    (values.len() >= LEAST_PLACES).then(|| {
        let k = ((values.len() - 1) as f64 * MOST) as usize;
        *values.select_nth_unstable_by(k, f64::total_cmp).1
    })
}
