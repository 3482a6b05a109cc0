//! Motor linearity: does the wheelbase answer in proportion to its command?
//!
//! A sweep drives the motor with a series of commands, several times, to both sides, and writes down how it answered: angle
//! moved, speed or torque. The answer grows with the command, so the response is the isotonic regression of the readings
//! ([`crate::isotonic`]); dead band, saturation and the inverse table are read from it.
//!
//! ```text
//! response        ╭──────  saturation: more command, no more response
//!   │           ╱
//!   │         ╱            between: nearly straight, or curved
//!   │_______╱              dead band: the motor's friction eats the command
//!   └────────────────────  command
//! ```
//!
//! Commands are shares of full strength, −1..1; responses are in the unit of the measurement. How to make a sweep without
//! hurting anybody is in `docs/motor-sweep.md`.

use crate::isotonic::{inverse, isotonic};
use crate::regression::least_squares;
use crate::stats::{largest, mean, median, sd};
use crate::{Answer, Caution, Finding, Outcome, Verdict};
use channels::{Dimension, Unit};
use serde::{Deserialize, Serialize};

/// A sweep, column by column; rows in the order in which they were measured.
#[derive(Debug, Clone, Copy)]
pub struct Sweep<'a> {
    /// n commands, in `command_unit`; the sign is the side.
    pub command: &'a [f64],
    /// n responses; their size counts, the sign is that of the command or always positive.
    pub response: &'a [f64],
    /// Unit of the commands: a share (`-`, `%`, …); none when the column names none.
    pub command_unit: Option<&'a str>,
    /// Unit of the responses: an angle, an angular rate or a torque.
    pub response_unit: Option<&'a str>,
}

/// How the sweep is to be read.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct MotorOptions {
    /// Points of the inverse table, at least 2.
    pub points: usize,
    /// Take a sweep to one side for both.
    pub one_side: bool,
}

impl Default for MotorOptions {
    fn default() -> Self {
        Self { points: 101, one_side: false }
    }
}

/// A sweep that cannot be read.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum MotorError {
    /// Columns that do not match.
    #[error("the sweep has {commands} commands and {responses} responses; every row needs both")]
    Length {
        /// Number of commands.
        commands: usize,
        /// Number of responses.
        responses: usize,
    },
    /// A unit is not given.
    #[error(
        "the {column} column names no unit; write it into the header, like `{example}`, or state it on the command line"
    )]
    NoUnit {
        /// Which column.
        column: &'static str,
        /// A header that would do.
        example: &'static str,
    },
    /// A unit that does not fit.
    #[error("the {column} column is in '{found}'; expected {expected}")]
    Unit {
        /// Which column.
        column: &'static str,
        /// What it says.
        found: String,
        /// What fits.
        expected: &'static str,
    },
    /// A value that is no number.
    #[error("row {row} of the sweep holds a value that is no number; correct it or leave the row out")]
    NotFinite {
        /// Row of the data, from 1.
        row: usize,
    },
    /// A command beyond full strength.
    #[error(
        "row {row} commands {command} of full strength; commands go from -1 to 1 (is the unit really '{unit}'?)"
    )]
    Command {
        /// Row of the data, from 1.
        row: usize,
        /// The command as a share.
        command: f64,
        /// Its unit.
        unit: String,
    },
    /// Fewer commands than a curve needs.
    #[error(
        "the {side} side has {found} different commands above zero; at least {FEWEST_COMMANDS} are needed, 50 are good: \
         sweep in steps of 2 %"
    )]
    TooFew {
        /// `left` or `right`.
        side: &'static str,
        /// Different commands.
        found: usize,
    },
    /// Nothing to the other side.
    #[error(
        "the sweep drives the motor to the {side} only; sweep with commands of both signs, since friction differs from side to side \
         (or say that one side is to be taken for both)"
    )]
    OneSide {
        /// The side that is there.
        side: &'static str,
    },
    /// The response does not grow with the command.
    #[error(
        "on the {side} side the response does not grow with the command: rank correlation {correlation:.2}, expected 0.8 at least; \
         check that the columns are not swapped, that the wheel was free to turn and that filters were off"
    )]
    NotMonotone {
        /// `left` or `right`.
        side: &'static str,
        /// Spearman's rank correlation.
        correlation: f64,
    },
    /// Table of a size that makes no sense.
    #[error("an inverse table of {0} points cannot be made; ask for 2 to 100000")]
    Points(usize),
}

/// Fewest different commands of a side.
const FEWEST_COMMANDS: usize = 8;
/// Below this rank correlation a sweep is no sweep. Common practice, no source: a motor with half its range dead and as much
/// noise as response is above.
const LEAST_CORRELATION: f64 = 0.8;

/// Response of one side.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Side {
    /// k different commands \[share of full strength\], increasing.
    pub command: Vec<f64>,
    /// Mean reading at each \[response unit\].
    pub mean_response: Vec<f64>,
    /// Monotone response at each \[response unit\].
    pub response: Vec<f64>,
    /// Commands below this move nothing \[share\]; 0 when there is no dead band.
    pub dead_band: f64,
    /// From this command on nothing more comes \[share\]; none when the response grows to the end.
    pub saturation: Option<f64>,
    /// Response at the end of the range \[response unit\].
    pub full_response: f64,
    /// Standard deviation of one reading \[share of the full response\]; none without repeats.
    pub noise: Option<f64>,
    /// Middle difference between falling and rising commands \[share of the full response\]; none unless both were swept.
    pub hysteresis: Option<f64>,
    /// Largest distance from the straight line between nothing and the full response \[share of the full response\].
    pub linearity_error: f64,
    /// The same once the inverse table is in use, judged on readings that the table was not made from; none without
    /// repeats.
    pub linearity_error_after: Option<f64>,
}

/// A straight answer: wanted share of the full response against the command that gives it.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct InverseTable {
    /// N wanted shares of the full response, evenly from 0 to 1.
    pub wanted: Vec<f64>,
    /// The command of each \[share of full strength\], not decreasing.
    pub command: Vec<f64>,
}

/// Numbers of the motor check.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Motor {
    /// Unit of the responses.
    pub response_unit: String,
    /// To the left, positive commands; none when not swept.
    pub left: Option<Side>,
    /// To the right, negative commands; none when not swept.
    pub right: Option<Side>,
    /// Full response of the weaker side over the stronger; none with one side.
    pub balance: Option<f64>,
    /// Minimum force to set: the larger dead band \[share\].
    pub minimum_force: f64,
    /// Strength up to which the motor is most linear \[share of full strength\].
    pub most_linear_strength: f64,
    /// Largest distance from a straight line up to there \[share of the response there\].
    pub most_linear_error: f64,
    /// Table of both sides together: programs know one.
    pub table: InverseTable,
}

impl InverseTable {
    /// Command \[share\] for a wanted share of the full response, straight between the points; clamped to 0..1.
    #[must_use]
    pub fn command_for(&self, wanted: f64) -> f64 {
        let last = self.command.len() - 1;
        let r = wanted.clamp(0.0, 1.0) * last as f64;
        let i = (r as usize).min(last.saturating_sub(1));
        let next = self.command[(i + 1).min(last)];
        self.command[i] + (next - self.command[i]) * (r - i as f64)
    }
}

/// How numbers are to be written.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct TableFormat {
    /// Between columns: `,`, `;`, tab or blank.
    pub separator: char,
    /// `.` or `,`.
    pub decimal_mark: char,
    /// Digits behind the mark.
    pub decimals: usize,
    /// What full is written as: 1, 100, 10000, …
    pub scale: f64,
    /// The wanted share as a first column; without it, one command per line.
    pub both_columns: bool,
    /// Header line, if any.
    pub header: Option<String>,
}

impl Default for TableFormat {
    fn default() -> Self {
        Self {
            separator: ',',
            decimal_mark: '.',
            decimals: 5,
            scale: 1.0,
            both_columns: true,
            header: Some("wanted [-],command [-]".to_owned()),
        }
    }
}

/// A format that could not be read back.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum FormatError {
    /// One sign for two things.
    #[error("'{0}' is both separator and decimal mark; choose another separator, such as ';'")]
    SameSign(char),
    /// A separator that numbers are written with, or a mark that is none.
    #[error(
        "'{0}' cannot stand as {1}; separators are ',', ';', ':', '|', tab or blank, decimal marks are '.' or ','"
    )]
    Sign(char, &'static str),
    /// Scale that makes no number.
    #[error("the scale {0} must be a number above 0")]
    Scale(f64),
    /// Steps of the table that the digits do not show.
    #[error(
        "{decimals} decimals at scale {scale} write neighbouring points of the table alike; use more decimals or a larger scale"
    )]
    TooCoarse {
        /// Digits.
        decimals: usize,
        /// Scale.
        scale: f64,
    },
}

impl InverseTable {
    /// The table as text, one point per line, lines ended by a line feed.
    ///
    /// # Errors
    /// [`FormatError`] when the text could not be read back.
    pub fn to_text(&self, format: &TableFormat) -> Result<String, FormatError> {
        if !matches!(format.separator, ',' | ';' | ':' | '|' | '\t' | ' ') {
            return Err(FormatError::Sign(format.separator, "separator"));
        }
        if !matches!(format.decimal_mark, '.' | ',') {
            return Err(FormatError::Sign(format.decimal_mark, "decimal mark"));
        }
        if format.both_columns && format.separator == format.decimal_mark {
            return Err(FormatError::SameSign(format.separator));
        }
        if !(format.scale.is_finite() && format.scale > 0.0) {
            return Err(FormatError::Scale(format.scale));
        }
        let number = |share: f64| {
            let text = format!("{:.*}", format.decimals, share * format.scale);
            text.replace('.', &format.decimal_mark.to_string())
        };
        let step = 1.0 / (self.wanted.len() - 1) as f64;
        if format.both_columns && step * format.scale < 10f64.powi(-(format.decimals.min(300) as i32)) {
            return Err(FormatError::TooCoarse { decimals: format.decimals, scale: format.scale });
        }
        let mut text = format.header.as_ref().map_or_else(String::new, |h| format!("{h}\n"));
        for (&wanted, &command) in self.wanted.iter().zip(&self.command) {
            if format.both_columns {
                text.push_str(&number(wanted));
                text.push(format.separator);
            }
            text.push_str(&number(command));
            text.push('\n');
        }
        Ok(text)
    }
}

/// Checks a motor by its sweep.
///
/// # Errors
/// [`MotorError`] when the columns are no sweep.
pub fn motor(sweep: Sweep<'_>, options: MotorOptions) -> Result<Outcome<Motor>, MotorError> {
    if !(2..=100_000).contains(&options.points) {
        return Err(MotorError::Points(options.points));
    }
    let (rows, response_unit) = rows(sweep)?;
    let left = one_side(&rows, 1.0);
    let right = one_side(&rows, -1.0);
    match (left.is_empty(), right.is_empty()) {
        (true, true) => return Err(MotorError::TooFew { side: "left", found: 0 }),
        (true, false) if !options.one_side => return Err(MotorError::OneSide { side: "right" }),
        (false, true) if !options.one_side => return Err(MotorError::OneSide { side: "left" }),
        _ => {}
    }
    let read = |rows: &[Row], name| (!rows.is_empty()).then(|| Curve::new(rows, name)).transpose();
    let (on_left, on_right) = (read(&left, "left")?, read(&right, "right")?);
    let together = Curve::new(&[left.clone(), right.clone()].concat(), "left and right")?;
    let table = together.table(options.points);
    let (most_linear_strength, most_linear_error) = together.most_linear();
    let left = on_left.map(|c| c.side(&left, options.points));
    let right = on_right.map(|c| c.side(&right, options.points));
    let sides: Vec<&Side> = [&left, &right].into_iter().flatten().collect();
    let minimum_force = sides.iter().map(|s| s.dead_band).fold(0.0, f64::max);
    let full: Vec<f64> = sides.iter().map(|s| s.full_response).collect();
    let balance = (full.len() == 2).then(|| full[0].min(full[1]) / full[0].max(full[1]));
    let findings = findings(&sides, balance, minimum_force, most_linear_strength);
    let numbers = Motor {
        response_unit,
        left,
        right,
        balance,
        minimum_force,
        most_linear_strength,
        most_linear_error,
        table,
    };
    Ok(Outcome::Answered(Answer::new(
        numbers,
        findings,
        &[Caution::StrongWheel, Caution::SimulatorsOnly],
        Vec::new(),
    )))
}

#[derive(Debug, Clone, Copy)]
struct Row {
    command: f64,
    response: f64,
    /// The command before was smaller in size; none for the first and for repeats of one command.
    rising: Option<bool>,
}

/// Rows of one side, turned to positive commands and responses. Signed readings follow the side, unsigned ones do not:
/// their middle tells.
fn one_side(rows: &[Row], side: f64) -> Vec<Row> {
    let mut rows: Vec<Row> = rows.iter().copied().filter(|r| r.command * side > 0.0).collect();
    let middle = median(&rows.iter().map(|r| r.response).collect::<Vec<_>>());
    for r in &mut rows {
        r.command = r.command.abs();
        r.response *= if middle < 0.0 { -1.0 } else { 1.0 };
    }
    rows
}

/// Columns as rows, commands as shares, responses by size.
fn rows(sweep: Sweep<'_>) -> Result<(Vec<Row>, String), MotorError> {
    if sweep.command.len() != sweep.response.len() {
        return Err(MotorError::Length { commands: sweep.command.len(), responses: sweep.response.len() });
    }
    let column = "command";
    let unit = sweep.command_unit.ok_or(MotorError::NoUnit { column, example: "command [%]" })?;
    let share = Unit::parse(unit, Some(Dimension::Ratio)).map_err(|_| MotorError::Unit {
        column,
        found: unit.to_owned(),
        expected: "a share of full strength: '-' or '%'",
    })?;
    let column = "response";
    let given = sweep.response_unit.ok_or(MotorError::NoUnit { column, example: "torque [Nm]" })?;
    let fits = [Dimension::Torque, Dimension::Angle, Dimension::AngularRate];
    if !fits.iter().any(|&d| Unit::parse(given, Some(d)).is_ok()) {
        return Err(MotorError::Unit {
            column,
            found: given.to_owned(),
            expected: "a torque, an angle or an angular rate, such as Nm, deg or deg/s",
        });
    }
    let mut rows: Vec<Row> = Vec::with_capacity(sweep.command.len());
    for (i, (&command, &response)) in sweep.command.iter().zip(sweep.response).enumerate() {
        let row = i + 1;
        if !(command.is_finite() && response.is_finite()) {
            return Err(MotorError::NotFinite { row });
        }
        let command = share.to_si(command);
        if command.abs() > 1.0 + 1e-9 {
            return Err(MotorError::Command { row, command, unit: unit.to_owned() });
        }
        let before = rows.last().filter(|b| b.command * command >= 0.0);
        let rising = before.and_then(|b| {
            let step = command.abs() - b.command.abs();
            if step.abs() > 1e-9 { Some(step > 0.0) } else { b.rising }
        });
        rows.push(Row { command, response, rising });
    }
    Ok((rows, given.to_owned()))
}

/// Half width of the window that smooths the response \[share of full strength\]. Within it a motor is straight to a few
/// ten-thousandths; common practice, no source.
const WINDOW: f64 = 0.06;
/// Part of the response next to the dead band, and next to full, that is taken as straight \[share\]; common practice, no
/// source.
const LOW_PART: f64 = 0.35;
const HIGH_PART: f64 = 0.6;
/// Finest step of the search for a break \[share of full strength\].
const BREAK_STEP: f64 = 0.001;
/// A saturation counts when the slope before it would have given this much more \[share of full response\].
const LEAST_LOSS: f64 = 0.01;
/// Dead bands below this are no dead band \[share\]: friction of any bearing. Common practice, no source.
const LEAST_DEAD_BAND: f64 = 0.005;

/// The response of one side.
#[derive(Debug)]
struct Curve {
    command: Vec<f64>,
    mean: Vec<f64>,
    count: Vec<f64>,
    response: Vec<f64>,
    dead_band: f64,
    /// Reading below the dead band.
    base: f64,
    saturation: Option<f64>,
    full: f64,
    /// Knots of the smoothed response, from the dead band to saturation or the last command.
    knots: (Vec<f64>, Vec<f64>),
}

impl Curve {
    fn new(rows: &[Row], side: &'static str) -> Result<Self, MotorError> {
        let mut sorted = rows.to_vec();
        sorted.sort_by(|a, b| a.command.total_cmp(&b.command));
        let groups: Vec<&[Row]> = sorted.chunk_by(|a, b| (a.command - b.command).abs() < 1e-9).collect();
        if groups.len() < FEWEST_COMMANDS {
            return Err(MotorError::TooFew { side, found: groups.len() });
        }
        let correlation = rank_correlation(&sorted);
        if correlation.is_nan() || correlation < LEAST_CORRELATION {
            return Err(MotorError::NotMonotone { side, correlation });
        }
        let command: Vec<f64> = groups.iter().map(|g| g[0].command).collect();
        let mean: Vec<f64> =
            groups.iter().map(|g| mean(&g.iter().map(|r| r.response).collect::<Vec<_>>())).collect();
        let count: Vec<f64> = groups.iter().map(|g| g.len() as f64).collect();
        let response = isotonic(&mean, Some(&count));
        let mut curve = Self {
            full: response[response.len() - 1],
            command,
            mean,
            count,
            response,
            dead_band: 0.0,
            base: 0.0,
            saturation: None,
            knots: (Vec::new(), Vec::new()),
        };
        curve.find_saturation();
        curve.find_dead_band();
        curve.smooth();
        Ok(curve)
    }

    fn top(&self) -> f64 {
        self.command[self.command.len() - 1]
    }

    /// Indices whose monotone response is within a band of shares of full.
    fn part(&self, from: f64, to: f64) -> Vec<usize> {
        let share = |i: usize| self.response[i] / self.full;
        (0..self.command.len()).filter(|&i| (from..=to).contains(&share(i))).collect()
    }

    /// `y = F − m·max(0, s − c)` over the upper part: the break `s` with the least squares.
    fn find_saturation(&mut self) {
        let part = self.part(HIGH_PART, 1.0);
        let Some(&first) = part.first() else { return };
        let top = self.top();
        let best = self.best_break(&part, self.command[first], top, |c, at| -(at - c).max(0.0), true);
        if let Some((at, full, slope)) = best
            && part.iter().filter(|&&i| self.command[i] > at).count() >= 3
            && slope * (top - at) > LEAST_LOSS * full
        {
            self.saturation = Some(at);
            self.full = full;
        } else {
            // The end of the line through the last commands: one noisy reading does not decide.
            self.full = self.line_to_the_end().unwrap_or(self.full);
        }
    }

    /// `y = base + m·max(0, c − b)` over the lower part. Nothing below the break, nothing to tell the base from: then it is 0.
    fn find_dead_band(&mut self) {
        let part = self.part(f64::NEG_INFINITY, LOW_PART);
        let Some(&last) = part.last() else { return };
        let with_base = self.best_break(&part, 0.0, self.command[last], |c, at| (c - at).max(0.0), true);
        let below = |at: f64| self.command.iter().filter(|&&c| c < at).count();
        match with_base {
            Some((at, base, _)) if below(at) >= 3 => {
                self.dead_band = at;
                self.base = base;
            }
            _ => {
                let without =
                    self.best_break(&part, 0.0, self.command[last], |c, at| (c - at).max(0.0), false);
                self.dead_band = without.map_or(0.0, |b| b.0);
            }
        }
        if self.dead_band < LEAST_DEAD_BAND {
            self.dead_band = 0.0;
        }
    }

    /// Break with the least squares of `constant + m·h + q·h²`, `h` the distance from the break: place, constant and slope
    /// there. The square takes up what the response bends.
    fn best_break(
        &self,
        part: &[usize],
        from: f64,
        to: f64,
        hinge: impl Fn(f64, f64) -> f64,
        constant: bool,
    ) -> Option<(f64, f64, f64)> {
        let steps = ((to - from) / BREAK_STEP).floor().max(0.0) as usize;
        let mean: Vec<f64> = part.iter().map(|&i| self.mean[i]).collect();
        let weights: Vec<f64> = part.iter().map(|&i| self.count[i]).collect();
        let mut best: Option<(f64, (f64, f64, f64))> = None;
        for k in 0..=steps {
            let at = from + k as f64 * BREAK_STEP;
            let h: Vec<f64> = part.iter().map(|&i| hinge(self.command[i], at)).collect();
            let mut columns = vec![h.clone(), h.iter().map(|h| h * h.abs()).collect()];
            if constant {
                columns.push(vec![1.0; part.len()]);
            }
            let Some(found) = least_squares(&columns, &mean, &weights) else { continue };
            // Monotone from the break to the end of the part.
            let reach = h.iter().fold(0.0, |m: f64, h| m.max(h.abs()));
            let (slope, bend) = (found[0], found[1]);
            let rises = slope >= 0.0 && slope + 2.0 * bend * reach >= 0.0;
            let error: f64 = (0..part.len())
                .map(|i| {
                    let y: f64 = found.iter().zip(&columns).map(|(b, c)| b * c[i]).sum();
                    weights[i] * (mean[i] - y).powi(2)
                })
                .sum();
            if rises && best.is_none_or(|(least, _)| error < least) {
                let at_end = slope * reach + bend * reach * reach;
                best = Some((error, (at, if constant { found[2] } else { 0.0 }, at_end / reach)));
            }
        }
        best.map(|b| b.1)
    }

    /// Value at the last command of the straight line through the commands near it.
    fn line_to_the_end(&self) -> Option<f64> {
        let top = self.top();
        let last: Vec<usize> =
            (0..self.command.len()).filter(|&i| top - self.command[i] < 2.0 * WINDOW).collect();
        let of = |f: &dyn Fn(usize) -> f64| last.iter().map(|&i| f(i)).collect::<Vec<f64>>();
        let columns = [of(&|_| 1.0), of(&|i| self.command[i] - top)];
        least_squares(&columns, &of(&|i| self.mean[i]), &of(&|i| self.count[i])).map(|b| b[0])
    }

    /// Local straight lines through the means between dead band and saturation, made monotone.
    fn smooth(&mut self) {
        let (from, to) = (self.dead_band, self.saturation.unwrap_or(self.top()));
        let pieces = ((to - from) / 0.005).ceil().max(2.0) as usize;
        let nodes: Vec<f64> = (0..=pieces).map(|k| from + (to - from) * k as f64 / pieces as f64).collect();
        let inside: Vec<usize> =
            (0..self.command.len()).filter(|&i| (from..=to).contains(&self.command[i])).collect();
        let net = self.full - self.base;
        let mut values: Vec<f64> = nodes.iter().map(|&c| self.local(&inside, c)).collect();
        let last = values.len() - 1;
        values[0] = 0.0;
        values[last] = net;
        for v in &mut values {
            *v = v.clamp(0.0, net);
        }
        self.knots = (nodes, isotonic(&values, None));
    }

    /// Response less the base at a command, by the line through the commands near it; wider where commands are sparse.
    fn local(&self, inside: &[usize], at: f64) -> f64 {
        let mut distance: Vec<f64> = inside.iter().map(|&i| (self.command[i] - at).abs()).collect();
        distance.sort_unstable_by(f64::total_cmp);
        let reach = distance.get(3).or(distance.last()).map_or(WINDOW, |d| (1.05 * d).max(WINDOW));
        let (mut s, mut sx, mut sxx, mut sy, mut sxy) = (0.0, 0.0, 0.0, 0.0, 0.0);
        for &i in inside {
            let x = self.command[i] - at;
            let w = self.count[i] * (1.0 - (x / reach).powi(2)).max(0.0);
            let y = self.mean[i] - self.base;
            s += w;
            sx += w * x;
            sxx += w * x * x;
            sy += w * y;
            sxy += w * x * y;
        }
        let det = s * sxx - sx * sx;
        if det > 1e-12 * s * sxx { (sxx * sy - sx * sxy) / det } else { sy / s }
    }

    /// Share of the full response at a command.
    fn share(&self, command: f64) -> f64 {
        let (x, y) = &self.knots;
        let net = y[y.len() - 1];
        if command <= x[0] {
            return 0.0;
        }
        let i = x.partition_point(|&k| k < command);
        if i >= x.len() {
            return 1.0;
        }
        (y[i - 1] + (y[i] - y[i - 1]) * (command - x[i - 1]) / (x[i] - x[i - 1])) / net
    }

    fn table(&self, points: usize) -> InverseTable {
        let (x, y) = &self.knots;
        let net = y[y.len() - 1];
        let wanted: Vec<f64> = (0..points).map(|k| k as f64 / (points - 1) as f64).collect();
        let command = wanted
            .iter()
            .map(|w| if *w == 0.0 { x[0] } else { inverse(x, y, w * net).unwrap_or(x[x.len() - 1]) })
            .collect();
        InverseTable { wanted, command }
    }

    /// Largest strength of those that are as straight as the straightest, and its error.
    fn most_linear(&self) -> (f64, f64) {
        let error = |strength: f64| {
            let full = self.share(strength);
            let line = |c: f64| (c - self.dead_band) / (strength - self.dead_band);
            (0..=100)
                .map(|k| self.dead_band + (strength - self.dead_band) * f64::from(k) / 100.0)
                .map(|c| (self.share(c) / full - line(c)).abs())
                .fold(0.0, f64::max)
        };
        let strengths = || (30..=100).map(|k| f64::from(k) / 100.0).filter(|&s| s <= self.top() + 1e-9);
        let errors: Vec<(f64, f64)> =
            strengths().filter(|s| self.share(*s) > 0.0).map(|s| (s, error(s))).collect();
        let least = errors.iter().map(|e| e.1).fold(f64::INFINITY, f64::min);
        let found = errors.iter().rev().find(|e| e.1 <= least + 0.005);
        found.copied().unwrap_or((self.top(), f64::NAN))
    }

    fn side(self, rows: &[Row], points: usize) -> Side {
        let net = self.full - self.base;
        let linearity_error = (0..=1000)
            .map(|k| self.top() * f64::from(k) / 1000.0)
            .map(|c| (self.share(c) - c / self.top()).abs())
            .fold(0.0, f64::max);
        Side {
            noise: noise(rows).map(|n| n / net),
            hysteresis: hysteresis(rows).map(|h| h / net),
            linearity_error,
            linearity_error_after: held_out(rows, points),
            dead_band: self.dead_band,
            saturation: self.saturation,
            full_response: net,
            command: self.command,
            mean_response: self.mean,
            response: self.response,
        }
    }
}

/// Largest error of a table made from every other reading of each command, on the curve of those left out.
fn held_out(rows: &[Row], points: usize) -> Option<f64> {
    let mut seen = std::collections::BTreeMap::<u64, usize>::new();
    let (mut made, mut judged) = (Vec::new(), Vec::new());
    for r in rows {
        let n = seen.entry((r.command * 1e9).round() as u64).or_default();
        if n.is_multiple_of(2) {
            made.push(*r);
        } else {
            judged.push(*r);
        }
        *n += 1;
    }
    let table = Curve::new(&made, "left").ok()?.table(points);
    let judge = Curve::new(&judged, "left").ok()?;
    let error = |k: i32| {
        let wanted = f64::from(k) / 1000.0;
        (judge.share(table.command_for(wanted)) - wanted).abs()
    };
    Some((0..=1000).map(error).fold(0.0, f64::max))
}

/// Readings of one command in one direction of sweep.
fn alike(rows: &[Row]) -> Vec<Vec<f64>> {
    let mut sorted = rows.to_vec();
    sorted.sort_by(|a, b| a.command.total_cmp(&b.command).then(a.rising.cmp(&b.rising)));
    sorted
        .chunk_by(|a, b| (a.command - b.command).abs() < 1e-9 && a.rising == b.rising)
        .map(|g| g.iter().map(|r| r.response).collect())
        .collect()
}

/// Pooled standard deviation of repeats.
fn noise(rows: &[Row]) -> Option<f64> {
    let groups: Vec<Vec<f64>> = alike(rows).into_iter().filter(|g| g.len() > 1).collect();
    let free: f64 = groups.iter().map(|g| g.len() as f64 - 1.0).sum();
    let sum: f64 = groups.iter().map(|g| sd(g).powi(2) * (g.len() as f64 - 1.0)).sum();
    (free > 0.0).then(|| (sum / free).sqrt())
}

/// Median over the commands of falling minus rising.
fn hysteresis(rows: &[Row]) -> Option<f64> {
    let mut sorted = rows.to_vec();
    sorted.sort_by(|a, b| a.command.total_cmp(&b.command));
    let of = |g: &[Row], rising: bool| {
        let v: Vec<f64> = g.iter().filter(|r| r.rising == Some(rising)).map(|r| r.response).collect();
        (!v.is_empty()).then(|| mean(&v))
    };
    let gaps: Vec<f64> = sorted
        .chunk_by(|a, b| (a.command - b.command).abs() < 1e-9)
        .filter_map(|g| Some(of(g, false)? - of(g, true)?))
        .collect();
    (gaps.len() >= FEWEST_COMMANDS / 2).then(|| median(&gaps))
}

/// Spearman's rank correlation, ties at their middle rank, of rows sorted by command.
fn rank_correlation(rows: &[Row]) -> f64 {
    let rank = |value: &dyn Fn(&Row) -> f64| -> Vec<f64> {
        let mut order: Vec<usize> = (0..rows.len()).collect();
        order.sort_by(|&a, &b| value(&rows[a]).total_cmp(&value(&rows[b])));
        let mut ranks = vec![0.0; rows.len()];
        let mut begin = 0;
        for ties in order.chunk_by(|&a, &b| value(&rows[a]) == value(&rows[b])) {
            for &i in ties {
                ranks[i] = begin as f64 + 0.5 * (ties.len() as f64 - 1.0);
            }
            begin += ties.len();
        }
        ranks
    };
    let (a, b) = (rank(&|r| r.command), rank(&|r| r.response));
    let (ma, mb) = (mean(&a), mean(&b));
    let cov: f64 = a.iter().zip(&b).map(|(x, y)| (x - ma) * (y - mb)).sum();
    cov / ((a.len() as f64 - 1.0) * sd(&a) * sd(&b))
}

/// Linearity error that hands do not notice, and one that hides what the car says \[share\]. Common practice, no source.
const LINEAR: f64 = 0.03;
const CROOKED: f64 = 0.25;

fn findings(sides: &[&Side], balance: Option<f64>, minimum_force: f64, strength: f64) -> Vec<Finding> {
    let percent = |x: f64| 100.0 * x;
    let mut found = Vec::new();
    let error = largest(sides.iter().map(|s| s.linearity_error));
    let why = "What the motor bends, the hands feel bent: small forces before the limit vanish, and the driver finds the limit late.";
    found.push(if error <= LINEAR {
        Finding::passed(
            format!("The motor answers in proportion, {:.1} % off at worst.", percent(error)),
            why,
        )
    } else {
        let after = largest(sides.iter().filter_map(|s| s.linearity_error_after));
        let promise =
            if after.is_finite() { format!(" It leaves {:.1} %.", percent(after)) } else { String::new() };
        Finding::fault(
            if error > CROOKED { Verdict::Stop } else { Verdict::Improve },
            format!("The motor is {:.1} % of full response off a straight line.", percent(error)),
            why,
            format!(
                "Load the inverse table, or drive at {:.0} % strength where it is straightest.{promise}",
                percent(strength)
            ),
            "Make the sweep again with the table in use: the linearity error must be below 1 to 3 %.",
        )
    });
    if minimum_force > 0.0 {
        found.push(Finding::fault(
            if minimum_force > 0.15 { Verdict::Stop } else { Verdict::Improve },
            format!("Commands below {:.1} % move nothing.", percent(minimum_force)),
            "The forces around straight ahead, which tell that the front tyres let go, are the small ones.",
            format!(
                "Set the minimum force to {:.1} %, or load the inverse table, which holds it; never both.",
                percent(minimum_force)
            ),
            "Hands off on a straight: the wheel must not shake by itself. If it does, take a tenth off.",
        ));
    }
    if let Some(at) = sides.iter().filter_map(|s| s.saturation).reduce(f64::min) {
        found.push(Finding::fault(
            Verdict::Improve,
            format!("From {:.0} % of the command on nothing more comes.", percent(at)),
            "All forces of a loaded corner feel alike from there on.",
            format!("Lower the strength to {:.0} %, or load the inverse table.", percent(at)),
            "Make the sweep again: the response must grow to the last command.",
        ));
    }
    if let Some(h) =
        sides.iter().filter_map(|s| s.hysteresis).map(f64::abs).reduce(f64::max).filter(|h| *h > 0.05)
    {
        found.push(Finding::fault(
            Verdict::Improve,
            format!("Falling and rising commands differ by {:.1} % of full response.", percent(h)),
            "Friction or a warm motor: the same corner does not feel the same twice.",
            "Check belt or gear mesh and cooling; let the motor rest a minute between sweeps.",
            "Make the sweep again after the change: the difference must shrink.",
        ));
    }
    if let Some(b) = balance.filter(|b| *b < 0.95) {
        found.push(Finding::fault(
            Verdict::Improve,
            format!("One side answers {:.1} % weaker than the other.", percent(1.0 - b)),
            "Left and right corners feel different though the car does the same.",
            "Centre the wheel, check its balance and its cable, and sweep again.",
            "The full responses of both sides must be within 5 %.",
        ));
    }
    found
}
