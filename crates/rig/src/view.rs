//! View: which angles does the screen fill for the eye, and how many apexes are in view at turn-in?
//!
//! Seen from above, with the eye at the origin and z straight ahead, the screen is a path from its middle `(0, d)` to the
//! right; the left half mirrors it. A flat panel is a straight piece, a curved one an arc of radius `R` that comes towards the
//! eye; bezels are straight; the side screens are turned towards the eye by the side angle where the bezels meet.
//!
//! ```text
//! flat     H = 2·atan(w / 2d)                      V = 2·atan(h / 2d)
//! curved   H = 2·atan2(R·sin φ, d − R(1 − cos φ))  φ = arc / 2R
//! triple   H = 2·atan2(x, z) of the far end of the side screen
//! ```
//!
//! The picture is true to scale when the program's angle is that of the screen: then distances and speeds look as they are.
//! Vertical angles are those through the middle of the middle screen.

use crate::{Answer, Caution, Finding, Outcome, Verdict};
use serde::{Deserialize, Serialize};
use std::f64::consts::PI;
use track::{Circuit, Corner, Direction};

/// Size of one panel.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Size {
    /// By its diagonal, as it is sold: width of a curved panel is measured along the curve.
    Diagonal {
        /// Diagonal \[m\].
        diagonal_m: f64,
        /// Width over height, such as 16/9.
        aspect: f64,
    },
    /// By its width, and its height where the vertical angle is wanted right.
    Width {
        /// Width of the picture \[m\], along the curve.
        width_m: f64,
        /// Diagonal \[m\].
        diagonal_m: f64,
    },
    /// By both sides.
    Sides {
        /// Width of the picture \[m\], along the curve.
        width_m: f64,
        /// Height of the picture \[m\].
        height_m: f64,
    },
}

/// A screen, or three of them, and the eye in front.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Setup {
    /// Size of one panel.
    pub size: Size,
    /// Radius of the curve \[m\]; none when flat.
    pub curve_radius_m: Option<f64>,
    /// Side screens; none with a single one.
    pub sides: Option<Sides>,
    /// From the eye to the middle of the middle screen \[m\].
    pub eye_m: f64,
}

/// How the side screens stand.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Sides {
    /// Turned towards the eye by this, against the end of the middle screen \[rad\]; 0 is in one plane.
    pub angle_rad: f64,
    /// Bezel of one panel \[m\]; between two pictures there are two.
    pub bezel_m: f64,
}

/// A setup that cannot be.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum ViewError {
    /// Not a length.
    #[error("{name} is {value}; expected {expected}")]
    Number {
        /// What it is.
        name: &'static str,
        /// Its value, in the unit of the expectation.
        value: f64,
        /// What fits.
        expected: &'static str,
    },
    /// A right-angled triangle with a leg as long as its long side.
    #[error(
        "a screen {width_cm:.1} cm wide cannot have a diagonal of {diagonal_cm:.1} cm; the diagonal is the longer one (was it given in inches?)"
    )]
    WiderThanDiagonal {
        /// Width \[cm\].
        width_cm: f64,
        /// Diagonal \[cm\].
        diagonal_cm: f64,
    },
    /// The eye on the wrong side.
    #[error(
        "the eye is {eye_cm:.1} cm in front of the screen, so behind or in it; measure from the eye to the middle of the picture, \
         20 cm at least"
    )]
    EyeBehind {
        /// Distance \[cm\].
        eye_cm: f64,
    },
    /// An arc of more than half a circle.
    #[error(
        "a panel {arc_cm:.0} cm wide with a radius of {radius_cm:.0} cm would close around the eye; check the radius, 1800R is 180 cm"
    )]
    TooCurved {
        /// Width along the curve \[cm\].
        arc_cm: f64,
        /// Radius \[cm\].
        radius_cm: f64,
    },
    /// An angle that no distance gives.
    #[error(
        "no distance from 0.2 m to 10 m gives {wanted_deg:.1} degrees with this screen: 0.2 m gives {nearest_deg:.1}, 10 m {farthest_deg:.1}"
    )]
    Unreachable {
        /// Wanted horizontal angle \[deg\].
        wanted_deg: f64,
        /// Angle at the nearest distance \[deg\].
        nearest_deg: f64,
        /// Angle at the farthest distance \[deg\].
        farthest_deg: f64,
    },
}

/// Nearest and farthest eye that a rig has \[m\]; common practice, no source.
const EYE_M: (f64, f64) = (0.2, 10.0);

/// A panel that is checked, and where the eye is.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Checked {
    width_m: f64,
    height_m: f64,
    radius_m: Option<f64>,
    sides: Option<Sides>,
    eye_m: f64,
}

/// A point seen from above \[m\]: to the right of the eye, and ahead of it.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct PlanPoint {
    /// To the right \[m\].
    pub right_m: f64,
    /// Ahead \[m\].
    pub ahead_m: f64,
}

/// Right half of the screens, seen from above, for a drawing to scale; mirror it for the left.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Plan {
    /// Picture of the middle screen from its middle to its right end.
    pub middle: Vec<PlanPoint>,
    /// Picture of the right screen; empty with a single one.
    pub side: Vec<PlanPoint>,
}

/// One angle in the ways that programs ask for it.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Conventions {
    /// Vertical \[deg\].
    pub vertical_deg: f64,
    /// Vertical \[rad\].
    pub vertical_rad: f64,
    /// Horizontal of the middle screen \[deg\].
    pub horizontal_one_deg: f64,
    /// Horizontal of the middle screen \[rad\].
    pub horizontal_one_rad: f64,
    /// Horizontal of all screens \[deg\].
    pub horizontal_all_deg: f64,
    /// Horizontal of all screens \[rad\].
    pub horizontal_all_rad: f64,
}

/// A corner at turn-in.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ApexView {
    /// Name of the corner.
    pub corner: String,
    /// Direction of the apex against straight ahead, at turn-in \[rad\], left positive.
    pub bearing_rad: f64,
    /// Whether it is within the screens.
    pub in_view: bool,
}

/// Apexes of a circuit.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Apexes {
    /// Name of the circuit.
    pub circuit: String,
    /// By corner.
    pub corners: Vec<ApexView>,
    /// Share of the apexes in view at turn-in \[0..1\].
    pub share: f64,
    /// The same for eyes that are nearer: (centimetres nearer, share), until all are in view or 20 cm.
    pub nearer: Vec<(u32, f64)>,
    /// How much nearer brings the next apex into view \[m\]; none when no distance does, or all are.
    pub next_apex_m: Option<f64>,
}

/// Numbers of the view check.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct View {
    /// Width of the picture of one panel \[m\].
    pub width_m: f64,
    /// Its height \[m\].
    pub height_m: f64,
    /// In the ways that programs ask for it.
    pub angles: Conventions,
    /// Horizontal angle of one side screen \[rad\]; none with a single one.
    pub side_screen_rad: Option<f64>,
    /// Side angle at which the eye is as far from the middles of all pictures, so all three are seen alike \[rad\].
    pub ideal_side_angle_rad: f64,
    /// What one centimetre nearer adds to the horizontal angle of all screens \[rad\].
    pub per_centimetre_rad: f64,
    /// For a circuit; none without one.
    pub apexes: Option<Apexes>,
    /// For a drawing to scale.
    pub plan: Plan,
}

impl Setup {
    fn checked(self) -> Result<Checked, ViewError> {
        let length = |name, value: f64| {
            if value.is_finite() && (0.05..=5.0).contains(&value) {
                Ok(value)
            } else {
                Err(ViewError::Number { name, value, expected: "0.05 m to 5 m" })
            }
        };
        let (width_m, height_m) = match self.size {
            Size::Diagonal { diagonal_m, aspect } => {
                let d = length("the diagonal", diagonal_m)?;
                if !(aspect.is_finite() && (0.3..=5.0).contains(&aspect)) {
                    return Err(ViewError::Number {
                        name: "the aspect",
                        value: aspect,
                        expected: "width over height, 0.3 to 5",
                    });
                }
                let height = d / aspect.hypot(1.0);
                (aspect * height, height)
            }
            Size::Width { width_m, diagonal_m } => {
                let (w, d) = (length("the width", width_m)?, length("the diagonal", diagonal_m)?);
                if w >= d {
                    return Err(ViewError::WiderThanDiagonal { width_cm: 100.0 * w, diagonal_cm: 100.0 * d });
                }
                (w, (d * d - w * w).sqrt())
            }
            Size::Sides { width_m, height_m } => {
                (length("the width", width_m)?, length("the height", height_m)?)
            }
        };
        if let Some(r) = self.curve_radius_m {
            if !(r.is_finite() && r > 0.0) {
                return Err(ViewError::Number {
                    name: "the radius of the curve",
                    value: r,
                    expected: "above 0 m",
                });
            }
            if width_m > PI * r {
                return Err(ViewError::TooCurved { arc_cm: 100.0 * width_m, radius_cm: 100.0 * r });
            }
        }
        if let Some(s) = self.sides {
            if !(0.0..=0.5 * PI).contains(&s.angle_rad) {
                return Err(ViewError::Number {
                    name: "the side angle",
                    value: s.angle_rad.to_degrees(),
                    expected: "0 to 90 degrees",
                });
            }
            if !(0.0..=0.2).contains(&s.bezel_m) {
                return Err(ViewError::Number {
                    name: "the bezel",
                    value: s.bezel_m,
                    expected: "0 m to 0.2 m",
                });
            }
        }
        let eye_m = eye(self.eye_m)?;
        Ok(Checked { width_m, height_m, radius_m: self.curve_radius_m, sides: self.sides, eye_m })
    }
}

fn eye(eye_m: f64) -> Result<f64, ViewError> {
    if !eye_m.is_finite() || eye_m > EYE_M.1 {
        return Err(ViewError::Number { name: "the eye distance", value: eye_m, expected: "0.2 m to 10 m" });
    }
    if eye_m < EYE_M.0 {
        return Err(ViewError::EyeBehind { eye_cm: 100.0 * eye_m });
    }
    Ok(eye_m)
}

/// A place on the way along the screens, and where the way goes: turned towards the eye by this.
#[derive(Debug, Clone, Copy)]
struct Way {
    at: PlanPoint,
    turned_rad: f64,
}

impl Way {
    fn straight(self, length_m: f64) -> Self {
        let (sin, cos) = self.turned_rad.sin_cos();
        let at = PlanPoint {
            right_m: self.at.right_m + length_m * cos,
            ahead_m: self.at.ahead_m - length_m * sin,
        };
        Self { at, ..self }
    }

    /// Along a panel: an arc, or straight on.
    fn panel(self, length_m: f64, radius_m: Option<f64>) -> Self {
        let Some(r) = radius_m else { return self.straight(length_m) };
        let turned_rad = self.turned_rad + length_m / r;
        let (s0, c0) = self.turned_rad.sin_cos();
        let (s1, c1) = turned_rad.sin_cos();
        let at =
            PlanPoint { right_m: self.at.right_m + r * (s1 - s0), ahead_m: self.at.ahead_m - r * (c0 - c1) };
        Self { at, turned_rad }
    }

    fn bearing_rad(self) -> f64 {
        self.at.right_m.atan2(self.at.ahead_m)
    }
}

impl Checked {
    fn middle(self) -> Way {
        Way { at: PlanPoint { right_m: 0.0, ahead_m: self.eye_m }, turned_rad: 0.0 }
    }

    fn right_end(self) -> Way {
        self.middle().panel(0.5 * self.width_m, self.radius_m)
    }

    /// Inner end of the right picture.
    fn side_begin(self, sides: Sides) -> Way {
        let hinge = self.right_end().straight(sides.bezel_m);
        Way { turned_rad: hinge.turned_rad + sides.angle_rad, ..hinge }.straight(sides.bezel_m)
    }

    fn outer_end(self) -> Way {
        match self.sides {
            Some(s) => self.side_begin(s).panel(self.width_m, self.radius_m),
            None => self.right_end(),
        }
    }

    fn one_rad(self) -> f64 {
        2.0 * self.right_end().bearing_rad()
    }

    fn all_rad(self) -> f64 {
        2.0 * positive(self.outer_end().bearing_rad())
    }

    fn at(self, eye_m: f64) -> Self {
        Self { eye_m, ..self }
    }
}

/// Bearings beyond straight back come out of `atan2` with the other sign.
fn positive(bearing_rad: f64) -> f64 {
    if bearing_rad < 0.0 { bearing_rad + 2.0 * PI } else { bearing_rad }
}

/// Eye distance \[m\] at which all screens together fill a horizontal angle.
///
/// The angle falls with the distance, so bisection finds it, to a tenth of a millimetre.
///
/// # Errors
/// [`ViewError`] when the setup cannot be (its own eye distance is not looked at), or no distance gives the angle.
pub fn eye_for_angle(setup: Setup, wanted_rad: f64) -> Result<f64, ViewError> {
    let screen = Setup { eye_m: 1.0, ..setup }.checked()?;
    let angle = |eye_m: f64| screen.at(eye_m).all_rad();
    let (mut near, mut far) = EYE_M;
    if !(angle(far) <= wanted_rad && wanted_rad <= angle(near)) {
        return Err(ViewError::Unreachable {
            wanted_deg: wanted_rad.to_degrees(),
            nearest_deg: angle(near).to_degrees(),
            farthest_deg: angle(far).to_degrees(),
        });
    }
    while far - near > 1e-9 {
        let middle = 0.5 * (near + far);
        if angle(middle) > wanted_rad { near = middle } else { far = middle }
    }
    Ok(0.5 * (near + far))
}

/// Vertical angle \[rad\] that belongs to a horizontal one on a flat picture of `aspect` = width/height.
#[must_use]
pub fn vertical_of_horizontal(horizontal_rad: f64, aspect: f64) -> f64 {
    2.0 * ((0.5 * horizontal_rad).tan() / aspect).atan()
}

/// Bearing \[rad\], left positive, of a corner's apex for a driver who looks along the centre line at turn-in.
///
/// The apex is on the inner border where the circuit knows its borders, else on the centre line.
#[must_use]
pub fn apex_bearing(circuit: &Circuit, corner: &Corner) -> f64 {
    let (x, y) = circuit.point(corner.turn_in_m);
    let inner = circuit.widths(corner.apex_m).map_or(0.0, |(left, right)| match corner.direction {
        Direction::Left => left,
        Direction::Right => -right,
    });
    let (ax, ay) = circuit.point_beside(corner.apex_m, inner);
    let (sin, cos) = ((ay - y).atan2(ax - x) - circuit.heading(corner.turn_in_m)).sin_cos();
    sin.atan2(cos)
}

fn apexes(screen: Checked, circuit: &Circuit) -> Option<Apexes> {
    if circuit.corners.is_empty() {
        return None;
    }
    let bearings: Vec<f64> = circuit.corners.iter().map(|c| apex_bearing(circuit, c)).collect();
    let seen = |eye_m: f64| {
        let half = 0.5 * screen.at(eye_m).all_rad();
        bearings.iter().filter(|b| b.abs() <= half).count()
    };
    let n = bearings.len();
    let share = |eye_m: f64| seen(eye_m) as f64 / n as f64;
    let mut nearer = Vec::new();
    for cm in 1..=20_u32 {
        let eye_m = screen.eye_m - 0.01 * f64::from(cm);
        if eye_m < EYE_M.0 || nearer.last().is_some_and(|(_, s)| *s >= 1.0) {
            break;
        }
        nearer.push((cm, share(eye_m)));
    }
    let now = seen(screen.eye_m);
    let steps = ((screen.eye_m - EYE_M.0) / 0.001) as u32;
    let next_apex_m =
        (1..=steps).map(|mm| 0.001 * f64::from(mm)).find(|nearer| seen(screen.eye_m - nearer) > now);
    let half = 0.5 * screen.all_rad();
    Some(Apexes {
        circuit: circuit.name.clone(),
        corners: circuit
            .corners
            .iter()
            .zip(&bearings)
            .map(|(c, &bearing_rad)| ApexView {
                corner: c.name.clone(),
                bearing_rad,
                in_view: bearing_rad.abs() <= half,
            })
            .collect(),
        share: share(screen.eye_m),
        nearer,
        next_apex_m,
    })
}

/// Checks the view: angles, conventions, and the apexes of a circuit at turn-in.
///
/// # Errors
/// [`ViewError`] for a setup that cannot be.
pub fn view(setup: Setup, circuit: Option<&Circuit>) -> Result<Outcome<View>, ViewError> {
    let screen = setup.checked()?;
    let (one, all) = (screen.one_rad(), screen.all_rad());
    let vertical = 2.0 * (0.5 * screen.height_m / screen.eye_m).atan();
    let side_screen_rad =
        screen.sides.map(|s| positive(screen.outer_end().bearing_rad()) - screen.side_begin(s).bearing_rad());
    let numbers = View {
        width_m: screen.width_m,
        height_m: screen.height_m,
        angles: Conventions {
            vertical_deg: vertical.to_degrees(),
            vertical_rad: vertical,
            horizontal_one_deg: one.to_degrees(),
            horizontal_one_rad: one,
            horizontal_all_deg: all.to_degrees(),
            horizontal_all_rad: all,
        },
        side_screen_rad,
        ideal_side_angle_rad: ideal_side_angle(screen),
        per_centimetre_rad: screen.at(screen.eye_m - 0.01).all_rad() - all,
        apexes: circuit.and_then(|c| apexes(screen, c)),
        plan: plan(screen),
    };
    let findings = findings(&numbers, &setup);
    Ok(Outcome::Answered(Answer::new(
        numbers,
        findings,
        &[Caution::Breaks, Caution::SimulatorsOnly],
        Vec::new(),
    )))
}

/// Side angle at which the middle of the side picture faces the eye as that of the middle screen does.
///
/// For flat panels without bezels it is the horizontal angle of one panel. In general the middle of the side picture must
/// lie square to the line of sight; the misalignment grows with the angle, so bisection finds it.
fn ideal_side_angle(screen: Checked) -> f64 {
    let bezel_m = screen.sides.map_or(0.0, |s| s.bezel_m);
    let off = |angle_rad: f64| {
        let middle =
            screen.side_begin(Sides { angle_rad, bezel_m }).panel(0.5 * screen.width_m, screen.radius_m);
        middle.turned_rad - positive(middle.bearing_rad())
    };
    let (mut low, mut high) = (0.0, 0.5 * PI);
    if off(low) >= 0.0 {
        return 0.0;
    }
    if off(high) <= 0.0 {
        return high;
    }
    while high - low > 1e-10 {
        let middle = 0.5 * (low + high);
        if off(middle) < 0.0 { low = middle } else { high = middle }
    }
    0.5 * (low + high)
}

fn plan(screen: Checked) -> Plan {
    const PIECES: u32 = 24;
    let along = |from: Way, length_m: f64| {
        (0..=PIECES)
            .map(|k| from.panel(length_m * f64::from(k) / f64::from(PIECES), screen.radius_m).at)
            .collect::<Vec<_>>()
    };
    Plan {
        middle: along(screen.middle(), 0.5 * screen.width_m),
        side: screen.sides.map_or_else(Vec::new, |s| along(screen.side_begin(s), screen.width_m)),
    }
}

/// Shares of apexes in view that do, and from which the head must do what the eyes should. Common practice, no source.
const ENOUGH: f64 = 0.9;
/// Side angles this near the ideal look alike \[rad\]; common practice, no source.
const SIDE_PLAY_RAD: f64 = 0.10;

fn findings(n: &View, setup: &Setup) -> Vec<Finding> {
    let a = n.angles;
    let why = "With the true angle distances and speeds look as they are, so brake points and closing speeds can be judged; a wide angle \
               on a small screen makes everything look far and slow.";
    let mut found = vec![Finding::passed(
        format!(
            "The screen fills {:.1} degrees across and {:.1} degrees up and down; set that angle in the simulator.",
            a.horizontal_all_deg, a.vertical_deg
        ),
        why,
    )];
    if let Some(x) = &n.apexes {
        let hidden = x.corners.iter().filter(|c| !c.in_view).count();
        let sentence = format!(
            "{} of {} apexes of {} are in view at turn-in.",
            x.corners.len() - hidden,
            x.corners.len(),
            x.circuit
        );
        let why = "A driver steers to what is seen: an apex outside the picture is turned in for from memory, and missed more.";
        if x.share >= ENOUGH {
            found.push(Finding::passed(sentence, why));
        } else {
            let nearer = x.next_apex_m.map_or_else(
                || {
                    "No distance brings the next apex in; side screens, or looking into the corner, would."
                        .to_owned()
                },
                |m| {
                    format!(
                        "Sit {:.0} cm nearer for the next apex; each centimetre adds {:.1} degrees.",
                        100.0 * m,
                        n.per_centimetre_rad.to_degrees()
                    )
                },
            );
            found.push(Finding::fault(
                Verdict::Improve,
                sentence,
                why,
                nearer,
                "Stop at turn-in of the slowest corner: its apex must be within the picture without turning the view.",
            ));
        }
    }
    if let Some(s) = setup.sides.filter(|s| (s.angle_rad - n.ideal_side_angle_rad).abs() > SIDE_PLAY_RAD) {
        found.push(Finding::fault(
            Verdict::Improve,
            format!(
                "The side screens stand at {:.0} degrees; square to the eye they would at {:.0}.",
                s.angle_rad.to_degrees(),
                n.ideal_side_angle_rad.to_degrees()
            ),
            "Screens that are seen at a slant lose width and sharpness, and the eye must focus anew on the way out.",
            format!("Turn them to {:.0} degrees, and tell the simulator.", n.ideal_side_angle_rad.to_degrees()),
            "A straight kerb must run straight on from the middle to the side screen.",
        ));
    }
    found
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    const INCH: f64 = 0.0254;

    fn flat(inches: f64, aspect: f64, eye_m: f64) -> Setup {
        Setup {
            size: Size::Diagonal { diagonal_m: inches * INCH, aspect },
            curve_radius_m: None,
            sides: None,
            eye_m,
        }
    }

    fn triple(inches: f64, eye_m: f64, degrees: f64, bezel_m: f64) -> Setup {
        let sides = Some(Sides { angle_rad: degrees.to_radians(), bezel_m });
        Setup { sides, ..flat(inches, 16.0 / 9.0, eye_m) }
    }

    fn numbers(setup: Setup) -> View {
        view(setup, None).unwrap().answer().unwrap().numbers.clone()
    }

    fn across(setup: Setup) -> f64 {
        numbers(setup).angles.horizontal_all_deg
    }

    /// Closed form, recomputed outside this project with numpy; tolerance 0.01 degrees, here 1e-5.
    #[test]
    fn angles_agree_with_trigonometry() {
        for (inches, aspect, eye_m, h, v) in [
            (27.0, 16.0 / 9.0, 0.65, 49.384_96, 29.001_51),
            (32.0, 16.0 / 9.0, 0.70, 53.679_90, 31.776_06),
            (34.0, 64.0 / 27.0, 0.70, 59.223_47, 26.966_84),
            (49.0, 32.0 / 9.0, 0.75, 77.231_77, 25.322_22),
        ] {
            let a = numbers(flat(inches, aspect, eye_m)).angles;
            assert!((a.horizontal_all_deg - h).abs() < 1e-5, "{inches}: {}", a.horizontal_all_deg);
            assert!((a.vertical_deg - v).abs() < 1e-5, "{inches}: {}", a.vertical_deg);
        }
        let curved =
            |radius: f64, eye_m| Setup { curve_radius_m: Some(radius), ..flat(49.0, 32.0 / 9.0, eye_m) };
        assert!((numbers(curved(1.8, 0.75)).width_m - 1.198_115_4).abs() < 1e-7);
        for (radius, eye_m, h) in [(1.8, 0.75, 84.163_95), (1.0, 0.75, 88.793_25), (1.0, 1.0, 68.646_95)] {
            assert!((across(curved(radius, eye_m)) - h).abs() < 1e-5, "R {radius} at {eye_m}");
        }
        for (inches, eye_m, degrees, bezel_m, h) in [
            (27.0, 0.65, 45.0, 0.0, 145.021_8),
            (27.0, 0.65, 60.0, 0.0, 155.029_1),
            (27.0, 0.65, 60.0, 0.010, 157.173_8),
            (32.0, 0.70, 60.0, 0.0, 166.078_0),
        ] {
            let got = across(triple(inches, eye_m, degrees, bezel_m));
            assert!((got - h).abs() < 1e-4, "{inches} at {degrees}: {got}");
        }
        let v = vertical_of_horizontal(0.5 * PI, 16.0 / 9.0).to_degrees();
        assert!((v - 58.715_51).abs() < 1e-5, "{v}");
    }

    /// Sides at one panel's angle make three alike: 3H.
    #[test]
    fn the_ideal_side_angle_shows_three_screens_alike() {
        let n = numbers(triple(27.0, 0.65, 45.0, 0.0));
        assert!((n.ideal_side_angle_rad - n.angles.horizontal_one_rad).abs() < 1e-8);
        let ideal = numbers(triple(27.0, 0.65, n.ideal_side_angle_rad.to_degrees(), 0.0));
        assert!((ideal.angles.horizontal_all_deg - 148.154_9).abs() < 1e-4);
        assert!((ideal.side_screen_rad.unwrap() - ideal.angles.horizontal_one_rad).abs() < 1e-8);
    }

    proptest! {
        /// Independent of the closed form: what each small piece of the arc fills, added up (Simpson's rule). A piece `ds` at
        /// distance r, seen under the angle ψ between sight and tangent, fills ds·sin ψ / r.
        #[test]
        fn curved_screens_agree_with_numeric_integration(
            inches in 24.0..57.0f64, radius in 0.8..4.0f64, eye in 0.4..1.4f64,
        ) {
            let setup = Setup { curve_radius_m: Some(radius), ..flat(inches, 32.0 / 9.0, eye) };
            let arc = numbers(setup).width_m;
            let filled = |s: f64| {
                let (sin, cos) = (s / radius).sin_cos();
                let (x, z) = (radius * sin, eye - radius + radius * cos);
                // Tangent (cos, −sin); cross product with the line of sight.
                (cos * z + sin * x) / (x * x + z * z)
            };
            let n = 2000;
            let h = arc / f64::from(n);
            let sum: f64 = (0..=n)
                .map(|k| {
                    let weight = if k == 0 || k == n { 1.0 } else if k % 2 == 1 { 4.0 } else { 2.0 };
                    weight * filled(-0.5 * arc + h * f64::from(k))
                })
                .sum::<f64>() * h / 3.0;
            prop_assert!((across(setup) - sum.to_degrees()).abs() < 1e-4);
        }

        #[test]
        fn the_eye_distance_for_an_angle_gives_that_angle(
            inches in 24.0..49.0f64, eye in 0.3..1.5f64, kind in 0..3,
        ) {
            let setup = match kind {
                0 => flat(inches, 16.0 / 9.0, eye),
                1 => Setup { curve_radius_m: Some(1.5), ..flat(inches, 32.0 / 9.0, eye) },
                _ => triple(inches, eye, 45.0, 0.01),
            };
            let wanted = numbers(setup).angles.horizontal_all_rad;
            let found = eye_for_angle(Setup { eye_m: f64::NAN, ..setup }, wanted).unwrap();
            prop_assert!((found - eye).abs() < 1e-4, "{found} for {eye}");
        }
    }

    #[test]
    fn a_curve_of_great_radius_is_flat() {
        let curved = Setup { curve_radius_m: Some(1e6), ..flat(34.0, 64.0 / 27.0, 0.7) };
        assert!((across(curved) - across(flat(34.0, 64.0 / 27.0, 0.7))).abs() < 1e-3);
    }

    #[test]
    fn setups_that_cannot_be_are_refused() {
        let wide = Setup { size: Size::Width { width_m: 0.8, diagonal_m: 0.7 }, ..flat(27.0, 1.8, 0.7) };
        assert!(matches!(view(wide, None), Err(ViewError::WiderThanDiagonal { .. })));
        for eye_m in [-0.5, 0.0, 0.1] {
            assert!(
                matches!(view(flat(27.0, 1.8, eye_m), None), Err(ViewError::EyeBehind { .. })),
                "{eye_m}"
            );
        }
        let rolled = Setup { curve_radius_m: Some(0.3), ..flat(49.0, 32.0 / 9.0, 0.7) };
        assert!(matches!(view(rolled, None), Err(ViewError::TooCurved { .. })));
        assert!(matches!(view(triple(27.0, 0.7, 120.0, 0.0), None), Err(ViewError::Number { .. })));
        assert!(matches!(view(flat(27.0 / INCH, 1.8, 0.7), None), Err(ViewError::Number { .. })));
        let far = eye_for_angle(flat(27.0, 16.0 / 9.0, 0.7), 3.0).unwrap_err();
        assert!(far.to_string().contains("171.9 degrees"), "{far}");
    }

    #[test]
    fn a_width_and_a_diagonal_say_as_much_as_an_aspect() {
        let by_diagonal = numbers(flat(27.0, 16.0 / 9.0, 0.65));
        let by_width = Setup {
            size: Size::Width { width_m: by_diagonal.width_m, diagonal_m: 27.0 * INCH },
            ..flat(27.0, 1.0, 0.65)
        };
        assert!((numbers(by_width).angles.vertical_deg - by_diagonal.angles.vertical_deg).abs() < 1e-9);
    }
}
