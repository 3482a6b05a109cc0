//! Linear regression: by least squares, against outliers, and through a ceiling.
//!
//! Columns come in as slices of one length, finite throughout; callers leave rows with holes out.

use crate::stats::{hazard, robust_sd};

/// Coefficients, one per column, and the standard deviation of what they leave.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Fit {
    pub(crate) coefficients: Vec<f64>,
    pub(crate) residual_sd: f64,
}

impl Fit {
    pub(crate) fn at(&self, columns: &[Vec<f64>], row: usize) -> f64 {
        self.coefficients.iter().zip(columns).map(|(b, c)| b * c[row]).sum()
    }
}

/// Lower triangle `L` of `A = L Lᵀ`; none when `A` is not positive definite.
#[derive(Debug)]
struct Cholesky(Vec<Vec<f64>>);

impl Cholesky {
    fn new(a: &[Vec<f64>]) -> Option<Self> {
        let mut l = a.to_vec();
        for i in 0..a.len() {
            for j in 0..=i {
                let dot: f64 = (0..j).map(|k| l[i][k] * l[j][k]).sum();
                let left = a[i][j] - dot;
                l[i][j] = if i == j {
                    if left.is_nan() || left <= 1e-13 * a[i][i].abs() {
                        return None;
                    }
                    left.sqrt()
                } else {
                    left / l[j][j]
                };
            }
        }
        Some(Self(l))
    }

    fn solve(&self, b: &[f64]) -> Vec<f64> {
        let l = &self.0;
        let mut x = b.to_vec();
        for i in 0..x.len() {
            let dot: f64 = (0..i).map(|k| l[i][k] * x[k]).sum();
            x[i] = (x[i] - dot) / l[i][i];
        }
        for i in (0..x.len()).rev() {
            let dot: f64 = (i + 1..x.len()).map(|k| l[k][i] * x[k]).sum();
            x[i] = (x[i] - dot) / l[i][i];
        }
        x
    }
}

fn normal_matrix(columns: &[Vec<f64>], weights: Option<&[f64]>) -> Vec<Vec<f64>> {
    let dot = |a: &[f64], b: &[f64]| match weights {
        Some(w) => a.iter().zip(b).zip(w).map(|((a, b), w)| a * b * w).sum::<f64>(),
        None => a.iter().zip(b).map(|(a, b)| a * b).sum(),
    };
    columns.iter().map(|a| columns.iter().map(|b| dot(a, b)).collect()).collect()
}

fn moments(columns: &[Vec<f64>], y: &[f64], weights: Option<&[f64]>) -> Vec<f64> {
    let one = |c: &Vec<f64>| match weights {
        Some(w) => c.iter().zip(y).zip(w).map(|((c, y), w)| c * y * w).sum::<f64>(),
        None => c.iter().zip(y).map(|(c, y)| c * y).sum(),
    };
    columns.iter().map(one).collect()
}

fn residuals(columns: &[Vec<f64>], y: &[f64], coefficients: &[f64]) -> Vec<f64> {
    (0..y.len())
        .map(|i| y[i] - coefficients.iter().zip(columns).map(|(b, c)| b * c[i]).sum::<f64>())
        .collect()
}

/// Weighted least squares; none when the columns depend on one another.
pub(crate) fn least_squares(columns: &[Vec<f64>], y: &[f64], weights: &[f64]) -> Option<Vec<f64>> {
    let factor = Cholesky::new(&normal_matrix(columns, Some(weights)))?;
    Some(factor.solve(&moments(columns, y, Some(weights))))
}

/// Huber's tuning constant: 95 % efficiency on normal errors. `[Huber1981]`
const HUBER: f64 = 1.345;
/// Constant of Tukey's biweight for the same efficiency. `[Huber1981]`
const BIWEIGHT: f64 = 4.685;

/// Regression that single outliers do not pull: Huber's weights until they settle, then Tukey's biweight, which leaves gross
/// outliers out altogether. None when the columns depend on one another.
///
/// # Source
/// `[Huber1981]` chapter 7, iteratively reweighted least squares (from memory).
pub(crate) fn robust(columns: &[Vec<f64>], y: &[f64]) -> Option<Fit> {
    if y.len() <= columns.len() {
        return None;
    }
    let mut coefficients = Cholesky::new(&normal_matrix(columns, None))?.solve(&moments(columns, y, None));
    let mut sd = 0.0;
    for step in 0..30 {
        let left = residuals(columns, y, &coefficients);
        // Exact data have no scale to weigh by.
        sd = robust_sd(&left);
        let size = y.iter().fold(0.0, |m: f64, v| m.max(v.abs()));
        if sd.is_nan() || sd <= 1e-12 * size {
            break;
        }
        let weight = |r: &f64| {
            let u = r.abs() / sd;
            if step < 15 {
                (HUBER / u).min(1.0)
            } else if u < BIWEIGHT {
                (1.0 - (u / BIWEIGHT).powi(2)).powi(2)
            } else {
                0.0
            }
        };
        let weights: Vec<f64> = left.iter().map(weight).collect();
        coefficients = Cholesky::new(&normal_matrix(columns, Some(&weights)))?.solve(&moments(
            columns,
            y,
            Some(&weights),
        ));
    }
    Some(Fit { coefficients, residual_sd: sd })
}

/// Regression of a signal that cannot pass `±ceiling`: where it stands there, all that is known is that it would be beyond.
///
/// Maximum likelihood for normal errors by expectation and maximisation: each clipped value is replaced by its mean given
/// that it lies beyond the ceiling, and the regression made again, until nothing moves. A ridge of `1e-6` of each column's
/// size keeps columns apart that hardly differ.
///
/// # Source
/// `[Tobin1958]` for the model, `[Dempster1977]` section 4.3 for the steps (both from memory).
pub(crate) fn censored(columns: &[Vec<f64>], y: &[f64], ceiling: f64, clipped: &[bool]) -> Option<Fit> {
    if y.len() <= 2 * columns.len() {
        return None;
    }
    let mut matrix = normal_matrix(columns, None);
    for (i, row) in matrix.iter_mut().enumerate() {
        row[i] *= 1.0 + 1e-6;
    }
    let factor = Cholesky::new(&matrix)?;
    let mut fit = Fit { coefficients: factor.solve(&moments(columns, y, None)), residual_sd: 0.0 };
    fit.residual_sd = rms(&residuals(columns, y, &fit.coefficients)).max(1e-6 * ceiling);
    let mut filled = y.to_vec();
    for _ in 0..400 {
        let sd = fit.residual_sd;
        let mut extra = 0.0;
        for i in (0..y.len()).filter(|&i| clipped[i]) {
            let side = y[i].signum();
            let a = (ceiling - side * fit.at(columns, i)) / sd;
            let h = hazard(a);
            filled[i] = side * (ceiling - sd * a + sd * h);
            extra += sd * sd * (1.0 + a * h - h * h).max(0.0);
        }
        let next = factor.solve(&moments(columns, &filled, None));
        let left = residuals(columns, &filled, &next);
        let sum = left.iter().map(|r| r * r).sum::<f64>() + extra;
        let moved = largest_change(&next, &fit.coefficients);
        fit = Fit { coefficients: next, residual_sd: (sum / y.len() as f64).sqrt().max(1e-6 * ceiling) };
        if moved < 1e-5 {
            break;
        }
    }
    Some(fit)
}

fn rms(v: &[f64]) -> f64 {
    (v.iter().map(|r| r * r).sum::<f64>() / v.len() as f64).sqrt()
}

fn largest_change(a: &[f64], b: &[f64]) -> f64 {
    a.iter().zip(b).map(|(a, b)| (a - b).abs()).fold(0.0, f64::max)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn a_tenth_of_wild_values_does_not_move_the_line() {
        let x: Vec<f64> = (0..200).map(|i| f64::from(i) / 100.0).collect();
        let wobble = |i: usize| 0.01 * ((i * 37 % 19) as f64 / 9.0 - 1.0);
        let y: Vec<f64> = x
            .iter()
            .enumerate()
            .map(|(i, x)| 0.3 + 2.0 * x + wobble(i) + if i % 10 == 0 { 5.0 } else { 0.0 })
            .collect();
        let fit = robust(&[vec![1.0; 200], x], &y).unwrap();
        assert!((fit.coefficients[0] - 0.3).abs() < 0.01, "{fit:?}");
        assert!((fit.coefficients[1] - 2.0).abs() < 0.01, "{fit:?}");
    }

    #[test]
    fn columns_that_repeat_each_other_are_refused() {
        let x: Vec<f64> = (0..20).map(f64::from).collect();
        assert_eq!(robust(&[x.clone(), x.clone()], &x), None);
    }

    proptest! {
        /// The slope is known; plain least squares on the clipped signal falls short of it by far more than the tolerance.
        #[test]
        fn the_slope_is_found_through_the_ceiling(slope in 1.2..2.0f64, phase in 0.0..6.0f64) {
            let x: Vec<f64> = (0..600).map(|i| (f64::from(i) * 0.37 + phase).sin()).collect();
            let noise = |i: usize| 0.03 * ((i as f64) * 12.9898 + phase).sin();
            let truth: Vec<f64> = x.iter().enumerate().map(|(i, x)| slope * x + noise(i)).collect();
            let seen: Vec<f64> = truth.iter().map(|v| v.clamp(-1.0, 1.0)).collect();
            let clipped: Vec<bool> = truth.iter().map(|v| v.abs() >= 1.0).collect();
            let fit = censored(&[x], &seen, 1.0, &clipped).unwrap();
            prop_assert!((fit.coefficients[0] / slope - 1.0).abs() < 0.01, "{fit:?} for {slope}");
        }
    }
}
