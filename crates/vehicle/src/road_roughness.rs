//! Road roughness after ISO 8608: a profile with spectral density `Gd(n) = Gd(n0)·(n/n0)^−2`.
//!
//! With the waviness 2 of the standard the profile is a random walk in distance, so it is grown by summing white
//! noise, with a first-order high-pass that keeps waves longer than [`LONGEST_WAVE_M`] (hills) out. Left and right
//! wheel tracks share half of their variance; the standard leaves that open.
//!
//! # Source
//! `[ISO8608]` §5 and annex C; check values `[roadprofile]`.

use rand::{RngExt as _, SeedableRng as _};
use rand_chacha::ChaCha8Rng;

/// Reference spatial frequency n0 \[1/m\].
pub const REFERENCE_FREQUENCY_PM: f64 = 0.1;
/// Waves longer than this \[m\] are left out.
pub const LONGEST_WAVE_M: f64 = 60.0;

/// Class of a road by its roughness; A is the smoothest.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[expect(missing_docs, reason = "the letters are the standard's")]
pub enum RoadClass {
    A,
    B,
    C,
    D,
    E,
    F,
    G,
    H,
}

impl RoadClass {
    /// Geometric mean of Gd(n0) \[m³\]: 16e-6 for A, times 4 per class.
    #[must_use]
    pub fn density_m3(self) -> f64 {
        16e-6 * 4_f64.powi(self as i32)
    }
}

/// Heights of a left and a right wheel track over distance, repeating after [`RoadProfile::length_m`].
#[derive(Debug, Clone, PartialEq)]
pub struct RoadProfile {
    spacing_m: f64,
    heights_m: Vec<[f32; 2]>,
}

impl RoadProfile {
    /// A profile of density `density_m3` = Gd(n0), `length_m` long, sampled every 0.1 m; the same seed gives
    /// the same road. A density of 0 is a flat road.
    #[must_use]
    pub fn generate(seed: u64, density_m3: f64, length_m: f64) -> Self {
        let spacing_m = 0.1;
        if !(density_m3.is_finite() && density_m3 > 0.0 && length_m.is_finite()) {
            return Self { spacing_m, heights_m: vec![[0.0; 2]] };
        }
        let n = ((length_m / spacing_m).round() as usize).clamp(16, 2_000_000);
        // dz/ds = white noise of one-sided density (2π n0)²·Gd(n0): variance of a step is half of it times spacing.
        let step = std::f64::consts::TAU * REFERENCE_FREQUENCY_PM * (0.5 * density_m3 * spacing_m).sqrt();
        let keep = (-std::f64::consts::TAU * spacing_m / LONGEST_WAVE_M).exp();
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        let mut z = [0.0_f64; 2];
        let mut heights_m = vec![[0.0_f32; 2]; n];
        let share = std::f64::consts::FRAC_1_SQRT_2;
        // Two rounds: the first settles the filter, so that the end joins the start but for one filtered step.
        let noise: Vec<[f64; 3]> =
            (0..n).map(|_| [normal(&mut rng), normal(&mut rng), normal(&mut rng)]).collect();
        for round in 0..2 {
            for (height, [common, left, right]) in heights_m.iter_mut().zip(&noise) {
                z[0] = keep * z[0] + step * share * (common + left);
                z[1] = keep * z[1] + step * share * (common + right);
                if round == 1 {
                    *height = [z[0] as f32, z[1] as f32];
                }
            }
        }
        Self { spacing_m, heights_m }
    }

    /// Length after which it repeats \[m\].
    #[must_use]
    pub fn length_m(&self) -> f64 {
        self.spacing_m * self.heights_m.len() as f64
    }

    /// Height of the left and right wheel track \[m\] at a distance \[m\]; any finite distance.
    #[must_use]
    #[inline]
    pub fn at(&self, distance_m: f64) -> [f64; 2] {
        let n = self.heights_m.len();
        if n == 1 {
            return [0.0; 2];
        }
        let place = (distance_m / self.spacing_m).rem_euclid(n as f64);
        let i = (place as usize).min(n - 1);
        let share = place - i as f64;
        let (a, b) = (self.heights_m[i], self.heights_m[(i + 1) % n]);
        [0, 1].map(|side| f64::from(a[side]) + share * f64::from(b[side] - a[side]))
    }
}

/// A standard normal number (Box and Muller).
fn normal(rng: &mut ChaCha8Rng) -> f64 {
    let u: f64 = 1.0 - rng.random::<f64>();
    let v: f64 = rng.random();
    (-2.0 * u.ln()).sqrt() * (std::f64::consts::TAU * v).cos()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Power spectral density \[m³\] of one wheel track at a spatial frequency \[1/m\], averaged over a third of an octave by
    /// plain Fourier sums: slow and independent.
    fn density(profile: &RoadProfile, frequency_pm: f64) -> f64 {
        let n = profile.heights_m.len();
        let length = profile.length_m();
        let (low, high) = (frequency_pm / 1.122, frequency_pm * 1.122);
        let lines = ((low * length).ceil() as usize..=(high * length).floor() as usize).step_by(3);
        let (mut sum, mut count) = (0.0, 0.0);
        for line in lines {
            let turn = std::f64::consts::TAU * line as f64 / n as f64;
            let (mut re, mut im) = (0.0, 0.0);
            for (i, h) in profile.heights_m.iter().enumerate() {
                let (s, c) = (turn * i as f64).sin_cos();
                re += f64::from(h[0]) * c;
                im += f64::from(h[0]) * s;
            }
            sum += 2.0 * (re * re + im * im) * length / (n as f64 * n as f64);
            count += 1.0;
        }
        sum / count
    }

    /// `[ISO8608]`: Gd(n) = Gd(0.1)·(n/0.1)^−2, here within what the number of averaged lines lets one see.
    #[test]
    fn the_spectrum_of_the_road_is_that_of_its_class() {
        for (seed, class) in [(1, RoadClass::A), (2, RoadClass::C)] {
            let profile = RoadProfile::generate(seed, class.density_m3(), 2000.0);
            for frequency in [0.1, 0.3, 1.0] {
                let expected = class.density_m3() * (frequency / REFERENCE_FREQUENCY_PM).powi(-2);
                let ratio = density(&profile, frequency) / expected;
                assert!((0.6..1.6).contains(&ratio), "{class:?} at {frequency}/m: {ratio}");
            }
        }
    }

    #[test]
    fn classes_are_four_times_apart() {
        assert!((RoadClass::A.density_m3() - 16e-6).abs() < 1e-12);
        assert!((RoadClass::H.density_m3() - 262_144e-6).abs() < 1e-9);
    }

    #[test]
    fn the_same_seed_is_the_same_road_and_no_roughness_is_flat() {
        let one = RoadProfile::generate(7, 64e-6, 500.0);
        assert_eq!(one, RoadProfile::generate(7, 64e-6, 500.0));
        assert_ne!(one, RoadProfile::generate(8, 64e-6, 500.0));
        assert_eq!(RoadProfile::generate(7, 0.0, 500.0).at(123.4), [0.0; 2]);
        // No step where it repeats.
        let [a, b] = [one.at(499.95)[0], one.at(500.05)[0]];
        assert!((a - b).abs() < 0.01);
    }
}
