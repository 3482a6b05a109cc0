//! Lines on a circuit: offsets from the centre line at equal stations, and the path they make.
//!
//! Stations lie at equal distances along the *centre line*; offsets are positive to the left. Arrays of a [`Road`] are
//! periodic; a [`Path`] may run on past the line into the next lap.

use crate::layout::Layout;
use track::CentrePoint;

/// The centre line at stations, periodic.
#[derive(Debug, Clone)]
pub(crate) struct Road {
    /// Distance of stations \[m\].
    pub(crate) step_m: f64,
    pub(crate) x_m: Vec<f64>,
    pub(crate) y_m: Vec<f64>,
    pub(crate) heading_rad: Vec<f64>,
    pub(crate) curvature_1pm: Vec<f64>,
    /// Half widths (left, right) \[m\].
    pub(crate) widths_m: Vec<(f64, f64)>,
    pub(crate) turn_rad: f64,
}

impl Road {
    pub(crate) fn new(layout: &Layout, step_m: f64) -> Self {
        let n = (layout.length_m() / step_m).round() as usize;
        let step_m = layout.length_m() / n as f64;
        let at = |i: usize| i as f64 * step_m;
        let poses: Vec<_> = (0..n).map(|i| layout.pose(at(i))).collect();
        Self {
            step_m,
            x_m: poses.iter().map(|p| p.x_m).collect(),
            y_m: poses.iter().map(|p| p.y_m).collect(),
            heading_rad: poses.iter().map(|p| p.heading_rad).collect(),
            curvature_1pm: (0..n).map(|i| layout.curvature(at(i))).collect(),
            widths_m: (0..n).map(|i| layout.widths(at(i))).collect(),
            turn_rad: layout.pose(layout.length_m()).heading_rad,
        }
    }

    pub(crate) fn len(&self) -> usize {
        self.x_m.len()
    }

    pub(crate) fn length_m(&self) -> f64 {
        self.step_m * self.len() as f64
    }

    /// Station of an abscissa \[m\], wrapped.
    pub(crate) fn station(&self, s_m: f64) -> usize {
        (s_m.rem_euclid(self.length_m()) / self.step_m).floor() as usize % self.len()
    }

    /// Least and largest offset \[m\] that keep `margin_m` to the borders.
    pub(crate) fn room(&self, station: usize, margin_m: f64) -> (f64, f64) {
        let (left, right) = self.widths_m[station % self.len()];
        (margin_m - right, left - margin_m)
    }

    /// Where a point is: abscissa \[m\] near `near_m` (not wrapped) and offset \[m\], by Newton steps on the foot of the
    /// perpendicular along the local arc.
    pub(crate) fn project(&self, x_m: f64, y_m: f64, near_m: f64) -> (f64, f64) {
        let mut s = near_m;
        for _ in 0..2 {
            let i = (s / self.step_m).round();
            let k = (i.rem_euclid(self.len() as f64)) as usize % self.len();
            let (dx, dy) = (x_m - self.x_m[k], y_m - self.y_m[k]);
            let (sin, cos) = self.heading_rad[k].sin_cos();
            let (along, across) = (dx * cos + dy * sin, dy * cos - dx * sin);
            let curvature = self.curvature_1pm[k];
            // On the circle of this station's curvature the foot is at the angle of the point seen from its centre.
            let angle = (curvature * along).atan2(1.0 - curvature * across);
            let foot = if curvature.abs() > 1e-6 { angle / curvature } else { along };
            s = i * self.step_m + foot;
        }
        let i = (s / self.step_m).floor();
        let k = (i.rem_euclid(self.len() as f64)) as usize % self.len();
        let next = (k + 1) % self.len();
        let w = s / self.step_m - i;
        // Distance to the foot on the chord between stations, bulging by the local curvature.
        let (cx, cy) = (
            self.x_m[k] + w * (self.x_m[next] - self.x_m[k]),
            self.y_m[k] + w * (self.y_m[next] - self.y_m[k]),
        );
        let gap = self.heading_rad[next] - self.heading_rad[k];
        let gap = if next == 0 { gap + self.turn_rad } else { gap };
        let heading = self.heading_rad[k] + w * gap;
        let (sin, cos) = heading.sin_cos();
        let bulge = 0.5 * self.curvature_1pm[k] * w * (1.0 - w) * self.step_m * self.step_m;
        (s, (y_m - cy) * cos - (x_m - cx) * sin + bulge)
    }
}

/// A line driven or to be driven: one value per station.
#[derive(Debug, Clone)]
pub(crate) struct Path {
    pub(crate) x_m: Vec<f64>,
    pub(crate) y_m: Vec<f64>,
    pub(crate) heading_rad: Vec<f64>,
    pub(crate) curvature_1pm: Vec<f64>,
    /// Metres of path per metre of centre line.
    pub(crate) stretch: Vec<f64>,
    pub(crate) offset_m: Vec<f64>,
}

impl Path {
    /// The path of offsets from the first station on; as many stations as offsets, wrapping over the road.
    ///
    /// ```text
    /// P = C + n·N,  a = 1 − n·κ,  θ = ψ + atan2(n', a)
    /// κ_P = (κ + (n''·a − n'·a')/(a² + n'²)) / √(a² + n'²)
    /// ```
    ///
    /// Derivatives are central differences; ends are copied from their neighbours.
    pub(crate) fn new(road: &Road, offset_m: Vec<f64>) -> Self {
        let (m, n, h) = (offset_m.len(), road.len(), road.step_m);
        let mut path = Self {
            x_m: Vec::with_capacity(m),
            y_m: Vec::with_capacity(m),
            heading_rad: Vec::with_capacity(m),
            curvature_1pm: Vec::with_capacity(m),
            stretch: Vec::with_capacity(m),
            offset_m,
        };
        for i in 0..m {
            let k = i % n;
            let c = i.clamp(1, m - 2);
            let (before, at, after) = (path.offset_m[c - 1], path.offset_m[c], path.offset_m[c + 1]);
            let (d, dd) = ((after - before) / (2.0 * h), (after - 2.0 * at + before) / (h * h));
            let offset = path.offset_m[i];
            let curvature = road.curvature_1pm[k];
            let bend = (road.curvature_1pm[(k + 1) % n] - road.curvature_1pm[(k + n - 1) % n]) / (2.0 * h);
            let a = 1.0 - offset * curvature;
            let da = -d * curvature - offset * bend;
            let stretch = a.hypot(d);
            let heading = road.heading_rad[k] + (i / n) as f64 * road.turn_rad;
            let (sin, cos) = heading.sin_cos();
            path.x_m.push(road.x_m[k] - offset * sin);
            path.y_m.push(road.y_m[k] + offset * cos);
            path.heading_rad.push(heading + d.atan2(a));
            path.curvature_1pm.push((curvature + (dd * a - d * da) / (stretch * stretch)) / stretch);
            path.stretch.push(stretch);
        }
        path
    }
}

/// Offsets at the road's stations of the line of least curvature that keeps a margin \[m\] to the borders.
///
/// # Errors
/// [`limit::CircuitError`] where the margins leave no room.
pub(crate) fn racing_line(
    layout: &Layout,
    road: &Road,
    margin_m: f64,
) -> Result<Vec<f64>, limit::CircuitError> {
    let points = layout.centre_line(road.step_m);
    let column = |of: fn(&CentrePoint) -> f64| points.iter().map(of).collect::<Vec<_>>();
    let drawn = limit::Circuit::from_points(
        &column(|p| p.x_m),
        &column(|p| p.y_m),
        &column(|p| p.width_left_m),
        &column(|p| p.width_right_m),
    )?;
    let line = limit::minimum_curvature_line(&drawn.mesh(road.step_m)?, 2.0 * margin_m)?;
    Ok(line.offset_m)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::layout::tarnbrook;

    #[test]
    fn projection_finds_place_and_offset_anywhere_on_the_road() {
        let layout = tarnbrook().unwrap();
        let road = Road::new(&layout, 2.0);
        for i in 0..1000 {
            let s = f64::from(i) * 3.77;
            let offset = 5.0 * (f64::from(i) * 0.7).sin();
            let pose = layout.pose(s);
            let (x, y) =
                (pose.x_m - offset * pose.heading_rad.sin(), pose.y_m + offset * pose.heading_rad.cos());
            let (found, across) = road.project(x, y, s + 3.0 * (f64::from(i) * 1.3).sin());
            assert!(
                (found - s).abs() < 0.03 && (across - offset).abs() < 0.01,
                "{s}: {found}, {offset}: {across}"
            );
        }
    }

    #[test]
    fn curvature_of_a_path_agrees_with_its_points() {
        let layout = tarnbrook().unwrap();
        let road = Road::new(&layout, 2.0);
        let offset = (0..road.len() + 50).map(|i| 2.0 * (i as f64 * 2.0 / 60.0).sin()).collect();
        let path = Path::new(&road, offset);
        let (mut worst, mut sum) = (0.0_f64, 0.0);
        for i in 2..path.x_m.len() - 2 {
            let turned = path.heading_rad[i + 1] - path.heading_rad[i - 1];
            let gone = (path.x_m[i + 1] - path.x_m[i - 1]).hypot(path.y_m[i + 1] - path.y_m[i - 1]);
            let off = (turned / gone - path.curvature_1pm[i]).abs();
            worst = worst.max(off);
            sum += off;
            assert!((gone / (2.0 * road.step_m) - path.stretch[i]).abs() < 6e-3, "station {i}");
        }
        // Where a transition begins, the difference over two stations spans a kink of the curvature.
        assert!(worst < 1e-2 && sum / (path.x_m.len() as f64) < 2e-4, "{worst}, {sum}");
    }

    #[test]
    fn the_line_of_least_curvature_bends_less_than_the_centre_and_keeps_its_margin() {
        let layout = tarnbrook().unwrap();
        let road = Road::new(&layout, 2.0);
        let bending = |p: &Path| p.curvature_1pm.iter().zip(&p.stretch).map(|(k, s)| k * k * s).sum::<f64>();
        let line = racing_line(&layout, &road, 1.3).unwrap();
        assert_eq!(line.len(), road.len());
        for (i, n) in line.iter().enumerate() {
            let (low, high) = road.room(i, 1.25);
            assert!((low..=high).contains(n), "station {i}: {n}");
        }
        let (centre, line) = (Path::new(&road, vec![0.0; road.len()]), Path::new(&road, line));
        assert!(bending(&line) < 0.75 * bending(&centre), "{} {}", bending(&line), bending(&centre));
    }
}
