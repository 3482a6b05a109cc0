//! Two laps over one circuit: the ledger, and the traces behind it.

use crate::import::as_lap;
use crate::limits::LIMIT;
use crate::{
    Borders, CircuitDrawing, Comparison, LapColumns, Ledger, PhaseSpan, Polyline, Workshop, WorkshopError,
};
use channels::Channel;
use ledger::{Both, Certainty};
use library::{LapEntry, LapKind};
use std::collections::VecDeque;
use std::sync::{Arc, Mutex, PoisonError};
use track::trace::lap_trace;
use track::{Circuit, LapTrace};

/// The word that stands for the fastest other lap.
const BEST: &str = "best";
/// Traces that are kept in memory: two evenings of comparing; about 1 MB each.
const KEPT_TRACES: usize = 32;

/// The traces that were asked for last.
#[derive(Debug, Default)]
pub(crate) struct Traces(Mutex<VecDeque<(TraceKey, Arc<LapTrace>)>>);

/// A lap of one recording as it was imported, or the limit lap of one car file: a name that is used again does not bring
/// back an old trace.
#[derive(Debug, Clone, PartialEq)]
struct TraceKey {
    id: String,
    content: library::Digest,
    circuit: String,
}

impl Traces {
    fn find(&self, key: &TraceKey) -> Option<Arc<LapTrace>> {
        let kept = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        kept.iter().find(|(k, _)| k == key).map(|(_, t)| Arc::clone(t))
    }

    fn keep(&self, key: TraceKey, trace: &Arc<LapTrace>) {
        let mut kept = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        kept.push_front((key, Arc::clone(trace)));
        kept.truncate(KEPT_TRACES);
    }
}

/// What a question about two laps comes down to.
struct Question {
    circuit: Circuit,
    laps: Both<Driven>,
}

/// A lap laid over the circuit, or the limit lap.
struct Driven {
    id: String,
    driver: Option<String>,
    trace: Arc<LapTrace>,
}

impl Workshop {
    /// Where the gap between `lap` and `against` went; `against` is a lap, `best`, the fastest valid lap of the same
    /// circuit and car but this one, or `limit`, the limit lap of the car.
    ///
    /// # Errors
    /// [`WorkshopError`] when a lap does not exist or has no time, or the two lie on different circuits.
    pub fn ledger(&self, lap: &str, against: &str) -> Result<Ledger, WorkshopError> {
        account(&self.question(lap, against)?)
    }

    /// The traces behind [`Workshop::ledger`], node by node.
    ///
    /// # Errors
    /// As [`Workshop::ledger`].
    pub fn comparison(&self, lap: &str, against: &str) -> Result<Comparison, WorkshopError> {
        let question = self.question(lap, against)?;
        let ledger = account(&question)?;
        let Question { circuit, laps } = &question;
        let gap_s =
            ledger::running_gap(&laps.lap.trace, &laps.reference.trace).map_err(|e| unaccounted(laps, e))?;
        let phases = ledger.phases.iter().map(|e| PhaseSpan {
            corner: e.corner.clone(),
            phase: e.phase,
            from_m: e.from_m,
            to_m: e.to_m,
        });
        let s_m = &laps.lap.trace.s_m;
        Ok(Comparison {
            circuit: drawing(circuit, s_m),
            s_m: drawn(s_m),
            lap: columns(circuit, &laps.lap),
            reference: columns(circuit, &laps.reference),
            gap_s: drawn(&gap_s),
            phases: phases.collect(),
        })
    }

    fn question(&self, lap: &str, against: &str) -> Result<Question, WorkshopError> {
        let lap = self.timed(lap)?;
        let name = circuit_of(&lap)?;
        let circuit = self.circuit(name)?;
        let reference = match against {
            LIMIT => {
                let trace = self.limit_of(&lap, &circuit)?;
                Driven { id: LIMIT.to_owned(), driver: None, trace }
            }
            _ => {
                let reference = if against == BEST { self.best_but(&lap)? } else { self.timed(against)? };
                let other = circuit_of(&reference)?;
                if name != other {
                    return Err(WorkshopError::TwoCircuits {
                        lap: lap.id.to_string(),
                        lap_circuit: name.to_owned(),
                        reference: reference.id.to_string(),
                        reference_circuit: other.to_owned(),
                    });
                }
                self.driven(&reference, &circuit)?
            }
        };
        let lap = self.driven(&lap, &circuit)?;
        Ok(Question { circuit, laps: Both { lap, reference } })
    }

    fn driven(&self, lap: &LapEntry, circuit: &Circuit) -> Result<Driven, WorkshopError> {
        let trace = self.trace(lap, circuit)?;
        Ok(Driven { id: lap.id.to_string(), driver: lap.driver.clone(), trace })
    }

    /// A lap that has a time.
    fn timed(&self, id: &str) -> Result<LapEntry, WorkshopError> {
        let lap = self.library.lap(id)?;
        if lap.kind == LapKind::Timed {
            return Ok(lap);
        }
        let laps = self.library.laps_of(&lap.recording)?;
        let timed: Vec<_> =
            laps.iter().filter(|l| l.kind == LapKind::Timed).map(|l| l.id.to_string()).collect();
        Err(WorkshopError::NotTimed {
            id: lap.id.to_string(),
            kind: match lap.kind {
                LapKind::Out => "an out-lap",
                LapKind::In => "an in-lap",
                _ => "incomplete",
            }
            .to_owned(),
            other: match timed.as_slice() {
                [] => "its recording has no timed lap".to_owned(),
                ids => format!("timed laps of its recording are {}", ids.join(", ")),
            },
        })
    }

    /// The fastest valid lap of the same circuit and car, this one left out: a lap has nothing to learn from itself.
    fn best_but(&self, lap: &LapEntry) -> Result<LapEntry, WorkshopError> {
        let fits = |l: &LapEntry| {
            l.id != lap.id
                && l.valid
                && l.kind == LapKind::Timed
                && l.circuit == lap.circuit
                && l.car == lap.car
        };
        let time = |l: &LapEntry| l.lap_time_s.unwrap_or(f64::INFINITY);
        let best = self.library.laps()?.into_iter().filter(fits).min_by(|a, b| time(a).total_cmp(&time(b)));
        best.ok_or_else(|| WorkshopError::NoReference {
            lap: lap.id.to_string(),
            what: match (&lap.circuit, &lap.car) {
                (Some(circuit), Some(car)) => format!("'{circuit}' with '{car}'"),
                (Some(circuit), None) => format!("'{circuit}' with an unnamed car"),
                _ => "this circuit".to_owned(),
            },
        })
    }

    /// The limit lap of the car that the lap was driven in.
    fn limit_of(&self, lap: &LapEntry, circuit: &Circuit) -> Result<Arc<LapTrace>, WorkshopError> {
        let toml = lap.car.as_deref().map(|c| self.library.car(c)).transpose()?.flatten();
        let key = TraceKey {
            id: LIMIT.to_owned(),
            content: library::Digest::of_bytes(toml.unwrap_or_default().as_bytes()),
            circuit: circuit.name.clone(),
        };
        if let Some(trace) = self.traces.find(&key) {
            return Ok(trace);
        }
        let trace = Arc::new(self.limit_trace(circuit, lap.car.as_deref())?);
        self.traces.keep(key, &trace);
        Ok(trace)
    }

    fn trace(&self, lap: &LapEntry, circuit: &Circuit) -> Result<Arc<LapTrace>, WorkshopError> {
        let content = self.library.recording(&lap.recording)?.content_sha256;
        let key = TraceKey { id: lap.id.to_string(), content, circuit: circuit.name.clone() };
        if let Some(trace) = self.traces.find(&key) {
            return Ok(trace);
        }
        let samples = self.library.samples(&lap.recording)?;
        let trace = lap_trace(&samples, &as_lap(lap), circuit)
            .map_err(|source| WorkshopError::Trace { id: lap.id.to_string(), source })?;
        let trace = Arc::new(trace);
        self.traces.keep(key, &trace);
        Ok(trace)
    }
}

fn circuit_of(lap: &LapEntry) -> Result<&str, WorkshopError> {
    lap.circuit.as_deref().ok_or_else(|| WorkshopError::NoCircuit(lap.id.to_string()))
}

fn account(question: &Question) -> Result<Ledger, WorkshopError> {
    let Question { circuit, laps } = question;
    let names = Both { lap: laps.lap.id.as_str(), reference: laps.reference.id.as_str() };
    let mut ledger = ledger::ledger(circuit, &laps.lap.trace, &laps.reference.trace, names)
        .map_err(|e| unaccounted(laps, e))?;
    if laps.reference.id == LIMIT {
        // The limit lap has no feet: its pedals are computed, so which cause took the time is told, but not proven.
        for entry in &mut ledger.entries {
            entry.certainty = Certainty::Open;
        }
    }
    Ok(ledger)
}

fn unaccounted(laps: &Both<Driven>, source: ledger::LedgerError) -> WorkshopError {
    WorkshopError::Ledger { lap: laps.lap.id.clone(), reference: laps.reference.id.clone(), source }
}

fn drawing(circuit: &Circuit, s_m: &[f64]) -> CircuitDrawing {
    let polyline = |offset: &dyn Fn(f64) -> f64| {
        let (x, y): (Vec<f64>, Vec<f64>) = s_m.iter().map(|&s| circuit.point_beside(s, offset(s))).unzip();
        Polyline { x_m: drawn(&x), y_m: drawn(&y) }
    };
    let borders = circuit.has_borders().then(|| {
        let width = |s: f64| circuit.widths(s).unwrap_or_default();
        let left = polyline(&|s| width(s).0);
        let right = polyline(&|s| -width(s).1);
        Borders { left_x_m: left.x_m, left_y_m: left.y_m, right_x_m: right.x_m, right_y_m: right.y_m }
    });
    CircuitDrawing {
        name: circuit.name.clone(),
        length_m: circuit.length_m(),
        map: polyline(&|_| 0.0),
        borders,
    }
}

/// Digits that a trace is drawn with: a tenth of a millimetre, of a millisecond, of a thousandth of a pedal. Values that
/// are accounted with are never rounded.
const DRAWN: f64 = 1e4;

/// Values as they are drawn; saves two thirds of the bytes.
fn drawn(values: &[f64]) -> Vec<f64> {
    values.iter().map(|v| (v * DRAWN).round() / DRAWN).collect()
}

fn columns(circuit: &Circuit, lap: &Driven) -> LapColumns {
    let trace = &lap.trace;
    let column = |channel| trace.channels.get(&channel).map(|v| drawn(v));
    // Where the recording has no positions the driven line is drawn on the centre line.
    let beside = |(&s, &n): (&f64, &f64)| circuit.point_beside(s, if n.is_finite() { n } else { 0.0 });
    let (x_m, y_m): (Vec<f64>, Vec<f64>) = trace.s_m.iter().zip(&trace.offset_m).map(beside).unzip();
    LapColumns {
        id: lap.id.clone(),
        driver: lap.driver.clone(),
        lap_time_s: trace.time_s.last().copied().unwrap_or(f64::NAN),
        time_s: drawn(&trace.time_s),
        x_m: drawn(&x_m),
        y_m: drawn(&y_m),
        offset_m: drawn(&trace.offset_m),
        speed_mps: column(Channel::Speed),
        brake: column(Channel::Brake),
        throttle: column(Channel::Throttle),
        steering_wheel_angle_rad: column(Channel::SteeringWheelAngle),
        gear: column(Channel::Gear),
    }
}
