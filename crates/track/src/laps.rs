//! Laps of a recording, with the line's crossing times between the samples.

use channels::{Channel, MissingChannel, Samples, View};
use serde::{Deserialize, Serialize};

use crate::Circuit;
use crate::crossing::Window;
use crate::path::{self, Path, median};
use crate::projection::Projector;

/// Why no lap could be told.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum LapError {
    /// Less than two samples.
    #[error("the recording has {0} sample(s); at least two are needed to tell a lap")]
    TooShort(usize),
    /// Nothing that tells where a lap ends.
    #[error(
        "nothing tells where a lap begins: the recording has neither a lap counter (lap), nor a lap distance (lap_distance), \
         nor positions (x, y). Log one of them, or map a column to it with --map"
    )]
    NoSource,
    /// A channel is missing for what was asked.
    #[error(transparent)]
    Missing(#[from] MissingChannel),
    /// The given line was never crossed.
    #[error(
        "the line at x {x_m:.1} m, y {y_m:.1} m is never crossed in its direction: the drive passes it at {nearest_m:.1} m \
         at best. Check the point, the direction and the unit"
    )]
    LineNotCrossed {
        /// Place of the line \[m\].
        x_m: f64,
        /// Place of the line \[m\].
        y_m: f64,
        /// Smallest distance between the drive and the point \[m\].
        nearest_m: f64,
    },
    /// A line without place or direction.
    #[error("the line needs a finite point, a direction and a half width above 0 m")]
    BadLine,
}

/// A gate across the road: laps are counted where the car passes it in its direction.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Line {
    /// Place of the gate \[m\].
    pub x_m: f64,
    /// Place of the gate \[m\].
    pub y_m: f64,
    /// Driving direction across it \[rad\], anticlockwise from x.
    pub heading_rad: f64,
    /// Reach of the gate to each side \[m\].
    pub half_width_m: f64,
}

/// What is known before the laps are told.
#[derive(Debug, Clone, Copy, Default)]
pub struct LapOptions<'a> {
    /// A line to cross on x, y; it goes before all other sources.
    pub line: Option<Line>,
    /// The circuit: its start line, its length, and its borders for laps off the track.
    pub circuit: Option<&'a Circuit>,
}

/// What a lap is good for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum LapKind {
    /// From line to line without a stop in the pits.
    Timed,
    /// From a start elsewhere, or out of the pits, to the line.
    Out,
    /// From the line to a stop.
    In,
    /// Begins or ends in the middle of the drive.
    Incomplete,
}

/// A lap of a recording.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Lap {
    /// Number the source counts it by; counted from 0 for what lies before the first line where the source counts none.
    pub number: i32,
    /// What it is good for.
    pub kind: LapKind,
    /// Crossing of the line, or begin of the part \[s, clock of the recording\].
    pub start_s: f64,
    /// Crossing of the line, or end of the part \[s, clock of the recording\].
    pub end_s: f64,
    /// From line to line \[s\]; none unless timed.
    pub lap_time_s: Option<f64>,
    /// Whether the lap counts: timed, on the track, without stop, jump or a hole that a corner fits in.
    pub valid: bool,
    /// Sentences on what is special about it, empty for a plain lap.
    pub notes: Vec<String>,
}

/// Reach of a gate to each side where none is given \[m\]. Common practice, no source: wider than any circuit with its
/// run-off, narrower than the infield.
pub const DEFAULT_HALF_WIDTH_M: f64 = 25.0;
/// A fall of the lap distance by more than this is a restart \[m\]; shorter than any circuit.
const RESTART_M: f64 = 50.0;
/// A gate counts again once the car has driven on by this \[m\]: one that stands on the line does not pass it.
const REARM_M: f64 = 60.0;
/// Below this a car stands \[m/s\].
const STANDING_MPS: f64 = 0.5;
/// A stay shorter than this is noise \[s\].
const SHORTEST_STOP_S: f64 = 1.0;
/// A stay of at least this long near the line is a stop in the pits \[s\]. Common practice, no source.
const PIT_STOP_S: f64 = 5.0;
/// Share of the lap next to the line that the pits may lie in.
const PIT_SHARE: f64 = 0.2;
/// A hole longer than this is told \[s\]: a corner's brake onset could hide in it.
const HOLE_S: f64 = 0.25;
/// A hole longer than this spoils the lap \[s\]: a whole corner could hide in it.
const SPOILING_HOLE_S: f64 = 1.0;
/// Faster than any car \[m/s\]: a place further away than this allows was not driven to.
const FASTEST_MPS: f64 = 140.0;
/// Play of the test for jumps \[m\]: noise of a poor position sensor.
const JUMP_PLAY_M: f64 = 15.0;

impl Line {
    /// Gate through a point, across a driving direction given by any vector along it, with the default reach.
    ///
    /// # Errors
    /// [`LapError::BadLine`] for a point or direction that is not finite, or a direction of no length.
    pub fn new(x_m: f64, y_m: f64, direction: [f64; 2]) -> Result<Self, LapError> {
        let [dx, dy] = direction;
        let line = Self { x_m, y_m, heading_rad: dy.atan2(dx), half_width_m: DEFAULT_HALF_WIDTH_M };
        if dx.hypot(dy) > 0.0 { line.checked() } else { Err(LapError::BadLine) }
    }

    fn checked(self) -> Result<Self, LapError> {
        let finite = [self.x_m, self.y_m, self.heading_rad].iter().all(|v| v.is_finite());
        if finite && self.half_width_m > 0.0 { Ok(self) } else { Err(LapError::BadLine) }
    }

    fn of_circuit(circuit: &Circuit) -> Self {
        let (x_m, y_m) = circuit.point(0.0);
        Self { x_m, y_m, heading_rad: circuit.heading(0.0), half_width_m: DEFAULT_HALF_WIDTH_M }
    }

    /// Past the line and to the left of the point \[m\].
    pub(crate) fn local(&self, [x, y]: [f64; 2]) -> [f64; 2] {
        let (sin, cos) = self.heading_rad.sin_cos();
        let (dx, dy) = (x - self.x_m, y - self.y_m);
        [dx * cos + dy * sin, dy * cos - dx * sin]
    }
}

/// The laps of a recording, in order and without holes between them: what lies before the first crossing, between
/// crossings and after the last.
///
/// The line is taken from the first of these that there is:
///
/// 1. `options.line`, crossed on x, y;
/// 2. the lap counter, which tells the samples that the crossing lies between;
/// 3. a lap distance that restarts;
/// 4. the start line of `options.circuit`, crossed on x, y;
/// 5. a gate proposed from the drive: where it passes most often, straight and fast.
///
/// The moment between the samples comes from the lap distance where it restarts there, else from x, y against the line
/// (for a lap counter without lap distance: the line that all its crossings have in common), by a parabola of least
/// squares through the samples around. A steady offset of the line changes when laps begin, not how long they last.
///
/// # Errors
/// [`LapError`] when nothing tells laps apart or a given line is never crossed. A drive without a full lap is no error:
/// it comes back as an incomplete lap that says so.
pub fn split(samples: &Samples, options: &LapOptions<'_>) -> Result<Vec<Lap>, LapError> {
    let stamps: usize = samples.clocks().map(|(_, t)| t.len()).max().unwrap_or(0);
    let (Some(span), true) = (samples.span_s(), stamps >= 2) else {
        return Err(LapError::TooShort(stamps));
    };
    let drive = Drive::new(samples, options.circuit, span);
    let marks = drive.marks(options)?;
    Ok(drive.laps(&marks))
}

/// What ends one part of a recording and begins the next.
#[derive(Debug, Clone, PartialEq)]
struct Mark {
    time_s: f64,
    kind: MarkKind,
    /// Lap that begins here, where the source counts.
    number: Option<i32>,
    /// What to say about the crossing.
    note: Option<String>,
    /// Samples that the crossing lies between \[s\].
    bracket: (f64, f64),
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum MarkKind {
    Crossing,
    /// The car was put elsewhere.
    Jump,
    /// The source started counting anew.
    Restart,
}

impl Mark {
    fn crossing(time_s: f64, bracket: (f64, f64), number: Option<i32>) -> Self {
        Self { time_s, kind: MarkKind::Crossing, number, note: None, bracket }
    }

    fn cut(time_s: f64, kind: MarkKind, number: Option<i32>, note: String) -> Self {
        Self { time_s, kind, number, note: Some(note), bracket: (time_s, time_s) }
    }
}

struct Drive<'a> {
    samples: &'a Samples,
    circuit: Option<&'a Circuit>,
    path: Option<Path>,
    speed: Option<View<'a>>,
    span: (f64, f64),
    /// Time \[s\] and length \[m\] of places that the car did not drive to.
    jumps: Vec<(f64, f64)>,
}

impl<'a> Drive<'a> {
    fn new(samples: &'a Samples, circuit: Option<&'a Circuit>, span: (f64, f64)) -> Self {
        let path = Path::of(samples);
        let jumps = path.as_ref().map(jumps_of).unwrap_or_default();
        Self { samples, circuit, path, speed: path::speed(samples), span, jumps }
    }

    fn path_or_missing(&self) -> Result<&Path, LapError> {
        self.samples.require(Channel::X, "tell when the line is crossed")?;
        self.samples.require(Channel::Y, "tell when the line is crossed")?;
        self.path.as_ref().ok_or(LapError::TooShort(0))
    }

    fn marks(&self, options: &LapOptions<'_>) -> Result<Vec<Mark>, LapError> {
        let mut marks = if let Some(line) = options.line {
            let line = line.checked()?;
            let path = self.path_or_missing()?;
            let marks = crossings(path, &line);
            if marks.is_empty() {
                let nearest = |i: usize| (path.x_m[i] - line.x_m).hypot(path.y_m[i] - line.y_m);
                let nearest_m = (0..path.len()).map(nearest).fold(f64::INFINITY, f64::min);
                return Err(LapError::LineNotCrossed { x_m: line.x_m, y_m: line.y_m, nearest_m });
            }
            marks
        } else if let Some(lap) = self.samples.get(Channel::Lap) {
            self.by_counter(lap)
        } else if let Some(distance) = self.samples.get(Channel::LapDistance) {
            self.by_distance(distance)
        } else if let Some(path) = &self.path {
            match self.circuit.map(Line::of_circuit).or_else(|| propose_line(path)) {
                Some(line) => crossings(path, &line),
                None => Vec::new(),
            }
        } else {
            return Err(LapError::NoSource);
        };
        for &(time_s, jump_m) in &self.jumps {
            let near = |m: &&mut Mark| m.bracket.0 - 0.5 <= time_s && time_s <= m.bracket.1 + 0.5;
            let note = format!("the car is put {jump_m:.0} m further at {time_s:.2} s");
            match marks.iter_mut().find(near) {
                // A source that counts on when the car is put into the pits has not seen the line crossed.
                Some(m) => *m = Mark::cut(time_s, MarkKind::Jump, m.number, note),
                None => marks.push(Mark::cut(time_s, MarkKind::Jump, None, note)),
            }
        }
        marks.sort_by(|a, b| a.time_s.total_cmp(&b.time_s));
        self.complete_ends(&mut marks);
        Ok(marks)
    }

    /// A recording that holds just one lap begins and ends within a sample of the line: its crossings lie outside.
    fn complete_ends(&self, marks: &mut Vec<Mark>) {
        let Some(distance) = self.samples.get(Channel::LapDistance) else { return };
        let (Some(&t0), Some(&d0)) = (distance.time_s.first(), distance.values.first()) else { return };
        let (t1, d1) =
            (distance.time_s[distance.time_s.len() - 1], distance.values[distance.values.len() - 1]);
        let pace = |t: f64| {
            self.speed.map_or(f64::NAN, |v| v.at(t.clamp(v.time_s[0], v.time_s[v.time_s.len() - 1])))
        };
        let step_s = median(distance.time_s.windows(2).map(|w| w[1] - w[0])).unwrap_or(0.0);
        let number_at = |t: f64| self.samples.get(Channel::Lap).map(|l| l.at(t) as i32);
        let first = marks.first().map_or(f64::INFINITY, |m| m.time_s);
        let reach = |t: f64| 1.5 * pace(t) * step_s;
        if d0 >= 0.0 && d0 <= reach(t0) && pace(t0) > STANDING_MPS && first > t0 + 1.0 {
            let time_s = t0 - d0 / pace(t0);
            marks.insert(0, Mark::crossing(time_s, (time_s, t0), number_at(t0)));
        }
        let length_m = self.lap_length_m(distance).or_else(|| {
            // One lap alone: where it ends, seen from where it began.
            let path = self.path.as_ref()?;
            let (begin, ahead) = (path.place(0), path.place(1));
            let heading_rad = (ahead[1] - begin[1]).atan2(ahead[0] - begin[0]);
            let gate = Line { x_m: begin[0], y_m: begin[1], heading_rad, half_width_m: DEFAULT_HALF_WIDTH_M };
            let [past, beside] = gate.local(path.place(path.len() - 1));
            (marks.len() == 1 && beside.abs() < gate.half_width_m).then_some(d1 - past - d0)
        });
        let last = marks.last().map_or(f64::NEG_INFINITY, |m| m.time_s);
        let to_go = length_m.map_or(f64::NAN, |l| l - d1);
        if to_go.abs() <= reach(t1) && pace(t1) > STANDING_MPS && last < t1 - 1.0 {
            let time_s = (t1 + to_go / pace(t1)).max(t1);
            marks.push(Mark::crossing(time_s, (t1, time_s), number_at(t1).map(|n| n + 1)));
        }
    }

    /// Length of the lap by a lap distance that restarts: what it falls by, over all restarts.
    fn lap_length_m(&self, distance: View<'_>) -> Option<f64> {
        median(self.restarts(distance).into_iter().filter_map(|i| window(distance, i).jump()))
    }

    /// Steps of the lap distance that restart at the line: from its top to near nought.
    fn restarts(&self, distance: View<'_>) -> Vec<usize> {
        let d = distance.values;
        let top_m = d.iter().copied().filter(|v| v.is_finite()).fold(0.0, f64::max);
        (0..d.len().saturating_sub(1))
            .filter(|&i| d[i] - d[i + 1] > RESTART_M && d[i] > 0.97 * top_m && d[i + 1] < 0.03 * top_m)
            .collect()
    }

    /// Marks where the lap counter changes.
    fn by_counter(&self, lap: View<'_>) -> Vec<Mark> {
        let counted: Vec<usize> = (0..lap.values.len()).filter(|&i| lap.values[i].is_finite()).collect();
        let changes: Vec<_> = counted.windows(2).filter(|w| lap.values[w[0]] != lap.values[w[1]]).collect();
        let brackets: Vec<_> = changes
            .iter()
            .filter(|w| lap.values[w[1]] > lap.values[w[0]])
            .map(|w| (lap.time_s[w[0]], lap.time_s[w[1]]))
            .collect();
        let line = self.common_line(&brackets);
        let distance = self.samples.get(Channel::LapDistance);
        let restarts = distance.map(|d| (d, self.restarts(d), self.lap_length_m(d)));
        let mut marks = Vec::with_capacity(changes.len());
        for w in &changes {
            let (from, to) = (lap.values[w[0]], lap.values[w[1]]);
            let bracket = (lap.time_s[w[0]], lap.time_s[w[1]]);
            let number = Some(to as i32);
            if to < from {
                let note = format!(
                    "the source starts to count anew at {:.2} s: lap {from:.0}, then {to:.0}",
                    bracket.1
                );
                marks.push(Mark::cut(bracket.1, MarkKind::Restart, number, note));
                continue;
            }
            let mut mark = self.refined(bracket, restarts.as_ref(), line.as_ref());
            mark.number = number;
            if to > from + 1.0 {
                mark.add_note(format!(
                    "the lap counter goes from {from:.0} to {to:.0} at {:.2} s",
                    bracket.1
                ));
            }
            marks.push(mark);
        }
        marks
    }

    /// The crossing within a bracket of the lap counter.
    fn refined(
        &self,
        bracket: (f64, f64),
        restarts: Option<&(View<'_>, Vec<usize>, Option<f64>)>,
        line: Option<&Line>,
    ) -> Mark {
        if let Some((d, indices, Some(length_m))) = restarts {
            // Counters may come some samples late, or on a slower clock.
            let slack_s = 0.5;
            let near = indices
                .iter()
                .find(|&&i| d.time_s[i + 1] >= bracket.0 - slack_s && d.time_s[i] <= bracket.1 + slack_s);
            if let Some(&i) = near {
                let w = window(*d, i).unwrapped(*length_m);
                return Mark::crossing(w.zero_s(), w.bracket, None).in_hole();
            }
        }
        if let (Some(line), Some(path)) = (line, &self.path) {
            let range = path.between(bracket.0 - 0.5, bracket.1 + 0.5);
            let past = |i: usize| line.local(path.place(i))[0];
            let mid_s = 0.5 * (bracket.0 + bracket.1);
            let step =
                range.clone().skip(1).map(|i| i - 1).filter(|&i| past(i) < 0.0 && past(i + 1) >= 0.0).min_by(
                    |&a, &b| (path.time_s[a] - mid_s).abs().total_cmp(&(path.time_s[b] - mid_s).abs()),
                );
            if let Some(i) = step {
                let w = Window::around(&path.time_s, i, past);
                return Mark::crossing(w.zero_s(), w.bracket, None).in_hole();
            }
        }
        let half_s = 0.5 * (bracket.1 - bracket.0);
        let mut mark = Mark::crossing(bracket.0 + half_s, bracket, None);
        mark.add_note(format!(
            "only the lap counter tells the line at {:.2} s: the crossing is good to {:.0} ms",
            bracket.1,
            half_s * 1e3
        ));
        mark
    }

    /// The line that all crossings of the lap counter have in common: across the mean direction, where the steps between
    /// the samples overlap. The circuit's own line where it fits them.
    fn common_line(&self, brackets: &[(f64, f64)]) -> Option<Line> {
        let path = self.path.as_ref()?;
        let steps: Vec<[[f64; 2]; 2]> = brackets
            .iter()
            .filter_map(|&(a, b)| Some([path.at(a)?, path.at(b)?]))
            .filter(|[p, q]| {
                let step_m = (q[0] - p[0]).hypot(q[1] - p[1]);
                step_m > 0.02 && step_m < 50.0
            })
            .collect();
        if steps.is_empty() {
            return self.circuit.map(Line::of_circuit);
        }
        let mean = |f: &dyn Fn(&[[f64; 2]; 2]) -> f64| median(steps.iter().map(f)).unwrap_or(0.0);
        let unit = |s: &[[f64; 2]; 2], k: usize| {
            let d = [s[1][0] - s[0][0], s[1][1] - s[0][1]];
            d[k] / d[0].hypot(d[1])
        };
        let heading_rad = mean(&|s| unit(s, 1)).atan2(mean(&|s| unit(s, 0)));
        let mut line = Line {
            x_m: mean(&|s| 0.5 * (s[0][0] + s[1][0])),
            y_m: mean(&|s| 0.5 * (s[0][1] + s[1][1])),
            heading_rad,
            half_width_m: DEFAULT_HALF_WIDTH_M,
        };
        let along: Vec<(f64, f64)> =
            steps.iter().map(|s| (line.local(s[0])[0], line.local(s[1])[0])).filter(|a| a.1 > a.0).collect();
        let low = along.iter().map(|a| a.0).fold(f64::NEG_INFINITY, f64::max);
        let high = along.iter().map(|a| a.1).fold(f64::INFINITY, f64::min);
        // Steps that do not overlap come from a counter with a delay of its own; the middle is the best guess then.
        let shift_m = if low <= high {
            0.5 * (low + high)
        } else {
            median(along.iter().map(|a| 0.5 * (a.0 + a.1))).unwrap_or(0.0)
        };
        if let Some(own) = self.circuit.map(Line::of_circuit) {
            let [past, beside] = line.local([own.x_m, own.y_m]);
            let turn = (own.heading_rad - line.heading_rad).cos();
            if past > low - 1.0 && past < high + 1.0 && beside.abs() < DEFAULT_HALF_WIDTH_M && turn > 0.95 {
                return Some(own);
            }
        }
        line.x_m += shift_m * heading_rad.cos();
        line.y_m += shift_m * heading_rad.sin();
        Some(line)
    }

    /// Marks where the lap distance restarts.
    fn by_distance(&self, distance: View<'_>) -> Vec<Mark> {
        let length_m = self.lap_length_m(distance);
        let restarts = self.restarts(distance);
        let d = distance.values;
        (0..d.len().saturating_sub(1))
            .filter(|&i| d[i] - d[i + 1] > RESTART_M)
            .map(|i| match length_m.filter(|_| restarts.contains(&i)) {
                Some(length_m) => {
                    let w = window(distance, i).unwrapped(length_m);
                    Mark::crossing(w.zero_s(), w.bracket, None).in_hole()
                }
                None => {
                    let time_s = distance.time_s[i + 1];
                    let note = format!(
                        "the lap distance falls from {:.0} to {:.0} m at {time_s:.2} s, which is not the line",
                        d[i],
                        d[i + 1]
                    );
                    Mark::cut(time_s, MarkKind::Restart, None, note)
                }
            })
            .collect()
    }
}

impl Mark {
    fn add_note(&mut self, note: String) {
        self.note = Some(match self.note.take() {
            Some(n) => format!("{n}; {note}"),
            None => note,
        });
    }

    /// Says so when the crossing lies in a hole of the recording.
    fn in_hole(mut self) -> Self {
        let hole_s = self.bracket.1 - self.bracket.0;
        if hole_s > HOLE_S {
            self.add_note(format!("the line at {:.2} s lies in a hole of {hole_s:.2} s", self.time_s));
        }
        self
    }
}

fn window(distance: View<'_>, i: usize) -> Window {
    Window::around(distance.time_s, i, |k| distance.values[k])
}

/// Places that the car did not drive to: time and length of the jump.
fn jumps_of(path: &Path) -> Vec<(f64, f64)> {
    (1..path.len())
        .filter(|&i| path.step_m(i) > JUMP_PLAY_M + FASTEST_MPS * (path.time_s[i] - path.time_s[i - 1]))
        .map(|i| (path.time_s[i], path.step_m(i)))
        .collect()
}

/// Passages of a gate in its direction.
fn crossings(path: &Path, line: &Line) -> Vec<Mark> {
    let mut marks = Vec::new();
    let mut since_m = f64::INFINITY;
    let mut before = line.local(path.place(0));
    for i in 1..path.len() {
        let here = line.local(path.place(i));
        since_m += path.step_m(i);
        let passes = before[0] < 0.0 && here[0] >= 0.0;
        if passes {
            let w = before[0] / (before[0] - here[0]);
            let beside_m = before[1] + (here[1] - before[1]) * w;
            let jump = path.step_m(i) > JUMP_PLAY_M + FASTEST_MPS * (path.time_s[i] - path.time_s[i - 1]);
            if beside_m.abs() <= line.half_width_m && since_m > REARM_M && !jump {
                let w = Window::around(&path.time_s, i - 1, |k| line.local(path.place(k))[0]);
                marks.push(Mark::crossing(w.zero_s(), w.bracket, None).in_hole());
                since_m = 0.0;
            }
        }
        before = here;
    }
    marks
}

/// A gate where the drive passes most often; among those, where it is straight and fast. None when it passes no place
/// twice.
///
/// The gate is a place to count from, not the circuit's start line, which positions alone do not tell.
#[must_use]
pub fn propose_line_for(samples: &Samples) -> Option<Line> {
    propose_line(&Path::of(samples)?)
}

fn propose_line(path: &Path) -> Option<Line> {
    const CANDIDATES: usize = 300;
    const MOST_POINTS: usize = 20_000;
    let driven_m: f64 = (1..path.len()).map(|i| path.step_m(i)).filter(|s| *s < 1e3).sum();
    let thin = thinned(path, (driven_m / MOST_POINTS as f64).max(5.0));
    let stride = (thin.len() / CANDIDATES).max(1);
    let mut best: Option<(usize, f64, Line)> = None;
    for i in (2..thin.len().saturating_sub(2)).step_by(stride) {
        let ([x0, y0], [x1, y1]) = (thin.place(i - 1), thin.place(i + 1));
        let [x_m, y_m] = thin.place(i);
        let line =
            Line { x_m, y_m, heading_rad: (y1 - y0).atan2(x1 - x0), half_width_m: DEFAULT_HALF_WIDTH_M };
        let pace_mps = (x1 - x0).hypot(y1 - y0) / (thin.time_s[i + 1] - thin.time_s[i - 1]);
        let ([ax, ay], [bx, by]) = (thin.place(i - 2), thin.place(i + 2));
        let bend = 1.0 - (bx - ax).hypot(by - ay) / (i - 1..i + 3).map(|k| thin.step_m(k)).sum::<f64>();
        let worth = pace_mps / (1.0 + 500.0 * bend);
        let count = crossings(&thin, &line).len();
        if count >= 2 && best.as_ref().is_none_or(|b| (count, worth) > (b.0, b.1)) {
            best = Some((count, worth, line));
        }
    }
    best.map(|b| b.2)
}

/// Every place at least `step_m` from the one before.
fn thinned(path: &Path, step_m: f64) -> Path {
    let mut thin = Path::default();
    for i in 0..path.len() {
        let [x, y] = path.place(i);
        let far = thin.len() == 0 || {
            let [px, py] = thin.place(thin.len() - 1);
            (x - px).hypot(y - py) >= step_m
        };
        if far {
            thin.push(path.time_s[i], x, y);
        }
    }
    thin
}

/// A stay of the car.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Stop {
    from_s: f64,
    to_s: f64,
    /// Share of the part's distance that was driven before it.
    share: f64,
}

impl Drive<'_> {
    fn laps(&self, marks: &[Mark]) -> Vec<Lap> {
        let begin_s = marks.first().map_or(self.span.0, |m| m.time_s.min(self.span.0));
        let end_s = marks.last().map_or(self.span.1, |m| m.time_s.max(self.span.1));
        let first_number = self
            .samples
            .get(Channel::Lap)
            .and_then(|l| l.values.iter().copied().find(|v| v.is_finite()))
            .map(|v| v as i32);
        let mut laps: Vec<Lap> = Vec::with_capacity(marks.len() + 1);
        let mut counted = first_number.unwrap_or(0);
        for k in 0..=marks.len() {
            let (from, to) = (k.checked_sub(1).map(|i| &marks[i]), marks.get(k));
            if let Some(m) = from {
                // A jump within a lap of the counter does not end that lap for the source.
                counted = m.number.unwrap_or(counted + i32::from(m.kind == MarkKind::Crossing));
            }
            let (start, end) = (from.map_or(begin_s, |m| m.time_s), to.map_or(end_s, |m| m.time_s));
            if end > start {
                laps.push(self.lap(counted, (start, end), from, to));
            }
        }
        // A stop just after the line is in the pits: the lap before came in.
        for k in 1..laps.len() {
            let out_of_pits = laps[k].kind == LapKind::Out && laps[k - 1].kind == LapKind::Timed;
            if out_of_pits && laps[k - 1].end_s == laps[k].start_s {
                let lap = &mut laps[k - 1];
                (lap.kind, lap.lap_time_s, lap.valid) = (LapKind::In, None, false);
                lap.notes.push("comes in: the car stops just after the line".to_owned());
            }
        }
        laps
    }

    fn lap(&self, number: i32, (start_s, end_s): (f64, f64), from: Option<&Mark>, to: Option<&Mark>) -> Lap {
        let crossed = |m: Option<&Mark>| m.is_some_and(|m| m.kind == MarkKind::Crossing);
        let stops = self.stops(start_s, end_s);
        let mut notes: Vec<String> = from.into_iter().chain(to).filter_map(|m| m.note.clone()).collect();
        let mut valid = true;
        let mut kind = match (crossed(from), crossed(to)) {
            (true, true) => LapKind::Timed,
            (false, true) => LapKind::Out,
            (true, false) if stops.last().is_some_and(|s| s.to_s >= end_s - SHORTEST_STOP_S) => LapKind::In,
            _ => LapKind::Incomplete,
        };
        match (kind, to) {
            (LapKind::Incomplete, None) if from.is_none() => {
                notes.push("the line is never crossed in this recording".to_owned());
            }
            (LapKind::Incomplete, None) => notes.push("the recording ends before the line".to_owned()),
            (LapKind::Out, _) if from.is_none() => notes.push("begins where the recording begins".to_owned()),
            _ => {}
        }
        for s in &stops {
            let long = s.to_s - s.from_s;
            let in_pits = kind == LapKind::Timed && long >= PIT_STOP_S;
            let place = format!("stands for {long:.1} s at {:.0} % of the lap", s.share * 100.0);
            if in_pits && s.share < PIT_SHARE {
                kind = LapKind::Out;
                notes.push(format!("{place}: taken as the way out of the pits"));
            } else if in_pits && s.share > 1.0 - PIT_SHARE {
                kind = LapKind::In;
                notes.push(format!("{place}: taken as the way into the pits"));
            } else {
                valid = false;
                notes.push(place);
            }
        }
        valid &= self.tell_holes(start_s, end_s, &mut notes);
        for m in from.into_iter().chain(to) {
            valid &= m.bracket.1 - m.bracket.0 <= SPOILING_HOLE_S;
        }
        valid &= self.tell_off_track(start_s, end_s, &mut notes);
        let timed = kind == LapKind::Timed;
        Lap {
            number,
            kind,
            start_s,
            end_s,
            lap_time_s: timed.then_some(end_s - start_s),
            valid: valid && timed,
            notes,
        }
    }

    fn stops(&self, start_s: f64, end_s: f64) -> Vec<Stop> {
        let Some(speed) = self.speed.map(|v| v.between(start_s, end_s)) else { return Vec::new() };
        let mut driven = vec![0.0; speed.time_s.len()];
        for i in 1..driven.len() {
            let mean = 0.5 * (speed.values[i] + speed.values[i - 1]).abs();
            let step = mean * (speed.time_s[i] - speed.time_s[i - 1]);
            driven[i] = driven[i - 1] + if step.is_finite() { step } else { 0.0 };
        }
        let total = driven.last().copied().unwrap_or(0.0).max(1.0);
        let mut stops = Vec::new();
        let mut i = 0;
        while i < driven.len() {
            let standing = |k: usize| speed.values[k].abs() < STANDING_MPS;
            if !standing(i) {
                i += 1;
                continue;
            }
            let first = i;
            while i < driven.len() && standing(i) {
                i += 1;
            }
            let stop =
                Stop { from_s: speed.time_s[first], to_s: speed.time_s[i - 1], share: driven[first] / total };
            if stop.to_s - stop.from_s >= SHORTEST_STOP_S {
                stops.push(stop);
            }
        }
        stops
    }

    /// Notes holes and pauses of the recording within a lap; false when one of them spoils it.
    fn tell_holes(&self, start_s: f64, end_s: f64, notes: &mut Vec<String>) -> bool {
        let Some(clock) = self.speed.map(|v| v.time_s).or_else(|| self.path.as_ref().map(|p| &p.time_s[..]))
        else {
            return true;
        };
        let mut fine = true;
        let from = clock.partition_point(|&t| t < start_s).saturating_sub(1);
        let to = clock.partition_point(|&t| t <= end_s).min(clock.len().saturating_sub(1));
        let usual_s = median(clock[from..=to].windows(2).map(|w| w[1] - w[0])).unwrap_or(0.0);
        for w in clock[from..=to].windows(2) {
            let hole_s = w[1] - w[0];
            if hole_s <= HOLE_S.max(3.0 * usual_s) {
                continue;
            }
            let moved = self.path.as_ref().and_then(|p| {
                let (a, b) = (p.at(w[0])?, p.at(w[1])?);
                Some((a[0] - b[0]).hypot(a[1] - b[1]))
            });
            let expected = self.speed.map_or(f64::NAN, |v| 0.5 * (v.at(w[0]) + v.at(w[1])) * hole_s);
            let paused =
                hole_s > SPOILING_HOLE_S && moved.is_some_and(|m| expected > 10.0 && m < 0.3 * expected);
            notes.push(if paused {
                format!("pause of {hole_s:.1} s at {:.2} s: the clock ran on, the car did not", w[0])
            } else {
                format!("no samples for {hole_s:.2} s at {:.2} s", w[0])
            });
            fine &= !paused && hole_s <= SPOILING_HOLE_S;
        }
        fine
    }

    /// Notes where the car's centre was beyond the borders; false when it was.
    fn tell_off_track(&self, start_s: f64, end_s: f64, notes: &mut Vec<String>) -> bool {
        let (Some(circuit), Some(path)) = (self.circuit.filter(|c| c.has_borders()), &self.path) else {
            return true;
        };
        let range = path.between(start_s, end_s);
        let places: Vec<[f64; 2]> = range.map(|i| path.place(i)).collect();
        let mut beyond: Option<(f64, f64)> = None;
        let times = &path.time_s[path.between(start_s, end_s)];
        for at in Projector::new(circuit).follow(times, &places, None) {
            let Some((left, right)) = circuit.widths(at.s_m) else { continue };
            let over = (at.offset_m - left).max(-right - at.offset_m);
            if over > beyond.map_or(0.0, |b| b.1) {
                beyond = Some((at.s_m, over));
            }
        }
        if let Some((s_m, over_m)) = beyond {
            notes.push(format!("off the track: {over_m:.1} m beyond the border at {s_m:.0} m"));
        }
        beyond.is_none()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::made_up::{self, Drive as MadeUp, cut};
    use channels::Origin;

    const DRIVE: MadeUp = MadeUp { begin_m: 1500.0, speed_mps: 45.0, swing_mps: 8.0, offset_m: 0.0 };

    fn kinds(laps: &[Lap]) -> Vec<LapKind> {
        laps.iter().map(|l| l.kind).collect()
    }

    fn notes(lap: &Lap) -> String {
        lap.notes.join("; ")
    }

    /// A drive whose car stands from `at_s` for `for_s`; and one whose clock alone runs on.
    fn stopping(circuit: &Circuit, at_s: f64, for_s: f64, speed_falls: bool) -> Samples {
        let s = DRIVE.logged(circuit, 50.0, 160.0);
        let times = s.clocks().next().unwrap().1.to_vec();
        let mut out = Samples::new();
        let real = |t: f64| if t < at_s { t } else { (t - for_s).max(at_s) };
        let clock = out.add_clock(times.clone()).unwrap();
        for c in s.channels() {
            let view = s.get(c).unwrap();
            let values = times
                .iter()
                .map(|&t| {
                    let v = view.at(real(t).max(0.0));
                    let standing = speed_falls && c == Channel::Speed && t > at_s && t < at_s + for_s;
                    if standing { 0.0 } else { v }
                })
                .collect();
            out.insert(c, clock, values, Origin::Logged).unwrap();
        }
        out
    }

    #[test]
    fn parts_follow_each_other_without_holes() {
        let c = made_up::circuit();
        let s = DRIVE.logged(&c, 50.0, 130.0);
        let laps = split(&s, &LapOptions::default()).unwrap();
        assert_eq!(kinds(&laps), [LapKind::Out, LapKind::Timed, LapKind::Timed, LapKind::Incomplete]);
        assert_eq!(laps.iter().map(|l| l.number).collect::<Vec<_>>(), [0, 1, 2, 3]);
        assert!(laps.windows(2).all(|w| w[0].end_s == w[1].start_s));
        assert_eq!(laps[0].start_s, 0.0);
        let want = DRIVE.time_at(2.0 * c.length_m()) - DRIVE.time_at(c.length_m());
        assert!((laps[1].lap_time_s.unwrap() - want).abs() < 1e-4);
    }

    #[test]
    fn a_stop_in_mid_lap_spoils_it_and_one_near_the_line_is_the_pits() {
        let c = made_up::circuit();
        let lap_s = |k: f64| DRIVE.time_at(k * c.length_m());
        let middle = split(&stopping(&c, lap_s(1.5), 8.0, true), &LapOptions::default()).unwrap();
        assert_eq!(middle[1].kind, LapKind::Timed);
        assert!(!middle[1].valid && notes(&middle[1]).contains("stands for 8.0 s"), "{:?}", middle[1]);
        let late = split(&stopping(&c, lap_s(1.95), 20.0, true), &LapOptions::default()).unwrap();
        assert_eq!((late[1].kind, late[1].lap_time_s), (LapKind::In, None), "{:?}", late[1]);
        let early = split(&stopping(&c, lap_s(2.02), 20.0, true), &LapOptions::default()).unwrap();
        assert_eq!(kinds(&early)[1..3], [LapKind::In, LapKind::Out], "{early:?}");
    }

    #[test]
    fn a_pause_and_a_hole_are_told() {
        let c = made_up::circuit();
        let at = DRIVE.time_at(1.5 * c.length_m());
        let paused = cut(&stopping(&c, at, 30.0, false), &[], |t| t < at || t > at + 30.0);
        let laps = split(&paused, &LapOptions::default()).unwrap();
        assert!(!laps[1].valid && notes(&laps[1]).contains("pause of 30.0 s"), "{:?}", laps[1]);
        let holed = cut(&DRIVE.logged(&c, 50.0, 160.0), &[], |t| t < at || t > at + 0.6);
        let laps = split(&holed, &LapOptions::default()).unwrap();
        assert!(laps[1].valid && notes(&laps[1]).contains("no samples for 0.6"), "{:?}", laps[1]);
        let holed = cut(&DRIVE.logged(&c, 50.0, 160.0), &[], |t| t < at || t > at + 3.0);
        assert!(!split(&holed, &LapOptions::default()).unwrap()[1].valid);
    }

    /// The car is put back to the pits in mid-lap: for the source a new lap, for us the end of an incomplete one.
    #[test]
    fn a_car_that_is_put_elsewhere_crosses_no_line() {
        let c = made_up::circuit();
        let s = DRIVE.logged(&c, 50.0, 200.0);
        let (from, to) = (DRIVE.time_at(2.4 * c.length_m()), DRIVE.time_at(2.9 * c.length_m()));
        let cut_out = cut(&s, &[], |t| t < from || t > to);
        let mut jumped = Samples::new();
        let times: Vec<f64> =
            (0..cut_out.clocks().next().unwrap().1.len()).map(|i| i as f64 * 0.02).collect();
        let clock = jumped.add_clock(times.clone()).unwrap();
        for ch in cut_out.channels() {
            let mut v = cut_out.get(ch).unwrap().values.to_vec();
            if ch == Channel::Lap {
                v.iter_mut().zip(&times).for_each(|(v, t)| *v += f64::from(*t > from));
            }
            jumped.insert(ch, clock, v, Origin::Logged).unwrap();
        }
        let laps = split(&jumped, &LapOptions::default()).unwrap();
        let expected = [LapKind::Out, LapKind::Timed, LapKind::Incomplete, LapKind::Out, LapKind::Timed];
        assert_eq!(kinds(&laps)[..5], expected, "{laps:?}");
        assert!(notes(&laps[2]).contains("the car is put"), "{:?}", laps[2]);
        let by_distance = split(&cut(&jumped, &[Channel::Lap], |_| true), &LapOptions::default()).unwrap();
        assert_eq!(kinds(&by_distance)[..5], expected, "{by_distance:?}");
    }

    #[test]
    fn a_source_that_counts_anew_begins_a_new_out_lap() {
        let c = made_up::circuit();
        let s = DRIVE.logged(&c, 50.0, 160.0);
        let at = DRIVE.time_at(2.5 * c.length_m());
        let mut v = s.get(Channel::Lap).unwrap().values.to_vec();
        v.iter_mut().enumerate().for_each(|(i, v)| *v -= if i as f64 * 0.02 > at { 2.0 } else { 0.0 });
        let mut s = s;
        let clock = s.clock_of(Channel::Lap).unwrap();
        s.insert(Channel::Lap, clock, v, Origin::Logged).unwrap();
        let laps = split(&s, &LapOptions::default()).unwrap();
        assert_eq!(kinds(&laps)[2..4], [LapKind::Incomplete, LapKind::Out]);
        assert!(notes(&laps[2]).contains("count anew"), "{:?}", laps[2]);
    }

    /// Many sources write one file per lap.
    #[test]
    fn a_recording_of_just_one_lap_is_that_lap() {
        let c = made_up::circuit();
        let s = DRIVE.logged(&c, 50.0, 200.0);
        let (from, to) = (DRIVE.time_at(c.length_m()), DRIVE.time_at(2.0 * c.length_m()));
        for dropped in [&[][..], &[Channel::Lap]] {
            let one = cut(&s, dropped, |t| t > from && t < to);
            let laps = split(&one, &LapOptions::default()).unwrap();
            assert_eq!(kinds(&laps), [LapKind::Timed], "{laps:?}");
            assert!((laps[0].lap_time_s.unwrap() - (to - from)).abs() < 2e-3, "{laps:?}");
            crate::trace::lap_trace(&one, &laps[0], &c).unwrap();
        }
    }

    #[test]
    fn beyond_the_borders_is_off_the_track() {
        let c = made_up::circuit();
        let wide = MadeUp { offset_m: -7.5, ..DRIVE };
        let laps =
            split(&wide.logged(&c, 50.0, 160.0), &LapOptions { line: None, circuit: Some(&c) }).unwrap();
        assert!(!laps[1].valid && notes(&laps[1]).contains("off the track: 1.5 m"), "{:?}", laps[1]);
        let inside = DRIVE.logged(&c, 50.0, 160.0);
        assert!(split(&inside, &LapOptions { line: None, circuit: Some(&c) }).unwrap()[1].valid);
    }

    #[test]
    fn what_cannot_be_told_is_said() {
        let c = made_up::circuit();
        let s = DRIVE.logged(&c, 50.0, 160.0);
        let none = LapOptions::default();
        assert_eq!(split(&Samples::new(), &none), Err(LapError::TooShort(0)));
        assert_eq!(split(&cut(&s, &[], |t| t < 0.01), &none), Err(LapError::TooShort(1)));
        let bare = cut(&s, &[Channel::Lap, Channel::LapDistance, Channel::X, Channel::Y], |_| true);
        assert_eq!(split(&bare, &none), Err(LapError::NoSource));
        let line = Line::new(5000.0, 0.0, [1.0, 0.0]).ok();
        assert!(matches!(
            split(&s, &LapOptions { line, circuit: None }),
            Err(LapError::LineNotCrossed { .. })
        ));
        assert!(matches!(split(&bare, &LapOptions { line, circuit: None }), Err(LapError::Missing(_))));
        assert_eq!(Line::new(0.0, 0.0, [0.0, 0.0]), Err(LapError::BadLine));
        let part = split(&cut(&s, &[], |t| t > 20.0 && t < 40.0), &none).unwrap();
        assert_eq!(kinds(&part), [LapKind::Incomplete]);
        assert!(notes(&part[0]).contains("never crossed"), "{:?}", part[0]);
    }
}
