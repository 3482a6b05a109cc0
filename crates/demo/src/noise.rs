//! Human scatter: smooth, correlated, and a pure function of seed, stream and place.
//!
//! The scatter belongs to a place on the circuit, not to a moment: when the same stint is driven again without a
//! fault, the same hand moves at the same place, and the difference of the two drives is the fault.
//! Normal deviates are sums of twelve uniforms (Irwin-Hall), which need no library function and so are the same
//! bits on every platform; their tails end at six standard deviations, as a human's do.

/// One of SplitMix64's outputs: a bijective mix of 64 bits.
///
/// # Source
/// `[Steele2014]`, constants from memory; checked against the published first output.
fn mix(mut z: u64) -> u64 {
    z = z.wrapping_add(0x9E37_79B9_7F4A_7C15);
    z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
    z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
    z ^ (z >> 31)
}

/// A normal deviate (mean 0, standard deviation 1) for a seed and up to three coordinates.
#[must_use]
pub(crate) fn normal(seed: u64, stream: u64, a: i64, b: i64) -> f64 {
    let mut state = mix(mix(mix(seed) ^ stream) ^ a as u64) ^ mix(b as u64);
    let mut sum = -6.0;
    for _ in 0..12 {
        state = mix(state);
        // The top 53 bits as a number in [0, 1).
        sum += (state >> 11) as f64 * (1.0 / 9_007_199_254_740_992.0);
    }
    sum
}

/// A smooth wandering value over distance, standard deviation about 1: normal deviates at knots, joined by the
/// uniform cubic B-spline (twice continuously differentiable).
#[derive(Debug, Clone, Copy)]
pub(crate) struct Wander {
    pub(crate) seed: u64,
    pub(crate) stream: u64,
    /// Distance between knots \[m\].
    pub(crate) knot_m: f64,
}

impl Wander {
    pub(crate) fn at(self, distance_m: f64) -> f64 {
        let u = distance_m / self.knot_m;
        let i = u.floor();
        let t = u - i;
        let knot = |k: i64| normal(self.seed, self.stream, i as i64 + k, 0);
        let (t2, t3) = (t * t, t * t * t);
        let weights = [
            1.0 - 3.0 * t + 3.0 * t2 - t3,
            4.0 - 6.0 * t2 + 3.0 * t3,
            1.0 + 3.0 * t + 3.0 * t2 - 3.0 * t3,
            t3,
        ];
        // A B-spline of unit deviates has a standard deviation of about 0.65 on average: scaled back to 1.
        weights.iter().zip(-1..).map(|(w, k)| w * knot(k)).sum::<f64>() / (6.0 * 0.65)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn deviates_are_standard_normal_to_sampling_error() {
        let n = 20_000;
        let values: Vec<f64> = (0..n).map(|i| normal(7, 3, i, i / 5)).collect();
        let mean = values.iter().sum::<f64>() / n as f64;
        let var = values.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / n as f64;
        // Four standard errors of mean and variance for n = 20000.
        assert!(mean.abs() < 4.0 / (n as f64).sqrt(), "{mean}");
        assert!((var - 1.0).abs() < 4.0 * (2.0 / n as f64).sqrt(), "{var}");
    }

    #[test]
    fn wandering_is_smooth_and_of_unit_size() {
        let w = Wander { seed: 1, stream: 2, knot_m: 50.0 };
        let n = 40_000;
        let values: Vec<f64> = (0..n).map(|i| w.at(f64::from(i) * 5.0)).collect();
        let rms = (values.iter().map(|v| v * v).sum::<f64>() / f64::from(n)).sqrt();
        assert!((rms - 1.0).abs() < 0.1, "{rms}");
        assert!(values.windows(2).all(|p| (p[1] - p[0]).abs() < 0.6));
    }

    /// The first output of SplitMix64 for the seed 0, as listed with many implementations; from memory.
    #[test]
    fn the_mixer_gives_the_published_first_number() {
        assert_eq!(mix(0), 0xE220_A839_7B1D_CDAF);
    }

    #[test]
    fn streams_and_seeds_differ() {
        assert_ne!(normal(1, 0, 0, 0), normal(2, 0, 0, 0));
        assert_ne!(normal(1, 0, 0, 0), normal(1, 1, 0, 0));
        assert_ne!(normal(1, 0, 1, 0), normal(1, 0, 0, 1));
    }
}
