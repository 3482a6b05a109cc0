//! The driven line of a lap: its length and how tight it is.

use channels::Channel;
use track::{Circuit, Direction, LapTrace};

/// Curvature is averaged over this distance to each side \[m\]: longer than a correction at the wheel, shorter than a
/// corner. Own choice.
const REACH_M: f64 = 12.0;

/// Length of the driven line at the nodes \[m\]: `∫ √((1 − nκ)² + n'²) ds`. Nothing when a place is not known.
pub(crate) fn driven_m(circuit_curvature_1pm: &[f64], lap: &LapTrace) -> Option<Vec<f64>> {
    let (s, n) = (&lap.s_m, &lap.offset_m);
    let mut driven = Vec::with_capacity(s.len());
    let mut sum = 0.0;
    driven.push(sum);
    for i in 1..s.len() {
        let ds = s[i] - s[i - 1];
        let curvature = 0.5 * (circuit_curvature_1pm[i] + circuit_curvature_1pm[i - 1]);
        sum += ((1.0 - 0.5 * (n[i] + n[i - 1]) * curvature) * ds).hypot(n[i] - n[i - 1]);
        driven.push(sum);
    }
    sum.is_finite().then_some(driven)
}

/// Curvature of the circuit at the nodes \[1/m\].
pub(crate) fn circuit_curvature(circuit: &Circuit, lap: &LapTrace) -> Vec<f64> {
    lap.s_m.iter().map(|&s| circuit.curvature(s)).collect()
}

/// Curvature of the path at the nodes \[1/m\], left positive, over [`REACH_M`] to each side.
pub(crate) fn curvature(
    circuit_curvature_1pm: &[f64],
    lap: &LapTrace,
    speed_mps: &[f64],
    source: Source,
) -> Option<Vec<f64>> {
    let column = |c| lap.channels.get(&c).map(Vec::as_slice);
    let over = |c, power| {
        Some(column(c)?.iter().zip(speed_mps).map(|(x, v)| x / v.powi(power)).collect::<Vec<f64>>())
    };
    let raw = match source {
        Source::Acceleration => over(Channel::AccelY, 2)?,
        Source::YawRate => over(Channel::YawRate, 1)?,
        Source::Positions => {
            let (s, n) = (&lap.s_m, &lap.offset_m);
            let last = s.len() - 1;
            let reach = (REACH_M * last as f64 / (s[last] - s[0])).round().max(1.0) as usize;
            let bend = |i: usize| {
                if i < reach || i + reach > last {
                    return 0.0;
                }
                let h = s[i + reach] - s[i];
                (n[i + reach] - 2.0 * n[i] + n[i - reach]) / (h * h)
            };
            let k = circuit_curvature_1pm;
            let path: Vec<f64> = (0..=last).map(|i| k[i] / (1.0 - n[i] * k[i]) + bend(i)).collect();
            return path.iter().all(|k| k.is_finite()).then_some(path);
        }
    };
    Some(smooth(&lap.s_m, &raw))
}

/// Where curvature comes from: the same for both laps of a pair.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Source {
    Acceleration,
    YawRate,
    Positions,
}

/// Node by node.
pub(crate) fn mean(mut a: Vec<f64>, b: &[f64]) -> Vec<f64> {
    a.iter_mut().zip(b).for_each(|(a, b)| *a = 0.5 * (*a + b));
    a
}

/// Running mean, by differences of the running sum.
pub(crate) fn smooth(s_m: &[f64], raw: &[f64]) -> Vec<f64> {
    let last = s_m.len() - 1;
    let reach = (REACH_M * last as f64 / (s_m[last] - s_m[0])).round().max(1.0) as usize;
    let mut sums = Vec::with_capacity(raw.len() + 1);
    sums.push(0.0);
    for k in raw {
        sums.push(sums[sums.len() - 1] + if k.is_finite() { *k } else { 0.0 });
    }
    (0..raw.len())
        .map(|i| {
            let (a, b) = (i.saturating_sub(reach), (i + reach + 1).min(raw.len()));
            (sums[b] - sums[a]) / (b - a) as f64
        })
        .collect()
}

/// Tightest curvature towards the inside of the corner between two places \[1/m\]; nothing when it never turns that way.
pub(crate) fn tightest(
    s_m: &[f64],
    curvature_1pm: &[f64],
    inside: Direction,
    from_m: f64,
    to_m: f64,
) -> Option<f64> {
    let side = match inside {
        Direction::Left => 1.0,
        Direction::Right => -1.0,
    };
    let start = s_m.partition_point(|&s| s < from_m);
    let nodes = start..s_m.partition_point(|&s| s <= to_m).max(start);
    curvature_1pm[nodes].iter().map(|k| side * k).reduce(f64::max).filter(|k| *k > 1e-4)
}
