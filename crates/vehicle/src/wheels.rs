//! One value per wheel, by name.

use serde::{Deserialize, Serialize};

/// One value for each wheel: front left, front right, rear left, rear right.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[expect(missing_docs, reason = "the type says it")]
pub struct Wheels<T> {
    pub fl: T,
    pub fr: T,
    pub rl: T,
    pub rr: T,
}

impl<T> Wheels<T> {
    /// From the order fl, fr, rl, rr.
    pub fn from_array([fl, fr, rl, rr]: [T; 4]) -> Self {
        Self { fl, fr, rl, rr }
    }

    /// In the order fl, fr, rl, rr.
    pub fn to_array(self) -> [T; 4] {
        [self.fl, self.fr, self.rl, self.rr]
    }

    /// The same function of each wheel's value.
    pub fn map<U>(self, f: impl FnMut(T) -> U) -> Wheels<U> {
        Wheels::from_array(self.to_array().map(f))
    }
}

impl<T: Copy> Wheels<T> {
    /// The same value at every wheel.
    pub fn splat(value: T) -> Self {
        Self { fl: value, fr: value, rl: value, rr: value }
    }
}

impl Wheels<f64> {
    /// Sum over the wheels.
    #[must_use]
    pub fn sum(self) -> f64 {
        self.fl + self.fr + self.rl + self.rr
    }
}
