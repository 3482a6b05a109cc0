//! One lap through one corner as curves over the speed gained and lost: what the synthesised profiles are made from.
//!
//! With `u = v²`, twice the kinetic energy per mass, a corner is driven down to a least `u` at the place `m` and out of it.
//! Before `m` the *way down* `x⁻(h)` is the place from which `u` stays below `u_b + h`; after it the *way out* `x⁺(h)`
//! is the first place where `u` has reached `u_m + h`. A slope of these curves is `1/(2a)`, so that braking later with the
//! same effort moves `x⁻` along the road and leaves its shape as it is. `u_b` is the base of the way down; it is
//! `u_m` unless the lap went on slowing because the throttle came late.

use crate::pair::at;

/// Levels of each way, spaced as squares so that the flat ground of a corner is resolved. Own choice: with 40, the
/// widest step is 5 % of the energy, 3 to 5 m of hard braking.
pub(crate) const LEVELS: usize = 40;
/// How far above the higher of the tops levels go, as a share of the way down: a later brake point meets a higher speed.
const ABOVE_TOP: f64 = 0.15;

/// A stretch of one lap, nodes `s_m` with `u = v²`.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Run<'a> {
    pub(crate) s_m: &'a [f64],
    pub(crate) square: &'a [f64],
}

impl Run<'_> {
    /// `u` at a place \[m²/s²\].
    pub(crate) fn at(&self, s_m: f64) -> f64 {
        at(self.s_m, self.square, s_m)
    }
}

/// The lowest place between two nodes, the highest before it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Ground {
    /// Node of the least speed, and of the highest before it.
    pub(crate) slowest: usize,
    pub(crate) top: usize,
    pub(crate) slowest_m: f64,
    pub(crate) top_m: f64,
    /// Least `u`, and the highest before it \[m²/s²\].
    pub(crate) least: f64,
    pub(crate) highest: f64,
}

impl Ground {
    /// `nodes` are those from the common begin of the approach to the common end of the exit, not empty.
    pub(crate) fn find(run: Run<'_>, nodes: std::ops::Range<usize>) -> Self {
        let first = nodes.start;
        let u = run.square;
        let slowest = nodes.min_by(|&a, &b| u[a].total_cmp(&u[b])).unwrap_or(first);
        // The last of the highest: braking begins there.
        let top = (first..=slowest).max_by(|&a, &b| u[a].total_cmp(&u[b])).unwrap_or(first);
        Self {
            slowest,
            top,
            slowest_m: run.s_m[slowest],
            top_m: run.s_m[top],
            least: u[slowest],
            highest: u[top],
        }
    }
}

/// Heights of the levels for a way of `most` \[m²/s²\].
pub(crate) fn levels(most: f64) -> [f64; LEVELS] {
    let mut levels = [0.0; LEVELS];
    for (k, level) in levels.iter_mut().enumerate() {
        *level = most * (k as f64 / (LEVELS - 1) as f64).powi(2);
    }
    levels
}

/// Height that the levels of the way down cover for two tops above their bases.
pub(crate) fn cover(tops: [f64; 2]) -> f64 {
    (1.0 + ABOVE_TOP) * tops[0].max(tops[1]).max(1.0)
}

/// Places of the way down at the levels above `base`. Beyond the top it goes on with the slope of its upper half.
pub(crate) fn way_down(run: Run<'_>, ground: Ground, base: f64, levels: &[f64; LEVELS]) -> [f64; LEVELS] {
    let (s, u) = (run.s_m, run.square);
    let mut places = [ground.slowest_m; LEVELS];
    let mut node = ground.slowest;
    let reach = ground.highest - base;
    // The build-up of the brake rounds the top off: the last part of the height is left to it.
    let mut slope = None;
    for (k, &h) in levels.iter().enumerate() {
        let want = base + h;
        if h <= reach {
            while node > ground.top && u[node - 1] < want {
                node -= 1;
            }
            places[k] = if node > ground.top { pass(s, u, node - 1, node, want) } else { ground.top_m };
        } else {
            let slope = *slope.get_or_insert_with(|| upper_slope(&places[..k], &levels[..k], reach));
            let (from_m, from) = k.checked_sub(1).map_or((ground.slowest_m, 0.0), |j| (places[j], levels[j]));
            places[k] = from_m - slope * (h - from);
        }
    }
    places
}

/// Metres per `u` between half and nine tenths of the way down; that of 8 m/s² when it is too short to tell.
fn upper_slope(places: &[f64], levels: &[f64], reach: f64) -> f64 {
    const USUAL: f64 = 1.0 / 16.0;
    let near = |share: f64| levels.iter().rposition(|&h| h <= share * reach);
    let (Some(low), Some(high)) = (near(0.5), near(0.9)) else { return USUAL };
    let rise = levels[high] - levels[low];
    if rise > 1.0 { ((places[low] - places[high]) / rise).clamp(0.02, 0.5) } else { USUAL }
}

/// Places of the way out at the levels above `base`. Beyond the last node it goes on with its last slope.
pub(crate) fn way_out(run: Run<'_>, ground: Ground, base: f64, levels: &[f64; LEVELS]) -> [f64; LEVELS] {
    let (s, u) = (run.s_m, run.square);
    let last = s.len() - 1;
    let mut places = [ground.slowest_m; LEVELS];
    let mut node = ground.slowest;
    for (k, &h) in levels.iter().enumerate() {
        let want = base + h;
        if want <= ground.least {
            continue;
        }
        while node < last && u[node + 1] < want {
            node += 1;
        }
        places[k] = if node < last { pass(s, u, node, node + 1, want) } else { beyond(&places, levels, k) };
    }
    places
}

fn beyond(places: &[f64; LEVELS], levels: &[f64; LEVELS], k: usize) -> f64 {
    const USUAL: f64 = 1.0 / 6.0;
    let slope =
        if k >= 3 { (places[k - 1] - places[k - 3]) / (levels[k - 1] - levels[k - 3]) } else { USUAL };
    let Some(before) = k.checked_sub(1) else { return places[0] };
    places[before] + slope.clamp(0.02, 2.0) * (levels[k] - levels[before])
}

/// Where the straight line between two nodes passes `want`.
fn pass(s: &[f64], u: &[f64], a: usize, b: usize, want: f64) -> f64 {
    let w = (want - u[a]) / (u[b] - u[a]);
    if w.is_finite() { s[a] + (s[b] - s[a]) * w.clamp(0.0, 1.0) } else { s[b] }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// u falls by 30 per metre from 100 m, is least from 200 m on, and grows by 8 per metre from 210 m.
    fn run() -> (Vec<f64>, Vec<f64>) {
        let s: Vec<f64> = (0..=300).map(f64::from).collect();
        let u = |s: &f64| 900.0 + 30.0 * (200.0 - s.max(100.0)).max(0.0) + 8.0 * (s - 210.0).max(0.0);
        let u = s.iter().map(u).collect();
        (s, u)
    }

    #[test]
    fn ways_are_the_places_of_the_levels() {
        let (s_m, square) = run();
        let run = Run { s_m: &s_m, square: &square };
        let ground = Ground::find(run, 0..250);
        assert_eq!((ground.least, ground.highest, ground.top_m), (900.0, 3900.0, 100.0));
        let down = levels(cover([3000.0, 3000.0]));
        for (x, h) in way_down(run, ground, ground.least, &down).iter().zip(&down) {
            let want = if *h == 0.0 { ground.slowest_m } else { 200.0 - h / 30.0 };
            assert!((x - want).abs() < 1e-9, "{h}: {x} for {want}");
        }
        let out = levels(900.0);
        for (x, h) in way_out(run, ground, ground.least, &out).iter().zip(&out).skip(1) {
            assert!((x - (210.0 + h / 8.0)).abs() < 1e-9, "{h}: {x}");
        }
    }
}
