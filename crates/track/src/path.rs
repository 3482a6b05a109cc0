//! What a recording tells about place and speed, cleaned of what is not a measurement.

use channels::{Channel, Samples, View};

/// A repeat of the same place for longer than this is a car at rest, not a sensor that holds its value \[s\]. Common
/// practice, no source: position sensors deliver at least once a second, mostly ten times.
const HELD_S: f64 = 0.5;

/// Places at strictly increasing times.
#[derive(Debug, Clone, Default, PartialEq)]
pub(crate) struct Path {
    pub(crate) time_s: Vec<f64>,
    pub(crate) x_m: Vec<f64>,
    pub(crate) y_m: Vec<f64>,
}

impl Path {
    /// All places of a recording. Holes are left out, and so are repeats of a place that the source merely held.
    pub(crate) fn of(samples: &Samples) -> Option<Self> {
        Self::part(samples, f64::NEG_INFINITY, f64::INFINITY)
    }

    /// The places from one time to another \[s\].
    pub(crate) fn part(samples: &Samples, from_s: f64, to_s: f64) -> Option<Self> {
        let x = samples.get(Channel::X)?.between(from_s, to_s);
        let y = samples.get(Channel::Y)?;
        let same_clock = samples.clock_of(Channel::X) == samples.clock_of(Channel::Y);
        let y_values = if same_clock { y.between(from_s, to_s).values.to_vec() } else { y.on(x.time_s) };
        let mut path = Self::default();
        let mut run_end: Option<f64> = None;
        for ((&t, &x), &y) in x.time_s.iter().zip(x.values).zip(&y_values) {
            if !(x.is_finite() && y.is_finite()) {
                continue;
            }
            if path.len() > 0 && path.place(path.len() - 1) == [x, y] {
                run_end = Some(t);
                continue;
            }
            path.close_run(run_end.take());
            path.push(t, x, y);
        }
        path.close_run(run_end);
        (path.len() >= 2).then_some(path)
    }

    /// A car at rest keeps the last stamp of its stay, a held value does not.
    fn close_run(&mut self, end_s: Option<f64>) {
        let last = self.len().wrapping_sub(1);
        if let Some(end) = end_s.filter(|end| end - self.time_s[last] > HELD_S) {
            let [x, y] = self.place(last);
            self.push(end, x, y);
        }
    }

    pub(crate) fn push(&mut self, t: f64, x: f64, y: f64) {
        self.time_s.push(t);
        self.x_m.push(x);
        self.y_m.push(y);
    }

    pub(crate) fn len(&self) -> usize {
        self.time_s.len()
    }

    pub(crate) fn place(&self, i: usize) -> [f64; 2] {
        [self.x_m[i], self.y_m[i]]
    }

    /// Place at a time \[s\], straight between samples; none outside.
    pub(crate) fn at(&self, time_s: f64) -> Option<[f64; 2]> {
        let after = self.time_s.partition_point(|&t| t < time_s);
        if after < self.len() && self.time_s[after] == time_s {
            return Some(self.place(after));
        }
        if after == 0 || after == self.len() {
            return None;
        }
        let w = (time_s - self.time_s[after - 1]) / (self.time_s[after] - self.time_s[after - 1]);
        let ([x0, y0], [x1, y1]) = (self.place(after - 1), self.place(after));
        Some([x0 + (x1 - x0) * w, y0 + (y1 - y0) * w])
    }

    /// Place at a time \[s\] on the cubic through the two samples on either side, so that a slow clock does not cut the
    /// corner; straight where one of them is missing or a hole lies between.
    pub(crate) fn curved_at(&self, time_s: f64) -> Option<[f64; 2]> {
        const HOLE_S: f64 = 0.3;
        let straight = self.at(time_s)?;
        let after = self.time_s.partition_point(|&t| t < time_s);
        if after < 2 || after + 1 >= self.len() {
            return Some(straight);
        }
        let four = after - 2..after + 2;
        let t = &self.time_s[four.clone()];
        if t.windows(2).any(|w| w[1] - w[0] > HOLE_S) {
            return Some(straight);
        }
        let mut place = [0.0, 0.0];
        for (i, k) in four.enumerate() {
            let others = (0..4).filter(|&j| j != i);
            let weight: f64 = others.map(|j| (time_s - t[j]) / (t[i] - t[j])).product();
            place[0] += weight * self.x_m[k];
            place[1] += weight * self.y_m[k];
        }
        Some(place)
    }

    /// Indices of the samples in `[from_s, to_s]`.
    pub(crate) fn between(&self, from_s: f64, to_s: f64) -> std::ops::Range<usize> {
        let a = self.time_s.partition_point(|&t| t < from_s);
        a..self.time_s.partition_point(|&t| t <= to_s).max(a)
    }

    /// Distance of the step that ends at sample `i` \[m\].
    pub(crate) fn step_m(&self, i: usize) -> f64 {
        (self.x_m[i] - self.x_m[i - 1]).hypot(self.y_m[i] - self.y_m[i - 1])
    }
}

/// Speed over ground \[m/s\]: logged, or forward velocity, which differs by the cosine of the sideslip angle.
pub(crate) fn speed(samples: &Samples) -> Option<View<'_>> {
    samples.get(Channel::Speed).or_else(|| samples.get(Channel::VelocityX))
}

/// Median of finite values.
pub(crate) fn median(values: impl IntoIterator<Item = f64>) -> Option<f64> {
    let mut v: Vec<f64> = values.into_iter().filter(|x| x.is_finite()).collect();
    if v.is_empty() {
        return None;
    }
    v.sort_by(f64::total_cmp);
    let mid = v.len() / 2;
    Some(if v.len() % 2 == 1 { v[mid] } else { 0.5 * (v[mid - 1] + v[mid]) })
}

#[cfg(test)]
mod tests {
    use super::*;
    use channels::Origin;

    #[test]
    fn held_places_are_one_measurement_and_a_stay_is_two() {
        let mut s = Samples::new();
        let t: Vec<f64> = (0..12).map(|i| f64::from(i) * 0.1).collect();
        let c = s.add_clock(t).unwrap();
        let x = vec![0.0, 0.0, 1.0, 1.0, f64::NAN, 2.0, 2.0, 2.0, 2.0, 2.0, 2.0, 2.0];
        s.insert(Channel::X, c, x, Origin::Logged).unwrap();
        s.insert(Channel::Y, c, vec![0.0; 12], Origin::Logged).unwrap();
        let p = Path::of(&s).unwrap();
        assert_eq!(p.x_m, vec![0.0, 1.0, 2.0, 2.0]);
        assert!((p.time_s[3] - 1.1).abs() < 1e-12 && (p.time_s[2] - 0.5).abs() < 1e-12);
    }

    #[test]
    fn the_median_of_an_even_list_lies_between() {
        assert_eq!(median([4.0, 1.0, f64::NAN, 2.0, 3.0]), Some(2.5));
        assert_eq!(median([]), None);
    }
}
