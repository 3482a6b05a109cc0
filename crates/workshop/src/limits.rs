//! What a car could do on a circuit, and what each click of its setup is worth there.

use crate::{CircuitFound, Workshop, WorkshopError};
use channels::{Channel, Origin, Samples};
use library::LibraryError;
use serde::{Deserialize, Serialize};
use std::path::Path;
use std::sync::Mutex;
use std::sync::PoisonError;
use std::sync::atomic::{AtomicUsize, Ordering};
use track::trace::lap_trace;
use track::{CentrePoint, Circuit, Lap, LapKind, LapTrace};
use vehicle::car_file::CarFile;
use vehicle::check::CarReport;
use vehicle::envelope::Envelope;
use vehicle::ggv::GgvOptions;

pub use limit::{LimitLap, Method};

/// The levers and the size of a click on each.
const LEVERS: &str = include_str!("../levers.toml");
/// Corners that are named for a click: those where it acts most.
const NAMED_CORNERS: usize = 3;

/// How a limit lap is asked for.
#[derive(Debug, Clone)]
pub struct LimitOptions<'a> {
    /// How it is found.
    pub method: Method,
    /// Mesh \[m\].
    pub step_m: f64,
    /// Points `x,y` \[m\] of a line, for [`Method::Fixed`]; the centre line when none is given.
    pub line: Option<&'a Path>,
}

/// What each click is worth on one circuit.
#[derive(Debug, Clone, Serialize)]
pub struct WhatIf {
    /// The circuit.
    pub circuit: String,
    /// The car.
    pub car: String,
    /// Limit lap of the car as it is \[s\].
    pub lap_time_s: f64,
    /// Clicks, the largest gain first.
    pub levers: Vec<LeverAnswer>,
}

/// One lever of the setup, one click each way.
#[derive(Debug, Clone, Serialize)]
pub struct LeverAnswer {
    /// What is turned.
    pub lever: String,
    /// Fields of the car file that it changes.
    pub fields: Vec<String>,
    /// Size of one click, in the unit of the field.
    pub click: f64,
    /// Unit of the field.
    pub unit: String,
    /// Value of the first field as it is.
    pub value: f64,
    /// Lap time with one click more less the lap time as it is \[s\]; null when the car refuses the click or the solve
    /// does not converge.
    pub more_s: Option<f64>,
    /// The same with one click less.
    pub less_s: Option<f64>,
    /// Derivative of the lap time by the field \[s per unit\], from both sides where both are there.
    pub slope_s_per_unit: Option<f64>,
    /// Change of the lap time by the better click \[s\]; 0 when neither helps.
    pub best_s: f64,
    /// Where the better click gains or loses most: section of a corner and seconds.
    pub corners: Vec<CornerShare>,
}

/// Part of a change that falls to one corner.
#[derive(Debug, Clone, Serialize)]
pub struct CornerShare {
    /// The corner, `T1` and on.
    pub corner: String,
    /// Seconds; negative is gained.
    pub seconds: f64,
}

#[derive(Deserialize)]
struct LeverFile {
    lever: Vec<Lever>,
}

#[derive(Clone, Deserialize)]
#[serde(deny_unknown_fields)]
struct Lever {
    name: String,
    paths: Vec<String>,
    click: f64,
    unit: String,
}

/// Reads a text file of the call.
fn text(path: &Path) -> Result<String, WorkshopError> {
    std::fs::read_to_string(path)
        .map_err(|source| WorkshopError::File { file: path.display().to_string(), source })
}

fn read_car(path: &Path) -> Result<CarFile, WorkshopError> {
    CarFile::from_toml_str(&text(path)?)
        .map_err(|source| WorkshopError::Car { file: path.display().to_string(), source })
}

/// Whether a car file is credible, and what the car does.
///
/// # Errors
/// [`WorkshopError::File`], [`WorkshopError::Car`], or [`WorkshopError::NotAFullCar`] for a grip ellipse.
pub fn check_car(path: &Path) -> Result<CarReport, WorkshopError> {
    match read_car(path)? {
        CarFile::Car(car) => Ok(vehicle::check::check(&car)),
        CarFile::GripEllipse(_) => Err(WorkshopError::NotAFullCar(path.display().to_string())),
    }
}

/// Circuit file: a closed centre line with widths.
fn circuit_file(path: &Path) -> Result<limit::Circuit, WorkshopError> {
    limit::Circuit::from_csv(&text(path)?)
        .map_err(|source| WorkshopError::CircuitFile { file: path.display().to_string(), source })
}

impl Workshop {
    /// A circuit of the library, with its borders, for the limit lap.
    fn circuit_of_library(&self, name: &str) -> Result<limit::Circuit, WorkshopError> {
        with_borders(&self.circuit(name)?)
    }

    /// Keeps the car file of a car, by the name that its recordings give it; `name` goes before the one in the file.
    /// Gives back the name that it is kept by.
    ///
    /// # Errors
    /// [`WorkshopError::Car`] when the file is no car.
    pub fn keep_car(&self, path: &Path, name: Option<&str>) -> Result<String, WorkshopError> {
        let toml = text(path)?;
        let file = path.display().to_string();
        CarFile::from_toml_str(&toml).map_err(|source| WorkshopError::Car { file: file.clone(), source })?;
        let in_file =
            toml::from_str::<toml::Table>(&toml).ok().and_then(|t| Some(t.get("name")?.as_str()?.to_owned()));
        let name = name.map(str::to_owned).or(in_file).ok_or(WorkshopError::NamelessCar(file))?;
        self.library.put_car(&name, &toml)?;
        Ok(name)
    }

    /// Keeps a circuit with its borders from a file, for recordings that are imported from then on.
    ///
    /// # Errors
    /// [`WorkshopError::CircuitFile`] when the file is no circuit, [`WorkshopError::CircuitTaken`] when recordings lie on one
    /// of this name already.
    pub fn keep_circuit_file(&self, path: &Path, name: &str) -> Result<CircuitFound, WorkshopError> {
        if let Some(lap) = self.library.laps()?.iter().find(|l| l.circuit.as_deref() == Some(name)) {
            return Err(WorkshopError::CircuitTaken {
                name: name.to_owned(),
                recording: lap.recording.clone(),
            });
        }
        let read = circuit_file(path)?;
        let failed = |source| WorkshopError::CircuitFile { file: path.display().to_string(), source };
        let mesh = read.mesh(1.0).map_err(failed)?;
        let room = mesh.room(0.0).map_err(failed)?;
        let points: Vec<_> = room
            .iter()
            .enumerate()
            .map(|(k, &(right_m, left_m))| {
                let (x_m, y_m) = mesh.position(k, 0.0);
                CentrePoint { x_m, y_m, width_left_m: left_m, width_right_m: -right_m }
            })
            .collect();
        let circuit = Circuit::from_centre_line(name, &points)
            .map_err(|source| WorkshopError::Circuit { file: path.display().to_string(), source })?;
        let found = self.keep_circuit(Some((circuit, true)))?;
        found.ok_or_else(|| WorkshopError::NoBorders(name.to_owned()))
    }

    /// The limit lap of a car of the library on one of its circuits, laid over the circuit like a driven lap.
    pub(crate) fn limit_trace(
        &self,
        circuit: &Circuit,
        car: Option<&str>,
    ) -> Result<LapTrace, WorkshopError> {
        let no_car = || WorkshopError::NoCarFile(car.unwrap_or("an unnamed car").to_owned());
        let toml = car.map(|c| self.library.car(c)).transpose()?.flatten().ok_or_else(no_car)?;
        let car = car.unwrap_or_default();
        let file = CarFile::from_toml_str(&toml)
            .map_err(|source| WorkshopError::Car { file: format!("car '{car}' of the library"), source })?;
        let envelope = file.envelope(&GgvOptions::default());
        let lap =
            limit::minimum_time(&with_borders(circuit)?, envelope.as_ref(), limit::DEFAULT_STEP_M, None)
                .map_err(|source| WorkshopError::Limit {
                    circuit: circuit.name.clone(),
                    car: car.to_owned(),
                    source,
                })?
                .lap;
        if !lap.converged {
            return Err(WorkshopError::NoBase { circuit: circuit.name.clone(), car: car.to_owned() });
        }
        as_driven(&lap, envelope.as_ref(), circuit)
    }
}

/// A limit lap as a drive: a little of the lap before and after it, so that the line is crossed twice. Pedals are what the
/// accelerations ask for: throttle as a share of the drive at that speed, brake as a share of the hardest braking of the lap.
fn as_driven(lap: &LimitLap, envelope: &dyn Envelope, circuit: &Circuit) -> Result<LapTrace, WorkshopError> {
    const OVERLAP: usize = 12;
    let n = lap.samples.len();
    let overlap = OVERLAP.min(n);
    let indices = (n - overlap..n)
        .map(|i| (i, -1.0))
        .chain((0..n).map(|i| (i, 0.0)))
        .chain((0..overlap).map(|i| (i, 1.0)));
    let drive = |v: f64| envelope.drive_limits(v).iter().map(|d| d.value).fold(f64::INFINITY, f64::min);
    let tyre_made = |p: &limit::Sample| p.accel_x + envelope.drag(p.speed_mps).value;
    let hardest = lap.samples.iter().map(|p| -tyre_made(p)).fold(f64::MIN_POSITIVE, f64::max);
    let mut columns: [Vec<f64>; 8] = Default::default();
    for (i, laps) in indices {
        let p = &lap.samples[i];
        let a_t = tyre_made(p);
        let row = [
            p.time_s + laps * lap.lap_time_s,
            p.x_m,
            p.y_m,
            p.speed_mps,
            p.accel_x,
            p.accel_y,
            (a_t / drive(p.speed_mps)).clamp(0.0, 1.0),
            (-a_t / hardest).clamp(0.0, 1.0),
        ];
        for (column, value) in columns.iter_mut().zip(row) {
            column.push(value);
        }
    }
    let [time_s, rest @ ..] = columns;
    let first = time_s.first().copied().unwrap_or_default();
    let mut samples = Samples::new();
    let kept = samples.add_clock(time_s.iter().map(|t| t - first).collect()).and_then(|clock| {
        use Channel::{AccelX, AccelY, Brake, Speed, Throttle, X, Y};
        let channels = [X, Y, Speed, AccelX, AccelY, Throttle, Brake];
        channels.into_iter().zip(rest).try_for_each(|(c, v)| samples.insert(c, clock, v, Origin::Derived))
    });
    kept.map_err(|e| WorkshopError::LimitTrace(e.to_string()))?;
    let driven = Lap {
        number: 1,
        kind: LapKind::Timed,
        start_s: -first,
        end_s: lap.lap_time_s - first,
        lap_time_s: Some(lap.lap_time_s),
        valid: true,
        notes: Vec::new(),
    };
    lap_trace(&samples, &driven, circuit)
        .map_err(|source| WorkshopError::Trace { id: LIMIT.to_owned(), source })
}

/// The word that stands for the limit lap.
pub(crate) const LIMIT: &str = "limit";

/// A circuit of the library as the limit lap sees it.
fn with_borders(circuit: &Circuit) -> Result<limit::Circuit, WorkshopError> {
    if !circuit.has_borders() {
        return Err(WorkshopError::NoBorders(circuit.name.clone()));
    }
    // The last node is the first again.
    let mut nodes = circuit.nodes_m();
    nodes.pop();
    let (x, y): (Vec<_>, Vec<_>) = nodes.iter().map(|&s| circuit.point(s)).unzip();
    let (left, right): (Vec<_>, Vec<_>) =
        nodes.iter().map(|&s| circuit.widths(s).unwrap_or_default()).unzip();
    limit::Circuit::from_points(&x, &y, &left, &right)
        .map_err(|source| WorkshopError::CircuitFile { file: circuit.name.clone(), source })
}

/// A circuit by file, or by its name in the library.
///
/// # Errors
/// [`WorkshopError`] when there is neither, or the circuit has no borders.
pub fn limit_circuit(named: &str, library: &Path) -> Result<limit::Circuit, WorkshopError> {
    if Path::new(named).is_file() {
        return circuit_file(Path::new(named));
    }
    let known = match Workshop::open(library).and_then(|w| w.circuit_of_library(named)) {
        Err(WorkshopError::Library(LibraryError::NoCircuit { known, .. })) => known.join(", "),
        Err(WorkshopError::Library(LibraryError::NoLibrary(_))) => String::new(),
        answer => return answer,
    };
    let known = if known.is_empty() { "none".to_owned() } else { known };
    Err(WorkshopError::NeitherFileNorCircuit { name: named.to_owned(), known })
}

/// The limit lap of a car on a circuit.
///
/// # Errors
/// [`WorkshopError`] naming file and row or field of what cannot be used. A solve that does not converge is no error: the
/// answer says so.
pub fn limit_lap(
    circuit: &limit::Circuit,
    circuit_name: &str,
    car: &Path,
    options: &LimitOptions<'_>,
) -> Result<LimitLap, WorkshopError> {
    let envelope = read_car(car)?.envelope(&GgvOptions::default());
    let failed = |source| WorkshopError::Limit {
        circuit: circuit_name.to_owned(),
        car: car.display().to_string(),
        source,
    };
    match options.method {
        Method::Fixed => {
            let line = options.line.map(points).transpose()?;
            let line = line.as_ref().map(|(x, y)| (x.as_slice(), y.as_slice()));
            limit::lap_on_line(circuit, envelope.as_ref(), line, options.step_m)
        }
        Method::Curvature => limit::lap_on_minimum_curvature(circuit, envelope.as_ref(), options.step_m),
        Method::Time => limit::minimum_time(circuit, envelope.as_ref(), options.step_m, None).map(|s| s.lap),
    }
    .map_err(failed)
}

/// Points of a line: two numbers a row, a header and comments allowed.
fn points(path: &Path) -> Result<(Vec<f64>, Vec<f64>), WorkshopError> {
    let mut columns = (Vec::new(), Vec::new());
    for (i, row) in text(path)?.lines().enumerate() {
        let row = row.trim();
        if row.is_empty() || row.starts_with('#') {
            continue;
        }
        let mut cells = row.split([',', ';', '\t']).map(|c| c.trim().parse::<f64>());
        match (cells.next(), cells.next()) {
            (Some(Ok(x)), Some(Ok(y))) => {
                columns.0.push(x);
                columns.1.push(y);
            }
            // Words before the first number are a header.
            _ if columns.0.is_empty() && !row.starts_with(|c: char| c.is_ascii_digit() || c == '-') => {}
            _ => {
                return Err(WorkshopError::LineFile {
                    file: path.display().to_string(),
                    line: i + 1,
                    found: row.to_owned(),
                });
            }
        }
    }
    Ok(columns)
}

/// What each click of the setup is worth on a circuit, by solving the limit lap again for every click, on all cores.
/// `progress` is told how many of how many clicks are solved.
///
/// # Errors
/// [`WorkshopError`] when car or circuit cannot be used, or the lap of the car as it is does not converge.
pub fn what_if(
    circuit: &limit::Circuit,
    circuit_name: &str,
    car: &Path,
    step_m: f64,
    progress: &(dyn Fn(usize, usize) + Sync),
) -> Result<WhatIf, WorkshopError> {
    let car_name = car.display().to_string();
    let car_text = text(car)?;
    let file = |source| WorkshopError::Car { file: car_name.clone(), source };
    let as_it_is = CarFile::from_toml_str(&car_text).map_err(file)?;
    let table: toml::Table = toml::from_str(&car_text).map_err(|e| file(e.into()))?;
    let base = limit::minimum_time(circuit, as_it_is.envelope(&GgvOptions::default()).as_ref(), step_m, None)
        .map_err(|source| WorkshopError::Limit {
            circuit: circuit_name.to_owned(),
            car: car_name.clone(),
            source,
        })?;
    let Some(warm) = base.warm.as_ref().filter(|_| base.lap.converged) else {
        return Err(WorkshopError::NoBase { circuit: circuit_name.to_owned(), car: car_name });
    };
    let levers = toml::from_str::<LeverFile>(LEVERS).map_err(|e| WorkshopError::Levers(e.to_string()))?.lever;
    let present: Vec<(Lever, f64)> =
        levers.into_iter().filter_map(|l| number_at(&table, &l.paths[0]).map(|v| (l, v))).collect();

    // One job is one click one way.
    let jobs: Vec<(usize, f64)> = (0..present.len()).flat_map(|i| [(i, 1.0), (i, -1.0)]).collect();
    let next = AtomicUsize::new(0);
    let done = AtomicUsize::new(0);
    let laps: Mutex<Vec<Option<LimitLap>>> = Mutex::new(vec![None; jobs.len()]);
    let work = || {
        loop {
            let job = next.fetch_add(1, Ordering::Relaxed);
            let Some(&(lever, way)) = jobs.get(job) else { break };
            let lap = clicked(&table, &present[lever].0, way)
                .map(|car| car.envelope(&GgvOptions::default()))
                .and_then(|e| limit::minimum_time_unchecked(circuit, e.as_ref(), step_m, Some(warm)).ok())
                .map(|s| s.lap)
                .filter(|lap| lap.converged);
            laps.lock().unwrap_or_else(PoisonError::into_inner)[job] = lap;
            progress(done.fetch_add(1, Ordering::Relaxed) + 1, jobs.len());
        }
    };
    let cores = std::thread::available_parallelism().map_or(1, std::num::NonZero::get);
    std::thread::scope(|scope| {
        for _ in 0..cores {
            scope.spawn(work);
        }
    });
    let laps = laps.into_inner().unwrap_or_else(PoisonError::into_inner);
    let sections = sections(circuit, circuit_name);
    let mut levers: Vec<LeverAnswer> = present
        .iter()
        .zip(laps.chunks_exact(2))
        .map(|((lever, value), laps)| {
            answer(lever, *value, &base.lap, [laps[0].as_ref(), laps[1].as_ref()], &sections)
        })
        .collect();
    levers.sort_by(|a, b| a.best_s.total_cmp(&b.best_s));
    Ok(WhatIf { circuit: circuit_name.to_owned(), car: car_name, lap_time_s: base.lap.lap_time_s, levers })
}

fn answer(
    lever: &Lever,
    value: f64,
    base: &LimitLap,
    [more, less]: [Option<&LimitLap>; 2],
    sections: &[(String, f64, f64)],
) -> LeverAnswer {
    let change = |lap: &LimitLap| lap.lap_time_s - base.lap_time_s;
    let (more_s, less_s) = (more.map(change), less.map(change));
    let slope = match (more_s, less_s) {
        (Some(m), Some(l)) => Some((m - l) / (2.0 * lever.click)),
        (Some(m), None) => Some(m / lever.click),
        (None, Some(l)) => Some(-l / lever.click),
        (None, None) => None,
    };
    let better = [more, less].into_iter().flatten().min_by(|a, b| a.lap_time_s.total_cmp(&b.lap_time_s));
    let mut corners: Vec<CornerShare> = better.map_or_else(Vec::new, |lap| {
        let between = |lap: &LimitLap, from: f64, to: f64| time_at(lap, to) - time_at(lap, from);
        sections
            .iter()
            .map(|(corner, from, to)| CornerShare {
                corner: corner.clone(),
                seconds: between(lap, *from, *to) - between(base, *from, *to),
            })
            .collect()
    });
    corners.sort_by(|a, b| b.seconds.abs().total_cmp(&a.seconds.abs()));
    corners.truncate(NAMED_CORNERS);
    LeverAnswer {
        lever: lever.name.clone(),
        fields: lever.paths.clone(),
        click: lever.click,
        unit: lever.unit.clone(),
        value,
        more_s,
        less_s,
        slope_s_per_unit: slope,
        best_s: [more_s, less_s].into_iter().flatten().fold(0.0, f64::min),
        corners,
    }
}

/// Time of a limit lap at an abscissa \[s\]; nodes are even and close, a straight line between them will do.
fn time_at(lap: &LimitLap, s_m: f64) -> f64 {
    let after = lap.samples.partition_point(|p| p.s_m < s_m);
    let Some(a) = after.checked_sub(1).and_then(|i| lap.samples.get(i)) else { return 0.0 };
    let (b_s, b_m) = lap.samples.get(after).map_or((lap.lap_time_s, lap.length_m), |p| (p.time_s, p.s_m));
    if b_m > a.s_m { a.time_s + (b_s - a.time_s) * (s_m - a.s_m) / (b_m - a.s_m) } else { a.time_s }
}

/// Sections of the circuit, one per corner: from midway after the corner before to midway before the next.
fn sections(circuit: &limit::Circuit, name: &str) -> Vec<(String, f64, f64)> {
    let Ok(mesh) = circuit.mesh(1.0) else { return Vec::new() };
    let points: Vec<_> = (0..mesh.len())
        .map(|k| {
            let (x_m, y_m) = mesh.position(k, 0.0);
            CentrePoint { x_m, y_m, width_left_m: f64::NAN, width_right_m: f64::NAN }
        })
        .collect();
    let Ok(track) = Circuit::from_centre_line(name, &points) else { return Vec::new() };
    let (corners, scale) = (&track.corners, circuit.length_m() / track.length_m());
    let border = |i: usize| match (i.checked_sub(1).and_then(|j| corners.get(j)), corners.get(i)) {
        (Some(a), Some(b)) => 0.5 * (a.exit_m + b.turn_in_m) * scale,
        (None, _) => 0.0,
        (_, None) => circuit.length_m(),
    };
    corners.iter().enumerate().map(|(i, c)| (c.name.clone(), border(i), border(i + 1))).collect()
}

/// The number at a dotted path.
fn number_at(table: &toml::Table, path: &str) -> Option<f64> {
    let (last, above) = path.rsplit_once('.').map_or((path, None), |(a, l)| (l, Some(a)));
    let mut at = table;
    for word in above.into_iter().flat_map(|a| a.split('.')) {
        at = at.get(word)?.as_table()?;
    }
    let value = at.get(last)?;
    value.as_float().or_else(|| value.as_integer().map(|i| i as f64))
}

/// The car with one click more (`way` 1) or less (-1); none when the car file refuses it.
fn clicked(table: &toml::Table, lever: &Lever, way: f64) -> Option<CarFile> {
    let mut table = table.clone();
    for path in &lever.paths {
        let value = number_at(&table, path)? + way * lever.click;
        let mut words: Vec<&str> = path.split('.').collect();
        let last = words.pop()?;
        let mut at = &mut table;
        for word in words {
            at = at.get_mut(word)?.as_table_mut()?;
        }
        at.insert(last.to_owned(), toml::Value::Float(value));
    }
    CarFile::from_toml_str(&toml::to_string(&table).ok()?).ok()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_lever_is_a_field_of_an_example_car_or_of_the_ellipse() {
        let levers = toml::from_str::<LeverFile>(LEVERS).unwrap().lever;
        assert!(levers.len() > 15);
        let full: toml::Table = toml::from_str(vehicle::examples::GT).unwrap();
        let ellipse: toml::Table = toml::from_str(
            "[grip_ellipse]\nmass_kg = 1300\nmu_x = 1.6\nmu_y = 1.55\npower_w = 3.8e5\ndownforce_area_m2 = 3\ndrag_area_m2 = 1.1",
        )
        .unwrap();
        for lever in &levers {
            let table = if lever.paths[0].starts_with("grip_ellipse.") { &ellipse } else { &full };
            for way in [1.0, -1.0] {
                assert!(clicked(table, lever, way).is_some(), "{} {way}", lever.name);
            }
        }
    }

    /// More grip and power gain, more mass and drag lose: facts of mechanics for a car limited by them.
    #[test]
    fn clicks_of_the_ellipse_change_the_lap_in_the_right_direction() {
        let dir = tempfile::tempdir().unwrap();
        let car = dir.path().join("car.toml");
        let text = "[grip_ellipse]\nmass_kg = 1300\nmu_x = 1.6\nmu_y = 1.55\npower_w = 3.8e5\ndownforce_area_m2 = 3\ndrag_area_m2 = 1.1\n";
        std::fs::write(&car, text).unwrap();
        // An ellipse of 300 m by 120 m half axes, 10 m wide.
        let (x, y): (Vec<f64>, Vec<f64>) = (0..200)
            .map(|i| f64::from(i) / 200.0 * std::f64::consts::TAU)
            .map(|t| (300.0 * t.cos(), 120.0 * t.sin()))
            .unzip();
        let widths = vec![5.0; x.len()];
        let circuit = limit::Circuit::from_points(&x, &y, &widths, &widths).unwrap();
        let answer = what_if(&circuit, "ellipse", &car, 3.0, &|_, _| {}).unwrap();
        let slope =
            |name: &str| answer.levers.iter().find(|l| l.lever == name).unwrap().slope_s_per_unit.unwrap();
        assert!(slope("lateral grip") < 0.0 && slope("longitudinal grip") < 0.0 && slope("power") < 0.0);
        assert!(slope("mass") > 0.0 && slope("drag") > 0.0);
        assert!(answer.levers.windows(2).all(|w| w[0].best_s <= w[1].best_s));
    }
}
