//! Circuits drawn from analytic pieces: straights, arcs and clothoids, closed exactly.
//!
//! A [`Segment`] has curvature linear in its length, so heading is a quadratic in closed form and position a
//! Fresnel-type integral, taken by Gauss-Legendre panels short enough that the rule is exact to rounding. A
//! [`Layout`] is closed by solving for what the drawing leaves open: the angle of one corner (heading) and the
//! lengths of two straights (position, linear in both because their headings are fixed).
//!
//! Axes: x to the east, y to the north, heading anticlockwise from x, curvature positive in a left turn.
//! Abscissae `s` run along the centre line from the start line, and wrap.

use track::{CentrePoint, Direction};

/// A drawing that does not make a circuit.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum LayoutError {
    /// The transitions turn more than the whole corner.
    #[error(
        "corner {name}: transitions turn {transitions_deg:.1} degrees, more than its {angle_deg:.1}; shorten them or widen the corner"
    )]
    Transitions {
        /// Name of the corner.
        name: String,
        /// What both transitions turn together \[deg\].
        transitions_deg: f64,
        /// What the corner turns \[deg\].
        angle_deg: f64,
    },
    /// Not exactly one corner with an open angle and two open straights.
    #[error(
        "a drawing leaves the angle of one corner and the lengths of two straights open; found {corners} and {straights}"
    )]
    Open {
        /// Corners with an open angle.
        corners: usize,
        /// Straights with an open length.
        straights: usize,
    },
    /// The two open straights are parallel, or closing asks for a straight that is too short.
    #[error("the open straights cannot close the circuit: they would be {first_m:.1} m and {second_m:.1} m")]
    Closure {
        /// Length the first would need \[m\].
        first_m: f64,
        /// Length the second would need \[m\].
        second_m: f64,
    },
}

/// A stretch with curvature linear in its length: straight, arc or clothoid.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Segment {
    /// Length \[m\], positive.
    pub length_m: f64,
    /// Curvature at its begin \[1/m\].
    pub from_1pm: f64,
    /// Curvature at its end \[1/m\].
    pub to_1pm: f64,
}

/// Place and direction on the centre line.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Pose {
    /// East \[m\].
    pub x_m: f64,
    /// North \[m\].
    pub y_m: f64,
    /// Anticlockwise from x \[rad\], not wrapped: it counts on along the lap.
    pub heading_rad: f64,
}

/// Nodes and weights of the five-point Gauss-Legendre rule on \[0, 1\], error of order h^11 a panel.
///
/// # Source
/// Closed form: nodes ±(1/3)·√(5 ∓ 2√(10/7)) on \[−1, 1\]; a handbook table (e.g. Abramowitz and Stegun, 25.4.30).
const GAUSS: [(f64, f64); 5] = [
    (0.046_910_077_030_668, 0.118_463_442_528_094_54),
    (0.230_765_344_947_158_45, 0.239_314_335_249_683_23),
    (0.5, 0.284_444_444_444_444_44),
    (0.769_234_655_052_841_6, 0.239_314_335_249_683_23),
    (0.953_089_922_969_332, 0.118_463_442_528_094_54),
];

/// Longest panel of the quadrature \[m\]; with curvature below 0.06/m its error is below 1e-12 m.
const PANEL_M: f64 = 8.0;

impl Segment {
    fn curvature(self, u_m: f64) -> f64 {
        self.from_1pm + (self.to_1pm - self.from_1pm) * u_m / self.length_m
    }

    fn turned(self, u_m: f64) -> f64 {
        (self.from_1pm + 0.5 * (self.to_1pm - self.from_1pm) * u_m / self.length_m) * u_m
    }

    /// Pose after `u_m` metres when the segment begins at `at`.
    fn pose(self, at: Pose, u_m: f64) -> Pose {
        let panels = (u_m / PANEL_M).ceil().max(1.0);
        let h = u_m / panels;
        let (mut x, mut y) = (at.x_m, at.y_m);
        for i in 0..panels as usize {
            for (node, weight) in GAUSS {
                let angle = at.heading_rad + self.turned((i as f64 + node) * h);
                x += weight * h * angle.cos();
                y += weight * h * angle.sin();
            }
        }
        Pose { x_m: x, y_m: y, heading_rad: at.heading_rad + self.turned(u_m) }
    }
}

/// A corner as it was drawn.
#[derive(Debug, Clone, PartialEq)]
pub struct Bend {
    /// Its name.
    pub name: String,
    /// Side to which it turns.
    pub direction: Direction,
    /// Begin of its first transition \[m\].
    pub start_m: f64,
    /// Middle of its arc \[m\].
    pub middle_m: f64,
    /// End of its last transition \[m\].
    pub end_m: f64,
    /// Radius of the arc on the centre line \[m\].
    pub radius_m: f64,
}

/// One corner of a drawing: transition in, arc, transition out.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Turn {
    pub(crate) name: &'static str,
    /// Left positive \[deg\]; NaN for the one that closes the heading (then only its sign is lost: it turns right
    /// when the circuit is clockwise).
    pub(crate) angle_deg: f64,
    pub(crate) radius_m: f64,
    /// Transition in: from straight, or from the curvature of the corner before when it follows without a straight.
    pub(crate) in_m: f64,
    /// Transition out to straight; 0 when the next corner follows without a straight.
    pub(crate) out_m: f64,
    /// Half widths of the road in the middle of the corner, left and right \[m\].
    pub(crate) width_m: (f64, f64),
}

/// A piece of a drawing.
#[derive(Debug, Clone, Copy)]
pub(crate) enum Piece {
    Straight(f64),
    /// A straight whose length closes the circuit.
    Open,
    Turn(Turn),
    /// Turns on between two corners of one bend, too loose to be a corner of its own; written like a turn.
    Link(Turn),
}

impl Piece {
    fn turn(&self) -> Option<&Turn> {
        match self {
            Self::Turn(turn) | Self::Link(turn) => Some(turn),
            Self::Straight(_) | Self::Open => None,
        }
    }
}

/// A closed circuit.
#[derive(Debug, Clone, PartialEq)]
pub struct Layout {
    name: String,
    segments: Vec<Segment>,
    /// Abscissa and pose at the begin of each segment.
    begins: Vec<(f64, Pose)>,
    bends: Vec<Bend>,
    /// Abscissa and half widths, ascending; smooth between, periodic.
    widths: Vec<(f64, (f64, f64))>,
    length_m: f64,
    total_turn_rad: f64,
}

const ORIGIN: Pose = Pose { x_m: 0.0, y_m: 0.0, heading_rad: 0.0 };

impl Layout {
    /// Closes a drawing; the start line is at its begin, at the origin, heading east.
    ///
    /// # Errors
    /// [`LayoutError`] when the pieces cannot be closed.
    pub(crate) fn close(
        name: &str,
        clockwise: bool,
        straight_width_m: (f64, f64),
        pieces: &[Piece],
    ) -> Result<Self, LayoutError> {
        let total_turn_rad = if clockwise { -1.0 } else { 1.0 } * std::f64::consts::TAU;
        let open_turns = pieces.iter().filter_map(Piece::turn).filter(|t| t.angle_deg.is_nan()).count();
        let open: Vec<usize> = (0..pieces.len()).filter(|&i| matches!(pieces[i], Piece::Open)).collect();
        let &[first, second] = open.as_slice() else {
            return Err(LayoutError::Open { corners: open_turns, straights: open.len() });
        };
        if open_turns != 1 {
            return Err(LayoutError::Open { corners: open_turns, straights: 2 });
        }
        let known_deg: f64 =
            pieces.iter().filter_map(Piece::turn).map(|t| t.angle_deg).filter(|a| !a.is_nan()).sum();
        let closing_deg = total_turn_rad.to_degrees() - known_deg;
        let mut lengths = (100.0, 100.0);
        // Linear in both lengths: the second round only takes out rounding.
        for _ in 0..2 {
            let segments = draw(pieces, closing_deg, lengths)?;
            let begins = begins(&segments.all);
            let (_, end) = begins[segments.all.len()];
            let (a, b) = (begins[segments.of_piece[first]].1, begins[segments.of_piece[second]].1);
            let ((ca, sa), (cb, sb)) =
                ((a.heading_rad.cos(), a.heading_rad.sin()), (b.heading_rad.cos(), b.heading_rad.sin()));
            let determinant = ca * sb - cb * sa;
            let (dx, dy) = (-end.x_m, -end.y_m);
            lengths.0 += (dx * sb - cb * dy) / determinant;
            lengths.1 += (ca * dy - sa * dx) / determinant;
        }
        if !(lengths.0 > 5.0 && lengths.1 > 5.0) {
            return Err(LayoutError::Closure { first_m: lengths.0, second_m: lengths.1 });
        }
        let drawn = draw(pieces, closing_deg, lengths)?;
        let mut begins = begins(&drawn.all);
        let length_m = begins.pop().map_or(0.0, |(s, _)| s);
        let bends = bends(pieces, &drawn, &begins, length_m);
        let widths = widths(pieces, &bends, straight_width_m, length_m);
        Ok(Self {
            name: name.to_owned(),
            segments: drawn.all,
            begins,
            bends,
            widths,
            length_m,
            total_turn_rad,
        })
    }

    /// Name of the circuit.
    #[must_use]
    pub fn name(&self) -> &str {
        &self.name
    }

    /// Length of the centre line \[m\].
    #[must_use]
    pub fn length_m(&self) -> f64 {
        self.length_m
    }

    /// The corners in driving order.
    #[must_use]
    pub fn bends(&self) -> &[Bend] {
        &self.bends
    }

    fn locate(&self, s_m: f64) -> (usize, f64) {
        let s = s_m.rem_euclid(self.length_m);
        let i = self.begins.partition_point(|(b, _)| *b <= s).saturating_sub(1);
        (i, (s - self.begins[i].0).min(self.segments[i].length_m))
    }

    /// Pose of the centre line at an abscissa \[m\]; the heading counts on over laps.
    #[must_use]
    pub fn pose(&self, s_m: f64) -> Pose {
        let (i, u) = self.locate(s_m);
        let laps = (s_m / self.length_m).floor();
        let pose = self.segments[i].pose(self.begins[i].1, u);
        Pose { heading_rad: pose.heading_rad + laps * self.total_turn_rad, ..pose }
    }

    /// Curvature of the centre line \[1/m\].
    #[must_use]
    pub fn curvature(&self, s_m: f64) -> f64 {
        let (i, u) = self.locate(s_m);
        self.segments[i].curvature(u)
    }

    /// Half widths to the left and to the right border \[m\].
    #[must_use]
    pub fn widths(&self, s_m: f64) -> (f64, f64) {
        let s = s_m.rem_euclid(self.length_m);
        let n = self.widths.len();
        let after = self.widths.partition_point(|(k, _)| *k <= s);
        let (a, b) = (self.widths[(after + n - 1) % n], self.widths[after % n]);
        let span = (b.0 - a.0).rem_euclid(self.length_m);
        let t = (s - a.0).rem_euclid(self.length_m) / span;
        let w = t * t * (3.0 - 2.0 * t);
        (a.1.0 + (b.1.0 - a.1.0) * w, a.1.1 + (b.1.1 - a.1.1) * w)
    }

    /// Points of the centre line at equal distances of about `step_m`, the first on the start line, not closed.
    #[must_use]
    pub fn centre_line(&self, step_m: f64) -> Vec<CentrePoint> {
        let n = (self.length_m / step_m).round().max(3.0) as usize;
        (0..n)
            .map(|i| {
                let s = self.length_m * i as f64 / n as f64;
                let pose = self.pose(s);
                let (left, right) = self.widths(s);
                CentrePoint { x_m: pose.x_m, y_m: pose.y_m, width_left_m: left, width_right_m: right }
            })
            .collect()
    }
}

struct Drawn {
    all: Vec<Segment>,
    /// Index of the first segment of each piece.
    of_piece: Vec<usize>,
}

/// Segments of all pieces, with the open angle and lengths filled in.
fn draw(pieces: &[Piece], closing_deg: f64, open_m: (f64, f64)) -> Result<Drawn, LayoutError> {
    let mut all: Vec<Segment> = Vec::new();
    let mut of_piece = Vec::with_capacity(pieces.len());
    let mut open = [open_m.0, open_m.1].into_iter();
    let straight = |length_m| Segment { length_m, from_1pm: 0.0, to_1pm: 0.0 };
    for piece in pieces {
        of_piece.push(all.len());
        match piece {
            Piece::Straight(length_m) => all.push(straight(*length_m)),
            Piece::Open => all.extend(open.next().map(straight)),
            Piece::Turn(turn) | Piece::Link(turn) => {
                let angle_deg = if turn.angle_deg.is_nan() { closing_deg } else { turn.angle_deg };
                let before = all.last().map_or(0.0, |s| s.to_1pm);
                let k = angle_deg.signum() / turn.radius_m;
                let entry = Segment { length_m: turn.in_m, from_1pm: before, to_1pm: k };
                let exit = Segment { length_m: turn.out_m, from_1pm: k, to_1pm: 0.0 };
                let turned =
                    entry.turned(turn.in_m) + if turn.out_m > 0.0 { exit.turned(turn.out_m) } else { 0.0 };
                let arc_m = (angle_deg.to_radians() - turned) / k;
                if arc_m <= 0.0 {
                    return Err(LayoutError::Transitions {
                        name: turn.name.to_owned(),
                        transitions_deg: turned.to_degrees().abs(),
                        angle_deg: angle_deg.abs(),
                    });
                }
                all.push(entry);
                all.push(Segment { length_m: arc_m, from_1pm: k, to_1pm: k });
                if turn.out_m > 0.0 {
                    all.push(exit);
                }
            }
        }
    }
    Ok(Drawn { all, of_piece })
}

/// Abscissa and pose at the begin of each segment, and at the end of the last.
fn begins(segments: &[Segment]) -> Vec<(f64, Pose)> {
    let mut at = (0.0, ORIGIN);
    let mut out = vec![at];
    for segment in segments {
        at = (at.0 + segment.length_m, segment.pose(at.1, segment.length_m));
        out.push(at);
    }
    out
}

fn bends(pieces: &[Piece], drawn: &Drawn, begins: &[(f64, Pose)], length_m: f64) -> Vec<Bend> {
    let begin = |segment: usize| begins.get(segment).map_or(length_m, |b| b.0);
    let mut bends = Vec::new();
    for (i, piece) in pieces.iter().enumerate() {
        let Piece::Turn(turn) = piece else { continue };
        let first = drawn.of_piece[i];
        let next = drawn.of_piece.get(i + 1).copied().unwrap_or(drawn.all.len());
        let arc = first + 1;
        bends.push(Bend {
            name: turn.name.to_owned(),
            direction: if drawn.all[arc].from_1pm > 0.0 { Direction::Left } else { Direction::Right },
            start_m: begin(first),
            middle_m: begin(arc) + 0.5 * drawn.all[arc].length_m,
            end_m: begin(next),
            radius_m: turn.radius_m,
        });
    }
    bends
}

/// Width knots: each corner's own in its middle, the straight's halfway between corners that are far apart.
fn widths(pieces: &[Piece], bends: &[Bend], straight_m: (f64, f64), length_m: f64) -> Vec<(f64, (f64, f64))> {
    /// Gap between corners that has room for the full width of a straight \[m\].
    const ROOM_M: f64 = 80.0;
    let turns = pieces.iter().filter_map(|p| match p {
        Piece::Turn(t) => Some(t),
        _ => None,
    });
    let mut knots: Vec<(f64, (f64, f64))> =
        bends.iter().zip(turns).map(|(b, t)| (b.middle_m, t.width_m)).collect();
    for (i, bend) in bends.iter().enumerate() {
        let next = &bends[(i + 1) % bends.len()];
        let gap = (next.start_m - bend.end_m).rem_euclid(length_m);
        if gap > ROOM_M {
            knots.push(((bend.end_m + 0.5 * gap).rem_euclid(length_m), straight_m));
        }
    }
    knots.sort_by(|a, b| a.0.total_cmp(&b.0));
    knots
}

fn turn(
    name: &'static str,
    angle_deg: f64,
    radius_m: f64,
    in_m: f64,
    out_m: f64,
    left: f64,
    right: f64,
) -> Piece {
    Piece::Turn(Turn { name, angle_deg, radius_m, in_m, out_m, width_m: (left, right) })
}

fn link(angle_deg: f64, radius_m: f64, in_m: f64) -> Piece {
    Piece::Link(Turn { name: "", angle_deg, radius_m, in_m, out_m: 0.0, width_m: (6.5, 6.0) })
}

/// Tarnbrook: 3.8 km, clockwise, twelve corners from a hairpin to a sweeper near full throttle.
///
/// # Errors
/// None in practice: the drawing is fixed and its closure is tested.
pub fn tarnbrook() -> Result<Layout, LayoutError> {
    use Piece::{Open, Straight};
    Layout::close(
        "Tarnbrook",
        true,
        (6.5, 6.5),
        &[
            Straight(250.0),
            turn("Tollgate", f64::NAN, 46.0, 30.0, 35.0, 6.5, 6.0),
            Straight(100.0),
            turn("Alder", 52.0, 120.0, 45.0, 45.0, 5.5, 6.0),
            Straight(210.0),
            turn("Lantern", -168.0, 20.0, 18.0, 22.0, 7.5, 6.0),
            Open,
            turn("Long Fallow", 64.0, 210.0, 70.0, 70.0, 6.0, 6.0),
            Straight(170.0),
            turn("Cinder", -58.0, 40.0, 20.0, 20.0, 5.5, 5.5),
            Straight(14.0),
            turn("Clinker", 66.0, 38.0, 20.0, 24.0, 5.5, 5.5),
            Straight(300.0),
            turn("Weir", -55.0, 66.0, 35.0, 0.0, 6.5, 6.0),
            link(-48.0, 130.0, 40.0),
            turn("Lower Weir", -78.0, 54.0, 40.0, 30.0, 6.5, 6.0),
            Straight(160.0),
            turn("Thistle", 70.0, 80.0, 30.0, 35.0, 6.0, 6.0),
            Open,
            turn("Coppice", -86.0, 62.0, 28.0, 30.0, 6.0, 6.0),
            Straight(150.0),
            turn("Skylark", 38.0, 140.0, 40.0, 40.0, 6.0, 6.0),
            Straight(200.0),
            turn("Homestead", -95.0, 52.0, 28.0, 32.0, 6.5, 6.0),
            Straight(260.0),
        ],
    )
}

/// Quillmarsh: 1.75 km, anticlockwise, seven corners, short straights.
///
/// # Errors
/// None in practice: the drawing is fixed and its closure is tested.
pub fn quillmarsh() -> Result<Layout, LayoutError> {
    use Piece::{Open, Straight};
    Layout::close(
        "Quillmarsh",
        false,
        (6.0, 6.0),
        &[
            Straight(290.0),
            turn("Ferryman", f64::NAN, 45.0, 22.0, 25.0, 5.5, 6.0),
            Open,
            turn("Saltpan", 100.0, 30.0, 18.0, 20.0, 5.5, 6.5),
            Straight(130.0),
            turn("Osier", -70.0, 40.0, 20.0, 20.0, 5.5, 5.5),
            Straight(85.0),
            turn("Bellrope", 75.0, 60.0, 25.0, 25.0, 6.0, 6.0),
            Open,
            turn("Gander", 90.0, 26.0, 16.0, 18.0, 5.5, 6.5),
            Straight(170.0),
            turn("Reed", -45.0, 75.0, 25.0, 25.0, 6.0, 6.0),
            Straight(50.0),
            turn("Causeway", 130.0, 36.0, 20.0, 25.0, 6.0, 6.5),
            Straight(150.0),
        ],
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_circuits_close_to_rounding() {
        for (layout, turns, length_m, corners) in [
            (tarnbrook().unwrap(), -1.0, 3500.0..4500.0, 12),
            (quillmarsh().unwrap(), 1.0, 1500.0..2000.0, 7),
        ] {
            let n = layout.segments.len() - 1;
            let end = layout.segments[n].pose(layout.begins[n].1, layout.segments[n].length_m);
            assert!(end.x_m.abs() < 1e-9 && end.y_m.abs() < 1e-9, "{end:?}");
            assert!((end.heading_rad - turns * std::f64::consts::TAU).abs() < 1e-12);
            assert!(length_m.contains(&layout.length_m()), "{}", layout.length_m());
            assert_eq!(layout.bends().len(), corners);
        }
    }

    /// A clothoid from straight to 1/R over length L ends at the Fresnel point x = L(1 − θ²/10 + θ⁴/216 − …),
    /// y = L(θ/3 − θ³/42 + θ⁵/1320 − …), θ = L/(2R): the series of the Fresnel integrals.
    #[test]
    fn a_clothoid_ends_where_the_fresnel_series_says() {
        let (length_m, radius_m) = (40.0, 50.0);
        let end = Segment { length_m, from_1pm: 0.0, to_1pm: 1.0 / radius_m }.pose(ORIGIN, length_m);
        let t: f64 = length_m / (2.0 * radius_m);
        let x = length_m
            * (1.0 - t.powi(2) / 10.0 + t.powi(4) / 216.0 - t.powi(6) / 9360.0 + t.powi(8) / 685_440.0);
        let y = length_m * (t / 3.0 - t.powi(3) / 42.0 + t.powi(5) / 1320.0 - t.powi(7) / 75_600.0);
        assert!((end.x_m - x).abs() < 1e-8 && (end.y_m - y).abs() < 2e-7, "{end:?} against {x}, {y}");
        assert!((end.heading_rad - t).abs() < 1e-15);
    }

    #[test]
    fn pose_and_curvature_are_continuous_over_the_lap() {
        let layout = tarnbrook().unwrap();
        let steps = 20_000;
        let h = layout.length_m() / f64::from(steps);
        for i in 0..steps {
            let (a, b) = (layout.pose(f64::from(i) * h), layout.pose(f64::from(i + 1) * h));
            let gone = (b.x_m - a.x_m).hypot(b.y_m - a.y_m);
            assert!((gone - h).abs() < 1e-4, "step {i}: {gone}");
            let turn = layout.curvature((f64::from(i) + 0.5) * h) * h;
            assert!((b.heading_rad - a.heading_rad - turn).abs() < 1e-4, "step {i}");
        }
    }

    #[test]
    fn the_road_never_comes_near_itself() {
        for points in [tarnbrook(), quillmarsh()].map(|l| l.unwrap().centre_line(10.0)) {
            let n = points.len();
            for i in 0..n {
                for j in i + 8..n.min(n + i - 8) {
                    let d = (points[i].x_m - points[j].x_m).hypot(points[i].y_m - points[j].y_m);
                    assert!(d > 20.0, "stations {i} and {j} are {d} m apart");
                }
            }
        }
    }

    #[test]
    fn a_drawing_that_cannot_close_is_refused() {
        let pieces = [Piece::Open, turn("a", f64::NAN, 30.0, 10.0, 10.0, 5.0, 5.0), Piece::Straight(50.0)];
        let e = Layout::close("x", true, (5.0, 5.0), &pieces).unwrap_err();
        assert_eq!(e, LayoutError::Open { corners: 1, straights: 1 });
    }
}
