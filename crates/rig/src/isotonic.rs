//! Isotonic regression: the non-decreasing values that lie closest to the data.
//!
//! Pool adjacent violators: neighbours out of order are replaced by their weighted mean until none are left; what comes
//! out is the least-squares solution, in one pass and linear time.
//!
//! # Source
//! `[Barlow1972]` section 1.2 (from memory).

/// Non-decreasing `g` that minimises `Σ wᵢ (yᵢ − gᵢ)²`; as long as `y`.
///
/// `weights` are positive, one per value; `None` weighs all alike. Values must be finite: a NaN would spread over its block.
/// A list of weights of another length is read as far as it goes, 1 beyond.
///
/// ```
/// assert_eq!(rig::isotonic::isotonic(&[1.0, 3.0, 2.0, 4.0], None), vec![1.0, 2.5, 2.5, 4.0]);
/// ```
#[must_use]
pub fn isotonic(y: &[f64], weights: Option<&[f64]>) -> Vec<f64> {
    struct Block {
        mean: f64,
        weight: f64,
        len: usize,
    }
    let mut blocks: Vec<Block> = Vec::with_capacity(y.len());
    for (i, &value) in y.iter().enumerate() {
        let weight = weights.and_then(|w| w.get(i)).copied().unwrap_or(1.0);
        let mut block = Block { mean: value, weight, len: 1 };
        while let Some(before) = blocks.pop_if(|b| b.mean >= block.mean) {
            let weight = before.weight + block.weight;
            block = Block {
                mean: (before.mean * before.weight + block.mean * block.weight) / weight,
                weight,
                len: before.len + block.len,
            };
        }
        blocks.push(block);
    }
    blocks.iter().flat_map(|b| std::iter::repeat_n(b.mean, b.len)).collect()
}

/// Command \[as `x`\] at which a non-decreasing response first reaches `target`, linear between the points.
///
/// The lowest such command where the response stays level; `None` outside `[y₀, yₙ]` or for lists that do not match.
#[must_use]
pub fn inverse(x: &[f64], y: &[f64], target: f64) -> Option<f64> {
    if x.len() != y.len() || y.is_empty() || !(y[0] <= target && target <= y[y.len() - 1]) {
        return None;
    }
    let i = y.partition_point(|&v| v < target);
    if i == 0 {
        return Some(x[0]);
    }
    Some(x[i - 1] + (x[i] - x[i - 1]) * (target - y[i - 1]) / (y[i] - y[i - 1]))
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    const RAW: [f64; 11] = [0.0, 0.1, 0.05, 0.2, 0.35, 0.30, 0.33, 0.6, 0.55, 0.9, 1.0];
    /// scikit-learn 1.9.1, `IsotonicRegression().fit_transform`, with and without `sample_weight`.
    const PLAIN: [f64; 11] = [0.0, 0.075, 0.075, 0.2, 0.325, 0.325, 0.33, 0.575, 0.575, 0.9, 1.0];
    const WEIGHTS: [f64; 11] = [1.0, 1.0, 1.0, 2.0, 1.0, 1.0, 1.0, 1.0, 3.0, 1.0, 1.0];

    #[test]
    fn values_equal_those_of_the_reference_library() {
        for (got, want) in isotonic(&RAW, None).iter().zip(PLAIN) {
            assert!((got - want).abs() < 1e-12, "{got} against {want}");
        }
        let weighted = isotonic(&RAW, Some(&WEIGHTS));
        for (i, got) in weighted.iter().enumerate() {
            let want = if i == 7 || i == 8 { 0.5625 } else { PLAIN[i] };
            assert!((got - want).abs() < 1e-12, "{i}: {got} against {want}");
        }
    }

    /// Closed form over the golden curve, x = i/10, straight between the points.
    #[test]
    fn the_inverse_reads_the_curve_backwards() {
        let x: Vec<f64> = (0..11).map(|i| f64::from(i) / 10.0).collect();
        for (y, want) in [(0.05, 0.066_666_7), (0.1, 0.22), (0.4, 0.628_571_4), (0.8, 0.869_230_8)] {
            assert!((inverse(&x, &PLAIN, y).unwrap() - want).abs() < 1e-7, "at {y}");
        }
        assert!((0.7..=0.8).contains(&inverse(&x, &PLAIN, 0.575).unwrap()));
        assert_eq!((inverse(&x, &PLAIN, -0.1), inverse(&x, &PLAIN, 1.1)), (None, None));
    }

    proptest! {
        /// The min-max formula, `gᵢ = max over a ≤ i of min over b ≥ i of mean(y[a..=b])`: another algorithm, the same answer.
        #[test]
        fn pooling_agrees_with_the_min_max_formula(
            data in proptest::collection::vec((-10.0..10.0f64, 0.1..5.0f64), 1..24),
        ) {
            let (y, w): (Vec<f64>, Vec<f64>) = data.into_iter().unzip();
            let mean = |a: usize, b: usize| {
                let weight: f64 = w[a..=b].iter().sum();
                y[a..=b].iter().zip(&w[a..=b]).map(|(y, w)| y * w).sum::<f64>() / weight
            };
            for (i, got) in isotonic(&y, Some(&w)).into_iter().enumerate() {
                let want = (0..=i)
                    .map(|a| (i..y.len()).map(|b| mean(a, b)).fold(f64::INFINITY, f64::min))
                    .fold(f64::NEG_INFINITY, f64::max);
                prop_assert!((got - want).abs() < 1e-9, "{i}: {got} against {want}");
            }
        }
    }
}
