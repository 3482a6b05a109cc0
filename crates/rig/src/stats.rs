//! Small robust statistics. Values that are not finite are left out; an empty list gives NaN.

pub(crate) fn finite(values: impl IntoIterator<Item = f64>) -> Vec<f64> {
    values.into_iter().filter(|v| v.is_finite()).collect()
}

/// Quantile `q` in 0..=1, linear between order statistics (type 7 of `[HyndmanFan1996]`).
pub(crate) fn quantile(values: &[f64], q: f64) -> f64 {
    let mut v = finite(values.iter().copied());
    if v.is_empty() {
        return f64::NAN;
    }
    v.sort_unstable_by(f64::total_cmp);
    let r = q.clamp(0.0, 1.0) * (v.len() - 1) as f64;
    let i = (r as usize).min(v.len() - 1);
    let next = v[(i + 1).min(v.len() - 1)];
    v[i] + (next - v[i]) * (r - i as f64)
}

pub(crate) fn median(values: &[f64]) -> f64 {
    quantile(values, 0.5)
}

/// Standard deviation of a normal distribution with this median absolute deviation: 1.4826 MAD, `1/Φ⁻¹(3/4)`.
pub(crate) fn robust_sd(values: &[f64]) -> f64 {
    let m = median(values);
    1.482_602_2 * median(&values.iter().map(|v| (v - m).abs()).collect::<Vec<_>>())
}

pub(crate) fn mean(values: &[f64]) -> f64 {
    values.iter().sum::<f64>() / values.len() as f64
}

pub(crate) fn sd(values: &[f64]) -> f64 {
    let m = mean(values);
    (values.iter().map(|v| (v - m).powi(2)).sum::<f64>() / (values.len() as f64 - 1.0)).sqrt()
}

pub(crate) fn largest(values: impl IntoIterator<Item = f64>) -> f64 {
    values.into_iter().filter(|v| v.is_finite()).fold(f64::NAN, f64::max)
}

/// Upper tail of the standard normal distribution.
///
/// Series of the error function up to 2.5, the continued fraction of `[AS1964]` 26.2.14 beyond; relative error below 1e-10.
pub(crate) fn upper_tail(x: f64) -> f64 {
    if x < -2.5 {
        return 1.0 - upper_tail(-x);
    }
    if x > 2.5 {
        return density(x) / mills_denominator(x);
    }
    // [AS1964] 26.2.11: Φ(x) − 1/2 = φ(x) Σ x^(2n+1) / (1·3·5…(2n+1))
    let (mut term, mut sum, mut n) = (x, x, 1.0);
    while term.abs() > 1e-17 * (1.0 + sum.abs()) {
        n += 2.0;
        term *= x * x / n;
        sum += term;
    }
    0.5 - density(x) * sum
}

/// Density over upper tail: how far the mean of a normal variable lies above a floor that it is known to exceed.
pub(crate) fn hazard(x: f64) -> f64 {
    if x > 2.5 { mills_denominator(x) } else { density(x) / upper_tail(x) }
}

pub(crate) fn density(x: f64) -> f64 {
    (-0.5 * x * x).exp() / (2.0 * std::f64::consts::PI).sqrt()
}

/// x + 1/(x + 2/(x + 3/(x + …))), from the far end.
fn mills_denominator(x: f64) -> f64 {
    (1..120).rev().fold(x, |deeper, k| x + f64::from(k) / deeper)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// scipy 1.17.1, `norm.sf`.
    #[test]
    fn the_normal_tail_agrees_with_the_reference_library() {
        for (x, want) in [
            (-3.0, 0.998_650_101_968_369_9),
            (-1.0, 0.841_344_746_068_542_9),
            (0.5, 0.308_537_538_725_986_9),
            (2.0, 0.022_750_131_948_179_21),
            (4.0, 3.167_124_183_311_986e-5),
            (8.0, 6.220_960_574_271_785e-16),
        ] {
            assert!((upper_tail(x) / want - 1.0).abs() < 1e-8, "{x}: {}", upper_tail(x));
            assert!((hazard(x) * want / density(x) - 1.0).abs() < 1e-8, "{x}");
        }
    }

    #[test]
    fn quantiles_lie_between_order_statistics() {
        assert_eq!(quantile(&[4.0, 1.0, 3.0, 2.0, f64::NAN], 0.5), 2.5);
        assert_eq!(quantile(&[4.0, 1.0], 1.0), 4.0);
        assert!(quantile(&[], 0.5).is_nan());
        assert!((robust_sd(&[0.0, 1.0, 2.0, 3.0, 1000.0]) - 1.4826).abs() < 1e-3);
    }
}
