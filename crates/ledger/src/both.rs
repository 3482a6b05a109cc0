//! One value of each lap of the pair.

use serde::Serialize;

/// A value of the lap beside that of its reference.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
pub struct Both<T> {
    /// Of the lap that is explained.
    pub lap: T,
    /// Of the lap it is measured against.
    pub reference: T,
}

impl<T> Both<T> {
    /// The same computed from each.
    pub fn map<U>(self, mut f: impl FnMut(T) -> U) -> Both<U> {
        Both { lap: f(self.lap), reference: f(self.reference) }
    }

    /// Each with its counterpart.
    pub fn zip<U>(self, other: Both<U>) -> Both<(T, U)> {
        Both { lap: (self.lap, other.lap), reference: (self.reference, other.reference) }
    }

    /// Borrowed.
    pub fn as_ref(&self) -> Both<&T> {
        Both { lap: &self.lap, reference: &self.reference }
    }
}

impl Both<f64> {
    /// Lap minus reference.
    #[must_use]
    pub fn difference(self) -> f64 {
        self.lap - self.reference
    }

    /// Halfway between them; the same whichever is called the lap.
    #[must_use]
    pub fn mean(self) -> f64 {
        0.5 * (self.lap + self.reference)
    }

    /// The lower of the two.
    #[must_use]
    pub fn min(self) -> f64 {
        self.lap.min(self.reference)
    }

    /// The higher of the two.
    #[must_use]
    pub fn max(self) -> f64 {
        self.lap.max(self.reference)
    }
}

impl<T> Both<Option<T>> {
    /// Both values, or nothing.
    #[must_use]
    pub fn present(self) -> Option<Both<T>> {
        Some(Both { lap: self.lap?, reference: self.reference? })
    }
}
