//! Circuits: centre line and borders, from a file or from points, checked and mended.
//!
//! A circuit file has a header with the columns `x [m],y [m],width_left [m],width_right [m]` in any order and
//! one row per point of the centre line, in driving direction, not repeated at the end; widths are measured
//! from the centre line to the left and right border. Small faults are mended and told as [`Mend`]s, others
//! refused as [`CircuitError`]s; both name the row.
//!
//! The points are smoothed ([`crate::geometry::smooth`]) and joined by a periodic spline; widths are linear in
//! the chord between points. Heights and banking are outside the model.

use crate::geometry::{ClosedCurve, SMOOTHING_WEIGHT, smooth};

/// Columns of a circuit file.
const COLUMNS: [&str; 4] = ["x [m]", "y [m]", "width_left [m]", "width_right [m]"];
/// Fewest points a closed line is made of.
const MIN_POINTS: usize = 8;
/// Neighbours closer than this share of the median spacing count as repeated.
const REPEATED_SHARE: f64 = 0.02;
/// A gap between last and first point beyond this many median spacings (and beyond twice the largest other
/// spacing) is an open circuit.
const OPEN_SPACINGS: f64 = 4.0;
/// Longest run of missing widths that is filled from its neighbours \[m\].
const MAX_WIDTH_GAP_M: f64 = 60.0;
/// A corner in the drawing sharper than this \[rad\] (100°) that goes when one point is left out is a stray point.
const STRAY_TURN_RAD: f64 = 1.745;
/// Turn at one point \[rad\] (50°) from which the drawing is called kinked. At the usual 5 m between points a
/// hairpin of 6 m radius turns 48°.
const KINK_TURN_RAD: f64 = 0.873;
/// Least share `1 − n·κ` of the centre line's length that is left where the middle of the car may go on the inside of a
/// corner. At 0 it would stand still while the centre line goes on.
pub(crate) const MIN_INNER_SHARE: f64 = 0.05;

/// Reasons to refuse a circuit.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum CircuitError {
    /// No header with the four columns.
    #[error(
        "circuit file: row {row}: found the columns `{found}`, expected `x [m],y [m],width_left [m],width_right [m]`; \
         missing: {missing}"
    )]
    Header {
        /// Row of the file, from 1.
        row: usize,
        /// The header as found.
        found: String,
        /// The columns that are not there.
        missing: String,
    },
    /// The file holds no header.
    #[error("circuit file is empty, expected a header `x [m],y [m],width_left [m],width_right [m]` and rows")]
    Empty,
    /// A cell that is not a finite number.
    #[error(
        "circuit file: row {row}: `{column}` is `{found}`, expected a finite number with a decimal point"
    )]
    Number {
        /// Row of the file, from 1.
        row: usize,
        /// Name of the column.
        column: &'static str,
        /// The cell as found.
        found: String,
    },
    /// A row with fewer cells than the header, without its place.
    #[error("circuit file: row {row}: no value for `{column}`; every row needs x and y")]
    NoPlace {
        /// Row of the file, from 1.
        row: usize,
        /// Name of the column.
        column: &'static str,
    },
    /// Arrays of different length.
    #[error("circuit: {x} x, {y} y, {left} left and {right} right widths; expected as many of each")]
    Lengths {
        /// Values given for x.
        x: usize,
        /// Values given for y.
        y: usize,
        /// Widths to the left.
        left: usize,
        /// Widths to the right.
        right: usize,
    },
    /// Not enough points.
    #[error("circuit: {found} different points, need at least {MIN_POINTS}, best one every 3 to 10 m")]
    TooFewPoints {
        /// Points left after taking out repeated ones.
        found: usize,
    },
    /// Last and first point are far apart.
    #[error(
        "circuit is open: row {last} is {gap_m:.1} m from row {first}, other rows are {spacing_m:.1} m apart; \
         add the missing part, or leave out rows that lead elsewhere"
    )]
    Open {
        /// Row of the first point.
        first: usize,
        /// Row of the last point.
        last: usize,
        /// Distance between them \[m\].
        gap_m: f64,
        /// Median distance between neighbours \[m\].
        spacing_m: f64,
    },
    /// A point where the line turns back on itself.
    #[error(
        "circuit: row {row}: the line turns by {turn_deg:.0}° at one point, more than a car can follow; \
         check the order of the rows and leave out stray points"
    )]
    TurnsBack {
        /// Row of the point.
        row: usize,
        /// Turn \[°\].
        turn_deg: f64,
    },
    /// A width below 0: the borders cross each other or the centre line.
    #[error(
        "circuit: row {row}: `{column}` is {found} m; widths are measured outwards and cannot be negative (borders cross)"
    )]
    NegativeWidth {
        /// Row of the point.
        row: usize,
        /// Name of the column.
        column: &'static str,
        /// Width found \[m\].
        found: f64,
    },
    /// Widths are missing over too long a stretch, or altogether.
    #[error(
        "circuit: `{column}` is missing from row {from} to row {to} ({stretch_m:.0} m); gaps up to {MAX_WIDTH_GAP_M} m \
         are filled, longer ones have to be given"
    )]
    MissingWidth {
        /// Name of the column.
        column: &'static str,
        /// First row without it.
        from: usize,
        /// Last row without it.
        to: usize,
        /// Length of the stretch \[m\].
        stretch_m: f64,
    },
    /// The borders leave no room for the car.
    #[error(
        "circuit: row {row}: the borders are {found_m:.2} m apart, the car needs {needed_m:.2} m; \
         widen the circuit there or give a narrower car"
    )]
    TooNarrow {
        /// Row of the point.
        row: usize,
        /// Distance of the borders \[m\].
        found_m: f64,
        /// Width of the car \[m\].
        needed_m: f64,
    },
    /// A mesh step that makes no sense.
    #[error(
        "step is {found} m, must be a number between 0.1 m and a twentieth of the circuit ({limit_m:.0} m)"
    )]
    Step {
        /// Step found \[m\].
        found: f64,
        /// Largest step allowed \[m\].
        limit_m: f64,
    },
}

/// A fault that was mended while reading; to be shown to the user.
#[derive(Debug, Clone, PartialEq, serde::Serialize)]
pub struct Mend {
    /// First row concerned.
    pub row: usize,
    /// How many rows.
    pub rows: usize,
    /// What was found and what was done.
    pub message: String,
}

impl std::fmt::Display for Mend {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self.rows {
            0 | 1 => write!(f, "row {}: {}", self.row, self.message),
            n => write!(f, "row {} ({n} rows in all): {}", self.row, self.message),
        }
    }
}

/// A closed circuit with borders.
#[derive(Debug, Clone, PartialEq)]
pub struct Circuit {
    curve: ClosedCurve,
    left_m: Vec<f64>,
    right_m: Vec<f64>,
    /// Row of the file of each point kept.
    rows: Vec<usize>,
    mends: Vec<Mend>,
}

/// A point while it is being checked.
#[derive(Debug, Clone, Copy)]
struct Point {
    row: usize,
    x: f64,
    y: f64,
    /// Widths to the left and right; `NaN` while missing.
    widths: [f64; 2],
}

impl Point {
    fn distance(&self, other: &Self) -> f64 {
        (other.x - self.x).hypot(other.y - self.y)
    }
}

impl Circuit {
    /// Reads a circuit file (see the module).
    ///
    /// Cells are separated by commas, semicolons or tabs; lines that are empty or start with `#` are skipped.
    ///
    /// # Errors
    /// [`CircuitError`], naming the row as the line of the file, the header being the first.
    pub fn from_csv(text: &str) -> Result<Self, CircuitError> {
        Self::build(parse(text)?)
    }

    /// A circuit from points \[m\] in driving direction, with the widths to the left and right \[m\].
    ///
    /// # Errors
    /// [`CircuitError`], naming the row as the point's number, from 1.
    pub fn from_points(x: &[f64], y: &[f64], left: &[f64], right: &[f64]) -> Result<Self, CircuitError> {
        if [y.len(), left.len(), right.len()].iter().any(|n| *n != x.len()) {
            return Err(CircuitError::Lengths {
                x: x.len(),
                y: y.len(),
                left: left.len(),
                right: right.len(),
            });
        }
        let points =
            (0..x.len()).map(|i| Point { row: i + 1, x: x[i], y: y[i], widths: [left[i], right[i]] });
        let points: Vec<Point> = points.collect();
        for point in &points {
            for (column, value) in [(COLUMNS[0], point.x), (COLUMNS[1], point.y)] {
                if !value.is_finite() {
                    return Err(CircuitError::Number { row: point.row, column, found: value.to_string() });
                }
            }
        }
        Self::build(points)
    }

    fn build(mut points: Vec<Point>) -> Result<Self, CircuitError> {
        let mut mends = Vec::new();
        refuse_negative_widths(&points)?;
        take_out_repeated(&mut points, &mut mends);
        if points.len() < MIN_POINTS {
            return Err(CircuitError::TooFewPoints { found: points.len() });
        }
        refuse_open(&points)?;
        take_out_strays(&mut points, &mut mends)?;
        fill_widths(&mut points, &mut mends)?;

        let raw_x: Vec<f64> = points.iter().map(|p| p.x).collect();
        let raw_y: Vec<f64> = points.iter().map(|p| p.y).collect();
        let x = smooth(&raw_x, SMOOTHING_WEIGHT);
        let y = smooth(&raw_y, SMOOTHING_WEIGHT);
        let curve = ClosedCurve::through(&x, &y).ok_or(CircuitError::TooFewPoints { found: points.len() })?;
        let mut circuit = Self {
            curve,
            left_m: points.iter().map(|p| p.widths[0]).collect(),
            right_m: points.iter().map(|p| p.widths[1]).collect(),
            rows: points.iter().map(|p| p.row).collect(),
            mends,
        };
        circuit.tell_moved(&raw_x, &raw_y, &x, &y);
        circuit.tell_folded();
        Ok(circuit)
    }

    /// Tells where smoothing moved the line sideways by more than half a metre.
    fn tell_moved(&mut self, raw_x: &[f64], raw_y: &[f64], x: &[f64], y: &[f64]) {
        let places = self.curve.at_sorted(self.curve.knots_m().to_vec());
        let moved: Vec<(usize, f64)> = (0..x.len())
            .map(|i| {
                let (sin, cos) = places[i].heading_rad.sin_cos();
                (i, (-(raw_x[i] - x[i]) * sin + (raw_y[i] - y[i]) * cos).abs())
            })
            .filter(|(_, d)| *d > 0.5)
            .collect();
        if let Some((worst, by)) = moved.iter().copied().max_by(|a, b| a.1.total_cmp(&b.1)) {
            self.mends.push(Mend {
                row: self.rows[worst],
                rows: moved.len(),
                message: format!(
                    "smoothing moved the line sideways by up to {by:.2} m (kinks or uneven spacing)"
                ),
            });
        }
    }

    /// Tells where a border lies beyond the centre of curvature, so that it folds back and is cut off.
    fn tell_folded(&mut self) {
        let mut folded: Vec<usize> = Vec::new();
        let samples = self.curve.knots_m().len() * 4;
        let mesh = self.sample(samples);
        for k in 0..samples {
            let curvature = mesh.curvature_radpm[k];
            let inner = if curvature > 0.0 { mesh.left_m[k] } else { mesh.right_m[k] };
            if inner * curvature.abs() > 1.0 {
                folded.push(mesh.segment[k]);
            }
        }
        folded.dedup();
        if let Some(first) = folded.first() {
            self.mends.push(Mend {
                row: self.rows[*first],
                rows: folded.len(),
                message: "the inner border folds back on itself (the corner is tighter than the width given); the car keeps \
                          clear of the fold"
                    .to_owned(),
            });
        }
    }

    /// What was mended while reading.
    #[must_use]
    pub fn mends(&self) -> &[Mend] {
        &self.mends
    }

    /// Length of the centre line \[m\].
    #[must_use]
    pub fn length_m(&self) -> f64 {
        self.curve.length_m()
    }

    /// The smoothed centre line.
    #[must_use]
    pub fn centre_line(&self) -> &ClosedCurve {
        &self.curve
    }

    /// Nodes equally far apart along the centre line: `round(length/step)` of them.
    ///
    /// # Errors
    /// [`CircuitError::Step`] unless the step \[m\] is within 0.1 m and a twentieth of the length.
    pub fn mesh(&self, step_m: f64) -> Result<Mesh, CircuitError> {
        let limit_m = self.length_m() / 20.0;
        if !(step_m.is_finite() && step_m >= 0.1 && step_m <= limit_m) {
            return Err(CircuitError::Step { found: step_m, limit_m });
        }
        Ok(self.sample((self.length_m() / step_m).round() as usize))
    }

    pub(crate) fn sample(&self, count: usize) -> Mesh {
        self.sample_at(&self.curve.evenly(count))
    }

    /// Nodes at distances \[m\] that begin with 0 and grow to below the length.
    pub(crate) fn mesh_at(&self, distances_m: &[f64]) -> Mesh {
        self.sample_at(&self.curve.at_sorted(distances_m.iter().copied()))
    }

    fn sample_at(&self, places: &[crate::geometry::Place]) -> Mesh {
        let count = places.len();
        let length = self.length_m();
        let steps_m: Vec<f64> = (0..count)
            .map(|k| places.get(k + 1).map_or(length + places[0].s_m, |next| next.s_m) - places[k].s_m)
            .collect();
        let weight_m = (0..count).map(|k| 0.5 * (steps_m[(k + count - 1) % count] + steps_m[k])).collect();
        let n = self.rows.len();
        let width = |w: &[f64], p: &crate::geometry::Place| {
            w[p.segment] + p.fraction * (w[(p.segment + 1) % n] - w[p.segment])
        };
        let left_m: Vec<f64> = places.iter().map(|p| width(&self.left_m, p)).collect();
        let right_m: Vec<f64> = places.iter().map(|p| width(&self.right_m, p)).collect();
        Mesh {
            length_m: self.length_m(),
            steps_m,
            weight_m,
            s_m: places.iter().map(|p| p.s_m).collect(),
            x_m: places.iter().map(|p| p.x_m).collect(),
            y_m: places.iter().map(|p| p.y_m).collect(),
            heading_rad: places.iter().map(|p| p.heading_rad).collect(),
            curvature_radpm: places.iter().map(|p| p.curvature_radpm).collect(),
            turning_rad: self.curve.total_turning_rad(),
            left_m,
            right_m,
            segment: places.iter().map(|p| p.segment).collect(),
            row: places.iter().map(|p| self.rows[p.segment]).collect(),
            narrowest: (0..n)
                .map(|i| (self.left_m[i] + self.right_m[i], self.rows[i]))
                .min_by(|a, b| a.0.total_cmp(&b.0))
                .unwrap_or((0.0, 0)),
        }
    }
}

/// A circuit at nodes along its centre line; all arrays have one value per node.
#[derive(Debug, Clone, PartialEq)]
pub struct Mesh {
    /// Length of the centre line \[m\].
    pub length_m: f64,
    /// Distance along the centre line to the next node \[m\], from the last on to the first.
    pub steps_m: Vec<f64>,
    /// Distance along the centre line that a node stands for \[m\]: half of the steps before and behind.
    pub weight_m: Vec<f64>,
    /// Distance along the centre line \[m\].
    pub s_m: Vec<f64>,
    /// Position \[m\].
    pub x_m: Vec<f64>,
    /// Position \[m\].
    pub y_m: Vec<f64>,
    /// Direction \[rad\], not wrapped.
    pub heading_rad: Vec<f64>,
    /// Curvature \[1/m\], positive to the left.
    pub curvature_radpm: Vec<f64>,
    /// Heading gained in one lap \[rad\].
    pub turning_rad: f64,
    /// Distance to the left border \[m\].
    pub left_m: Vec<f64>,
    /// Distance to the right border \[m\].
    pub right_m: Vec<f64>,
    segment: Vec<usize>,
    /// Row of the file of the point before each node.
    row: Vec<usize>,
    /// Least distance of the borders at a point \[m\], and its row: the nodes may step over it.
    narrowest: (f64, usize),
}

impl Mesh {
    /// Number of nodes.
    #[must_use]
    pub fn len(&self) -> usize {
        self.s_m.len()
    }

    /// Whether there are no nodes; never so for a mesh made by [`Circuit::mesh`].
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.s_m.is_empty()
    }

    /// Change of heading \[rad\] from node `k` to the next one, from the last on to the first.
    #[must_use]
    pub fn heading_change_rad(&self, k: usize) -> f64 {
        match self.heading_rad.get(k + 1) {
            Some(next) => next - self.heading_rad[k],
            None => self.heading_rad[0] + self.turning_rad - self.heading_rad[k],
        }
    }

    /// Least and largest offset to the left \[m\] of the middle of a car of a given width, per node. Towards the inside of a
    /// corner it ends short of the centre of curvature, where offsets lose their meaning.
    ///
    /// # Errors
    /// [`CircuitError::TooNarrow`] where the car does not fit.
    pub fn room(&self, car_width_m: f64) -> Result<Vec<(f64, f64)>, CircuitError> {
        // A solver needs an inside: 2 cm of it.
        const LEAST_ROOM_M: f64 = 0.02;
        let needed_m = car_width_m + LEAST_ROOM_M;
        if self.narrowest.0 < needed_m {
            let (found_m, row) = self.narrowest;
            return Err(CircuitError::TooNarrow { row, found_m, needed_m });
        }
        (0..self.len())
            .map(|k| {
                let (mut low, mut high) =
                    (0.5 * car_width_m - self.right_m[k], self.left_m[k] - 0.5 * car_width_m);
                let curvature = self.curvature_radpm[k];
                if curvature > 0.0 {
                    high = high.min((1.0 - MIN_INNER_SHARE) / curvature);
                } else if curvature < 0.0 {
                    low = low.max((1.0 - MIN_INNER_SHARE) / curvature);
                }
                if high - low >= LEAST_ROOM_M {
                    Ok((low, high))
                } else {
                    Err(CircuitError::TooNarrow {
                        row: self.row[k],
                        found_m: self.left_m[k] + self.right_m[k],
                        needed_m,
                    })
                }
            })
            .collect()
    }

    /// Position \[m\] at an offset \[m\] to the left of node `k`.
    #[must_use]
    pub fn position(&self, k: usize, offset_m: f64) -> (f64, f64) {
        let (sin, cos) = self.heading_rad[k].sin_cos();
        (self.x_m[k] - offset_m * sin, self.y_m[k] + offset_m * cos)
    }
}

fn parse(text: &str) -> Result<Vec<Point>, CircuitError> {
    let text = text.strip_prefix('\u{feff}').unwrap_or(text);
    let mut lines = text
        .lines()
        .enumerate()
        .map(|(i, line)| (i + 1, line.trim()))
        .filter(|(_, line)| !line.is_empty() && !line.starts_with('#'));
    let (row, header) = lines.next().ok_or(CircuitError::Empty)?;
    let separator = [';', '\t'].into_iter().find(|c| header.contains(*c)).unwrap_or(',');
    let names: Vec<&str> = header.split(separator).map(|c| c.trim().trim_matches('"')).collect();
    let places = COLUMNS.map(|column| names.iter().position(|name| *name == column));
    let missing: Vec<&str> = (0..4).filter(|c| places[*c].is_none()).map(|c| COLUMNS[c]).collect();
    let [Some(x), Some(y), Some(left), Some(right)] = places else {
        return Err(CircuitError::Header { row, found: header.to_owned(), missing: missing.join(", ") });
    };
    lines.map(|(row, line)| parse_row(row, line, separator, [x, y, left, right])).collect()
}

fn parse_row(row: usize, line: &str, separator: char, places: [usize; 4]) -> Result<Point, CircuitError> {
    let cells: Vec<&str> = line.split(separator).map(|c| c.trim().trim_matches('"')).collect();
    let mut values = [f64::NAN; 4];
    for c in 0..4 {
        let cell = cells.get(places[c]).copied().unwrap_or("");
        if cell.is_empty() {
            if c < 2 {
                return Err(CircuitError::NoPlace { row, column: COLUMNS[c] });
            }
            continue;
        }
        values[c] = cell
            .parse()
            .ok()
            .filter(|v: &f64| v.is_finite())
            .ok_or_else(|| CircuitError::Number { row, column: COLUMNS[c], found: cell.to_owned() })?;
    }
    Ok(Point { row, x: values[0], y: values[1], widths: [values[2], values[3]] })
}

fn refuse_negative_widths(points: &[Point]) -> Result<(), CircuitError> {
    for point in points {
        for side in 0..2 {
            if point.widths[side] < 0.0 {
                return Err(CircuitError::NegativeWidth {
                    row: point.row,
                    column: COLUMNS[2 + side],
                    found: point.widths[side],
                });
            }
        }
    }
    Ok(())
}

fn median_spacing(points: &[Point]) -> f64 {
    let mut spacing: Vec<f64> =
        points.windows(2).map(|w| w[0].distance(&w[1])).filter(|d| *d > 0.0).collect();
    spacing.sort_by(f64::total_cmp);
    spacing.get(spacing.len() / 2).copied().unwrap_or(0.0)
}

/// Takes out points that repeat the one before, and the end where it repeats the start.
fn take_out_repeated(points: &mut Vec<Point>, mends: &mut Vec<Mend>) {
    let near = REPEATED_SHARE * median_spacing(points);
    let mut repeated = Vec::new();
    let mut kept: Vec<Point> = Vec::with_capacity(points.len());
    for point in points.drain(..) {
        match kept.last() {
            Some(last) if last.distance(&point) <= near => repeated.push(point.row),
            _ => kept.push(point),
        }
    }
    if let Some(first) = repeated.first() {
        mends.push(Mend {
            row: *first,
            rows: repeated.len(),
            message: "the point repeats the one before; left out".to_owned(),
        });
    }
    while kept.len() > 1 && kept[0].distance(&kept[kept.len() - 1]) <= near {
        let row = kept[kept.len() - 1].row;
        kept.pop();
        mends.push(Mend { row, rows: 1, message: "the last point repeats the first; left out".to_owned() });
    }
    *points = kept;
}

fn refuse_open(points: &[Point]) -> Result<(), CircuitError> {
    let spacing_m = median_spacing(points);
    let largest = points.windows(2).map(|w| w[0].distance(&w[1])).fold(0.0, f64::max);
    let (first, last) = (&points[0], &points[points.len() - 1]);
    let gap_m = last.distance(first);
    if gap_m > (OPEN_SPACINGS * spacing_m).max(2.0 * largest) {
        return Err(CircuitError::Open { first: first.row, last: last.row, gap_m, spacing_m });
    }
    Ok(())
}

/// Turn \[rad\] of the polygon at point `i`.
fn turn_at(points: &[Point], i: usize) -> f64 {
    let n = points.len();
    let (a, b, c) = (&points[(i + n - 1) % n], &points[i], &points[(i + 1) % n]);
    let (u, v) = ((b.x - a.x, b.y - a.y), (c.x - b.x, c.y - b.y));
    (u.0 * v.1 - u.1 * v.0).atan2(u.0 * v.0 + u.1 * v.1)
}

/// Leaves out single points that make the line turn back; refuses lines that turn back for good; tells kinks.
fn take_out_strays(points: &mut Vec<Point>, mends: &mut Vec<Mend>) -> Result<(), CircuitError> {
    let mut i = 0;
    let mut taken = 0;
    while i < points.len() {
        if turn_at(points, i).abs() < STRAY_TURN_RAD {
            i += 1;
            continue;
        }
        // The stray is this point, or the one after it (whose own turn is the larger one then).
        let n = points.len();
        let stray = [i, (i + 1) % n].into_iter().find(|&candidate| {
            let mut without = points.clone();
            without.remove(candidate);
            let m = without.len();
            let near = [candidate + m - 2, candidate + m - 1, candidate, candidate + 1];
            near.iter().all(|j| turn_at(&without, j % m).abs() < KINK_TURN_RAD)
        });
        let Some(stray) = stray.filter(|_| taken * 50 < n && n > MIN_POINTS) else {
            return Err(CircuitError::TurnsBack {
                row: points[i].row,
                turn_deg: turn_at(points, i).to_degrees().abs(),
            });
        };
        mends.push(Mend {
            row: points[stray].row,
            rows: 1,
            message: "the point lies off the line, which would turn back on itself; left out".to_owned(),
        });
        points.remove(stray);
        taken += 1;
        i = i.saturating_sub(2);
    }
    let kinks: Vec<usize> = (0..points.len()).filter(|i| turn_at(points, *i).abs() > KINK_TURN_RAD).collect();
    if let Some(first) = kinks.first() {
        mends.push(Mend {
            row: points[*first].row,
            rows: kinks.len(),
            message: format!(
                "the line has a kink of {:.0}°; rounded by the spline",
                turn_at(points, *first).to_degrees().abs()
            ),
        });
    }
    Ok(())
}

/// Fills missing widths by the line between the neighbours that have one.
fn fill_widths(points: &mut [Point], mends: &mut Vec<Mend>) -> Result<(), CircuitError> {
    let n = points.len();
    for side in 0..2 {
        let column = COLUMNS[2 + side];
        let Some(start) = (0..n).find(|i| !points[*i].widths[side].is_nan()) else {
            let stretch_m = (0..n).map(|i| points[i].distance(&points[(i + 1) % n])).sum();
            return Err(CircuitError::MissingWidth {
                column,
                from: points[0].row,
                to: points[n - 1].row,
                stretch_m,
            });
        };
        let mut known = start;
        let mut filled = Vec::new();
        for step in 1..=n {
            let here = (start + step) % n;
            if points[here].widths[side].is_nan() {
                continue;
            }
            let run = (here + n - known - 1) % n;
            if run > 0 {
                let at = |j: usize| (known + j) % n;
                let distance = |to: usize, points: &[Point]| -> f64 {
                    (0..to).map(|j| points[at(j)].distance(&points[at(j + 1)])).sum()
                };
                let stretch_m = distance(run + 1, points);
                if stretch_m > MAX_WIDTH_GAP_M {
                    return Err(CircuitError::MissingWidth {
                        column,
                        from: points[at(1)].row,
                        to: points[at(run)].row,
                        stretch_m,
                    });
                }
                let (w0, w1) = (points[known].widths[side], points[here].widths[side]);
                for j in 1..=run {
                    let share = distance(j, points) / stretch_m;
                    points[at(j)].widths[side] = w0 + share * (w1 - w0);
                    filled.push(points[at(j)].row);
                }
            }
            known = here;
        }
        if let Some(first) = filled.first() {
            mends.push(Mend {
                row: *first,
                rows: filled.len(),
                message: format!("`{column}` is missing; filled from the neighbours"),
            });
        }
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::f64::consts::TAU;
    use std::fmt::Write;

    /// Rows of a circle of 60 m radius, 5 m wide to each side.
    fn circle_rows() -> Vec<String> {
        (0..80)
            .map(|i| {
                let t = TAU * f64::from(i) / 80.0;
                format!("{:.4},{:.4},5.0,5.0", 60.0 * t.cos(), 60.0 * t.sin())
            })
            .collect()
    }

    fn file(rows: &[String]) -> String {
        let mut text = "x [m],y [m],width_left [m],width_right [m]\n".to_owned();
        for row in rows {
            writeln!(text, "{row}").unwrap();
        }
        text
    }

    fn refused(rows: &[String]) -> String {
        Circuit::from_csv(&file(rows)).unwrap_err().to_string()
    }

    #[test]
    fn a_clean_file_needs_no_mending() {
        let circuit = Circuit::from_csv(&file(&circle_rows())).unwrap();
        assert!(circuit.mends().is_empty(), "{:?}", circuit.mends());
        assert!((circuit.length_m() - TAU * 60.0).abs() < 0.01);
        let mesh = circuit.mesh(3.0).unwrap();
        assert_eq!(mesh.len(), 126);
        assert!((0..126).all(|k| (mesh.heading_change_rad(k) - TAU / 126.0).abs() < 1e-3));
    }

    #[test]
    fn a_clockwise_circuit_turns_the_other_way() {
        let mut rows = circle_rows();
        rows.reverse();
        let circuit = Circuit::from_csv(&file(&rows)).unwrap();
        assert!((circuit.centre_line().total_turning_rad() + TAU).abs() < 1e-9);
    }

    #[test]
    fn columns_may_stand_in_any_order_with_semicolons() {
        let mut text = "width_right [m];y [m];x [m];width_left [m]\r\n".to_owned();
        for i in 0..80 {
            let t = TAU * f64::from(i) / 80.0;
            write!(text, "4;{};{};6\r\n", 60.0 * t.sin(), 60.0 * t.cos()).unwrap();
        }
        let mesh = Circuit::from_csv(&text).unwrap().mesh(3.0).unwrap();
        assert!(mesh.left_m.iter().all(|w| (w - 6.0).abs() < 1e-9));
        assert!(mesh.right_m.iter().all(|w| (w - 4.0).abs() < 1e-9));
    }

    #[test]
    fn an_open_circuit_is_refused_with_both_rows() {
        let message = refused(&circle_rows()[..50]);
        assert!(
            message.contains("open") && message.contains("row 51") && message.contains("row 2"),
            "{message}"
        );
    }

    #[test]
    fn repeated_points_are_left_out_and_told() {
        let mut rows = circle_rows();
        rows.insert(10, rows[9].clone());
        rows.push(rows[0].clone());
        let circuit = Circuit::from_csv(&file(&rows)).unwrap();
        let told: Vec<String> = circuit.mends().iter().map(ToString::to_string).collect();
        assert!(told[0].starts_with("row 12: the point repeats"), "{told:?}");
        assert!(told[1].starts_with("row 83: the last point repeats"), "{told:?}");
    }

    #[test]
    fn a_negative_width_is_refused_with_its_row() {
        let mut rows = circle_rows();
        rows[4] = "57.0,18.5,5.0,-1.0".to_owned();
        let message = refused(&rows);
        assert!(
            message.contains("row 6") && message.contains("width_right") && message.contains("cross"),
            "{message}"
        );
    }

    #[test]
    fn a_word_for_a_number_is_refused_with_row_and_column() {
        let mut rows = circle_rows();
        rows[2] = "57.0,north,5.0,5.0".to_owned();
        let message = refused(&rows);
        assert!(message.contains("row 4") && message.contains("`y [m]` is `north`"), "{message}");
        rows[2] = "57.0,inf,5.0,5.0".to_owned();
        assert!(refused(&rows).contains("`inf`"));
    }

    #[test]
    fn missing_columns_are_named() {
        let text = file(&circle_rows()).replace("width_left [m]", "width [m]");
        let message = Circuit::from_csv(&text).unwrap_err().to_string();
        assert!(message.contains("missing: width_left [m]"), "{message}");
        assert_eq!(Circuit::from_csv("\n# nothing\n"), Err(CircuitError::Empty));
    }

    #[test]
    fn a_short_gap_in_the_widths_is_filled_and_a_long_one_refused() {
        let mut rows = circle_rows();
        for row in &mut rows[20..24] {
            *row = row.replace(",5.0,5.0", ",,5.0");
        }
        let circuit = Circuit::from_csv(&file(&rows)).unwrap();
        assert!(circuit.mends()[0].message.contains("width_left"));
        assert!(circuit.mesh(3.0).unwrap().left_m.iter().all(|w| (w - 5.0).abs() < 1e-9));
        for row in &mut rows[20..50] {
            *row = row.replace(",5.0,5.0", ",5.0,");
        }
        let message = refused(&rows);
        assert!(message.contains("width_right") && message.contains("row 26 to row 51"), "{message}");
    }

    #[test]
    fn a_gap_in_the_widths_across_the_first_row_is_filled() {
        let mut rows = circle_rows();
        for i in [79, 0, 1] {
            rows[i] = rows[i].replace(",5.0,5.0", ",,");
        }
        let circuit = Circuit::from_csv(&file(&rows)).unwrap();
        assert!(circuit.mesh(3.0).unwrap().right_m.iter().all(|w| (w - 5.0).abs() < 1e-9));
    }

    #[test]
    fn a_stray_point_is_left_out_and_a_line_that_turns_back_refused() {
        let mut rows = circle_rows();
        rows[30] = "0.0,0.0,5.0,5.0".to_owned();
        let circuit = Circuit::from_csv(&file(&rows)).unwrap();
        assert!(
            circuit.mends()[0].to_string().starts_with("row 32: the point lies off"),
            "{:?}",
            circuit.mends()
        );
        let mut rows = circle_rows();
        rows[20..40].reverse();
        let message = refused(&rows);
        assert!(message.contains("turns by"), "{message}");
    }

    #[test]
    fn an_inner_border_beyond_the_centre_of_curvature_is_cut_and_told() {
        let rows: Vec<String> = circle_rows().iter().map(|r| r.replace(",5.0,5.0", ",80.0,5.0")).collect();
        let circuit = Circuit::from_csv(&file(&rows)).unwrap();
        assert!(circuit.mends()[0].message.contains("folds back"));
        let mesh = circuit.mesh(3.0).unwrap();
        let room = mesh.room(2.0).unwrap();
        assert!((0..mesh.len()).all(|k| 1.0 - room[k].1 * mesh.curvature_radpm[k] > 0.049));
        assert!(mesh.left_m.iter().all(|w| (w - 80.0).abs() < 1e-9), "the border itself stays");
    }

    #[test]
    fn a_car_that_does_not_fit_is_told_the_row() {
        let mut rows = circle_rows();
        rows[40] = rows[40].replace(",5.0,5.0", ",0.5,0.6");
        let mesh = Circuit::from_csv(&file(&rows)).unwrap().mesh(1.0).unwrap();
        let message = mesh.room(2.0).unwrap_err().to_string();
        assert!(message.contains("row 42"), "{message}");
        assert!(mesh.room(1.0).is_ok());
    }

    #[test]
    fn a_step_out_of_range_is_refused() {
        let circuit = Circuit::from_csv(&file(&circle_rows())).unwrap();
        for step in [0.0, -3.0, f64::NAN, 1e3] {
            assert!(matches!(circuit.mesh(step), Err(CircuitError::Step { .. })));
        }
    }
}
