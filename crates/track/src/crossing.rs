//! The moment something passes zero, told from the samples around it.

/// Samples on each side that are looked at: all within this time \[s\] …
const WINDOW_S: f64 = 0.1;
/// … at least this many, for slow clocks …
const FEWEST_A_SIDE: usize = 2;
/// … and at most this many.
const MOST_A_SIDE: usize = 6;

/// A quantity around a crossing, times \[s\] relative to the middle of the bracket.
pub(crate) struct Window {
    t: Vec<f64>,
    v: Vec<f64>,
    before: usize,
    origin_s: f64,
    /// The samples that the crossing lies between \[s\].
    pub(crate) bracket: (f64, f64),
}

impl Window {
    /// Samples around the step from `i` to `i + 1`; readings that are no numbers are passed over.
    pub(crate) fn around(time_s: &[f64], i: usize, value: impl Fn(usize) -> f64) -> Self {
        let bracket = (time_s[i], time_s[i + 1]);
        let origin_s = 0.5 * (bracket.0 + bracket.1);
        let side = |indices: &mut dyn Iterator<Item = usize>, edge_s: f64| {
            let mut picked = Vec::new();
            for k in indices {
                let enough = picked.len() >= FEWEST_A_SIDE && (time_s[k] - edge_s).abs() > WINDOW_S;
                if enough || picked.len() >= MOST_A_SIDE || (time_s[k] - edge_s).abs() > 10.0 * WINDOW_S {
                    break;
                }
                if value(k).is_finite() {
                    picked.push(k);
                }
            }
            picked
        };
        let mut picked = side(&mut (0..=i).rev(), bracket.0);
        picked.reverse();
        let before = picked.len();
        picked.extend(side(&mut (i + 1..time_s.len()), bracket.1));
        let t = picked.iter().map(|&k| time_s[k] - origin_s).collect();
        let v = picked.iter().map(|&k| value(k)).collect();
        Self { t, v, before, origin_s, bracket }
    }

    /// How far the quantity falls when it restarts between the two middle samples: least squares of a parabola with a step.
    pub(crate) fn jump(&self) -> Option<f64> {
        let after = self.t.len() - self.before;
        if self.before == 0 || after == 0 {
            return None;
        }
        let powers = if self.t.len() >= 4 { 3 } else { 2 };
        let rows = self.t.iter().enumerate().map(|(k, &t)| {
            let mut row = powers_of(t, powers);
            row.push(if k >= self.before { -1.0 } else { 0.0 });
            row
        });
        least_squares(&rows.collect::<Vec<_>>(), &self.v).map(|x| x[powers])
    }

    /// The same with `jump` taken off before the crossing, so that the quantity passes zero.
    pub(crate) fn unwrapped(mut self, jump: f64) -> Self {
        self.v[..self.before].iter_mut().for_each(|v| *v -= jump);
        self
    }

    /// Time \[s\] at which the quantity passes zero, within the bracket: root of the parabola of least squares. Noise of
    /// single samples averages out, and acceleration is taken along.
    pub(crate) fn zero_s(&self) -> f64 {
        let powers = self.t.len().min(3);
        let rows: Vec<_> = self.t.iter().map(|&t| powers_of(t, powers)).collect();
        let mut tau = 0.0;
        if let Some(c) = least_squares(&rows, &self.v).filter(|c| c.len() >= 2 && c[1] != 0.0) {
            let quadratic = c.get(2).copied().unwrap_or(0.0);
            for _ in 0..8 {
                let slope = c[1] + 2.0 * quadratic * tau;
                if slope * c[1] <= 0.0 {
                    break;
                }
                tau -= (c[0] + (c[1] + quadratic * tau) * tau) / slope;
            }
        }
        (self.origin_s + tau).clamp(self.bracket.0, self.bracket.1)
    }
}

fn powers_of(t: f64, n: usize) -> Vec<f64> {
    (0..n as i32).map(|k| t.powi(k)).collect()
}

/// Solution of least squares by the normal equations: few unknowns, times of order 0.1 s. None when singular.
fn least_squares(rows: &[Vec<f64>], values: &[f64]) -> Option<Vec<f64>> {
    let n = rows.first()?.len();
    let mut a = vec![vec![0.0; n + 1]; n];
    for (row, v) in rows.iter().zip(values) {
        for i in 0..n {
            for j in 0..n {
                a[i][j] += row[i] * row[j];
            }
            a[i][n] += row[i] * v;
        }
    }
    for i in 0..n {
        let pivot = (i..n).max_by(|&p, &q| a[p][i].abs().total_cmp(&a[q][i].abs()))?;
        a.swap(i, pivot);
        if a[i][i].abs() < 1e-14 {
            return None;
        }
        let lead = a[i].clone();
        for row in a.iter_mut().skip(i + 1) {
            let factor = row[i] / lead[i];
            row.iter_mut().zip(&lead).for_each(|(r, l)| *r -= factor * l);
        }
    }
    let mut x = vec![0.0; n];
    for i in (0..n).rev() {
        let known: f64 = (i + 1..n).map(|j| a[i][j] * x[j]).sum();
        x[i] = (a[i][n] - known) / a[i][i];
    }
    Some(x)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_braking_car_passes_the_line_where_the_parabola_does() {
        // 60 m/s, -10 m/s², line at 100 m: t = (60 - √(3600 - 2000)) / 10 = 2 s.
        for rate in [10.0, 25.0, 50.0, 100.0] {
            let t: Vec<f64> = (0..400).map(|i| (f64::from(i) + 0.3) / rate).collect();
            let i = t.partition_point(|&t| t < 2.0) - 1;
            let w = Window::around(&t, i, |k| 60.0 * t[k] - 5.0 * t[k] * t[k] - 100.0);
            assert!((w.zero_s() - 2.0).abs() < 1e-9, "{rate} Hz: {}", w.zero_s());
        }
    }

    #[test]
    fn a_restart_tells_the_length_of_the_lap() {
        let t: Vec<f64> = (0..200).map(|i| f64::from(i) * 0.02).collect();
        let driven = |t: f64| 2900.0 + 70.0 * t + 2.0 * t * t;
        let d = |k: usize| driven(t[k]).rem_euclid(3000.0);
        let i = (0..199).find(|&k| d(k + 1) < d(k)).unwrap();
        let w = Window::around(&t, i, d);
        let jump = w.jump().unwrap();
        assert!((jump - 3000.0).abs() < 1e-6, "{jump}");
        let exact = (-70.0 + (4900.0_f64 + 800.0).sqrt()) / 4.0;
        assert!((w.unwrapped(jump).zero_s() - exact).abs() < 1e-8);
    }

    #[test]
    fn a_car_that_stands_leaves_the_crossing_in_its_bracket() {
        let t = [0.0, 1.0, 2.0, 3.0];
        let v = [-1.0, -1.0, 1.0, 1.0];
        let z = Window::around(&t, 1, |k| v[k]).zero_s();
        assert!((1.0..=2.0).contains(&z));
    }
}
