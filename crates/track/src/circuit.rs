//! The circuit: a smooth closed centre line measured from the start line, its borders and its corners.

use crate::spline::{ClosedCurve, SplineError};
use channels::MissingChannel;
use serde::{Deserialize, Serialize};

/// Why no circuit could be made.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum CircuitError {
    /// No timed lap to take the line from.
    #[error(
        "no complete lap to draw the circuit from: the recording holds {laps} lap(s), {timed} of them timed; \
         record at least one lap from line to line, or give the circuit as a centre-line file"
    )]
    NoLap {
        /// Laps in the list.
        laps: usize,
        /// Timed ones.
        timed: usize,
    },
    /// Neither positions, nor speed with yaw rate.
    #[error("there are no positions (x, y), and the circuit cannot be dead-reckoned either: {0}")]
    Missing(#[from] MissingChannel),
    /// The line does not come back to where it began.
    #[error(
        "the circuit does not close: the lap from {from_s:.1} s ends {gap_m:.0} m from where it began, after {length_m:.0} m; \
         is it one whole lap, and are x, y in metres?"
    )]
    NotClosed {
        /// Begin of the lap \[s\].
        from_s: f64,
        /// Distance between its ends \[m\].
        gap_m: f64,
        /// Its length \[m\].
        length_m: f64,
    },
    /// The points of a file do not come back to the first.
    #[error(
        "the centre line does not close: its last point is {gap_m:.0} m from the first, after {length_m:.0} m; only closed circuits \
         can be read, with x and y in metres"
    )]
    Open {
        /// Distance from the last point to the first \[m\].
        gap_m: f64,
        /// Length of the line \[m\].
        length_m: f64,
    },
    /// Fewer points or metres than a circuit has.
    #[error(
        "{points} points over {length_m:.1} m are too little for a circuit (at least {FEWEST_POINTS} points and {SHORTEST_M} m)"
    )]
    TooShort {
        /// Number of points.
        points: usize,
        /// Their length \[m\].
        length_m: f64,
    },
    /// A point that is no number, or a border on the wrong side.
    #[error("centre-line point {index} (counted from 1) has {what}; correct that row")]
    Point {
        /// Number of the point, from 1.
        index: usize,
        /// What is wrong with it.
        what: &'static str,
    },
    /// Points that no smooth closed line goes through.
    #[error(
        "the driven line cannot be smoothed: {0}; check the positions of the recording for repeats and jumps"
    )]
    Smoothing(SplineError),
    /// Stored data that is no circuit.
    #[error(
        "the stored circuit '{name}' is damaged: {source}; make it again from a recording or a centre-line file"
    )]
    Stored {
        /// Name of the circuit.
        name: String,
        /// What is wrong.
        source: SplineError,
    },
}

/// Fewest points of a circuit.
pub(crate) const FEWEST_POINTS: usize = 20;
/// Shortest circuit \[m\]. Common practice, no source: indoor kart tracks are longer.
pub(crate) const SHORTEST_M: f64 = 100.0;

/// Side to which a corner turns.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Direction {
    /// Positive curvature.
    Left,
    /// Negative curvature.
    Right,
}

/// A corner of the circuit.
///
/// `start_m ≤ turn_in_m ≤ apex_m ≤ exit_m` always. `apex_m` lies in `[0, length)`; for a corner across the start line
/// `start_m` or `turn_in_m` may be negative, and `exit_m` beyond the length.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Corner {
    /// `T1` for the first after the line, and so on.
    pub name: String,
    /// 1 for the first after the line.
    pub number: usize,
    /// Where the corner's braking begins: median brake onset of the laps the circuit was made from; the turn-in where
    /// nobody braked or there were no pedals \[m\].
    pub start_m: f64,
    /// Where the line begins to bend \[m\].
    pub turn_in_m: f64,
    /// Middle of the tightest part \[m\].
    pub apex_m: f64,
    /// Where the line is straight again \[m\].
    pub exit_m: f64,
    /// Side it turns to.
    pub direction: Direction,
    /// Radius of the line where it is tightest \[m\], positive.
    pub radius_m: f64,
}

/// A point of a centre-line file.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CentrePoint {
    /// Place \[m\].
    pub x_m: f64,
    /// Place \[m\].
    pub y_m: f64,
    /// From the centre line to the left border \[m\], 0 or more; NaN when unknown.
    pub width_left_m: f64,
    /// From the centre line to the right border \[m\], 0 or more; NaN when unknown.
    pub width_right_m: f64,
}

/// A closed circuit. Abscissa `s` \[m\] runs in driving direction from 0 at the start line to [`Circuit::length_m`];
/// every method takes any `s` and wraps it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(try_from = "Stored", into = "Stored")]
pub struct Circuit {
    /// Name as given by the user.
    pub name: String,
    /// Corners in driving order, numbered from the start line.
    pub corners: Vec<Corner>,
    pub(crate) line: ClosedCurve,
    pub(crate) borders: Option<Borders>,
    pub(crate) source: Option<SourceDistance>,
}

/// The lap distance that the source shows, at even abscissae from 0 to the length of the circuit \[m\], both included.
///
/// Sources count along a line of their own, often the middle of the road; driven lines are shorter. Increasing.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct SourceDistance(pub(crate) Vec<f64>);

impl SourceDistance {
    pub(crate) fn length_m(&self) -> f64 {
        self.0.last().copied().unwrap_or(0.0)
    }

    /// Reading at share `0..=1` of the circuit.
    fn at(&self, share: f64) -> f64 {
        let pieces = self.0.len() - 1;
        let r = share.clamp(0.0, 1.0) * pieces as f64;
        let i = (r as usize).min(pieces - 1);
        self.0[i] + (self.0[i + 1] - self.0[i]) * (r - i as f64)
    }

    /// Abscissa \[m\] where the source shows `distance_m`, on a circuit of `length_m`.
    pub(crate) fn abscissa(&self, distance_m: f64, length_m: f64) -> f64 {
        let pieces = self.0.len() - 1;
        let i = self.0.partition_point(|&d| d <= distance_m).clamp(1, pieces) - 1;
        let w = (distance_m - self.0[i]) / (self.0[i + 1] - self.0[i]);
        length_m * (i as f64 + w) / pieces as f64
    }
}

/// Distance of the borders from the centre line at its knots.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Borders {
    pub(crate) left_m: Vec<f64>,
    pub(crate) right_m: Vec<f64>,
}

impl Circuit {
    /// Length of the centre line \[m\].
    #[must_use]
    pub fn length_m(&self) -> f64 {
        self.line.period()
    }

    /// Place \[m\] on the centre line.
    #[must_use]
    pub fn point(&self, s_m: f64) -> (f64, f64) {
        let [x, y] = self.line.at(s_m).p;
        (x, y)
    }

    /// Place \[m\] at `offset_m` to the left of the centre line.
    #[must_use]
    pub fn point_beside(&self, s_m: f64, offset_m: f64) -> (f64, f64) {
        let at = self.line.at(s_m);
        let scale = offset_m / at.d1[0].hypot(at.d1[1]);
        (at.p[0] - at.d1[1] * scale, at.p[1] + at.d1[0] * scale)
    }

    /// Direction \[rad\] of driving, anticlockwise from x, in (-π, π].
    #[must_use]
    pub fn heading(&self, s_m: f64) -> f64 {
        self.line.at(s_m).heading_rad()
    }

    /// Curvature \[1/m\], positive to the left.
    #[must_use]
    pub fn curvature(&self, s_m: f64) -> f64 {
        self.line.at(s_m).curvature_1pm()
    }

    /// Distance \[m\] of the left and right border from the centre line, where the circuit has borders.
    #[must_use]
    pub fn widths(&self, s_m: f64) -> Option<(f64, f64)> {
        let b = self.borders.as_ref()?;
        let n = b.left_m.len();
        let r = s_m.rem_euclid(self.length_m()) / self.length_m() * n as f64;
        let (i, w) = ((r as usize).min(n - 1), r - r.floor());
        let read = |v: &[f64]| v[i] + (v[(i + 1) % n] - v[i]) * w;
        Some((read(&b.left_m), read(&b.right_m)))
    }

    /// Lap distance \[m\] that the source of the circuit's laps shows at an abscissa in `[0, length]`; none when it showed
    /// none. For people who compare with what they see while driving.
    #[must_use]
    pub fn lap_distance(&self, s_m: f64) -> Option<f64> {
        self.source.as_ref().map(|t| t.at(s_m / self.length_m()))
    }

    /// Whether the circuit knows its borders.
    #[must_use]
    pub fn has_borders(&self) -> bool {
        self.borders.is_some()
    }

    /// The centre line over arc length.
    #[must_use]
    pub fn line(&self) -> &ClosedCurve {
        &self.line
    }

    /// Abscissae \[m\] of the nodes that every lap of this circuit shares: even, about 1 m apart, from 0 to the length,
    /// both included.
    #[must_use]
    pub fn nodes_m(&self) -> Vec<f64> {
        let pieces = self.length_m().round().max(1.0);
        (0..=pieces as usize).map(|i| self.length_m() * i as f64 / pieces).collect()
    }
}

/// What is kept of a circuit: knots at even arc length, the spline follows from them.
#[derive(Debug, Clone, Serialize, Deserialize)]
struct Stored {
    name: String,
    length_m: f64,
    x_m: Vec<f64>,
    y_m: Vec<f64>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    width_left_m: Option<Vec<f64>>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    width_right_m: Option<Vec<f64>>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    lap_distance_m: Option<Vec<f64>>,
    corners: Vec<Corner>,
}

impl From<Circuit> for Stored {
    fn from(c: Circuit) -> Self {
        let (width_left_m, width_right_m) = c.borders.map(|b| (b.left_m, b.right_m)).unzip();
        let points = c.line.points();
        Self {
            name: c.name,
            length_m: c.line.period(),
            x_m: points.iter().map(|p| p[0]).collect(),
            y_m: points.iter().map(|p| p[1]).collect(),
            width_left_m,
            width_right_m,
            lap_distance_m: c.source.map(|t| t.0),
            corners: c.corners,
        }
    }
}

impl TryFrom<Stored> for Circuit {
    type Error = CircuitError;

    fn try_from(s: Stored) -> Result<Self, CircuitError> {
        let damaged = |source| CircuitError::Stored { name: s.name.clone(), source };
        let n = s.x_m.len();
        let lengths = [Some(&s.y_m), s.width_left_m.as_ref(), s.width_right_m.as_ref()];
        if let Some(v) = lengths.into_iter().flatten().find(|v| v.len() != n) {
            return Err(damaged(SplineError::Length { knots: n, values: v.len() }));
        }
        let knots: Vec<f64> = (0..n).map(|i| s.length_m * i as f64 / n as f64).collect();
        let points: Vec<[f64; 2]> = s.x_m.iter().zip(&s.y_m).map(|(&x, &y)| [x, y]).collect();
        let line = ClosedCurve::interpolate(&knots, s.length_m, &points).map_err(damaged)?;
        let borders =
            s.width_left_m.zip(s.width_right_m).map(|(left_m, right_m)| Borders { left_m, right_m });
        // A table that does not increase cannot be read backwards; laps are scaled without it.
        let increasing = |v: &Vec<f64>| v.len() >= 2 && v.windows(2).all(|w| w[1] > w[0]);
        let source = s.lap_distance_m.filter(increasing).map(SourceDistance);
        Ok(Self { name: s.name, corners: s.corners, line, borders, source })
    }
}
