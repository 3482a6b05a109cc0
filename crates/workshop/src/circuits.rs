//! Which circuit a recording was driven on.
//!
//! A circuit is drawn once, from the first recording on it, and kept: corner numbers stay the same from day to day.

use crate::{Workshop, WorkshopError};
use channels::Samples;
use track::trace::lap_trace;
use track::{Circuit, Lap, LapKind};

/// A lap lies on a circuit when its line stays within this of the centre line for nine tenths of the way \[m\].
/// Common practice, no source: wider than any road that is raced on, narrower than the distance between two circuits.
const SAME_ROAD_M: f64 = 15.0;

impl Workshop {
    /// A circuit of the library.
    pub(crate) fn circuit(&self, name: &str) -> Result<Circuit, WorkshopError> {
        let json = self.library.circuit(name)?;
        serde_json::from_str(&json)
            .map_err(|source| WorkshopError::StoredCircuit { name: name.to_owned(), source })
    }

    /// The circuit of the library that the laps lie on, by shape.
    pub(crate) fn circuit_by_shape(
        &self,
        samples: &Samples,
        laps: &[Lap],
    ) -> Result<Option<Circuit>, WorkshopError> {
        for name in self.library.circuits()? {
            let circuit = self.circuit(&name)?;
            if laps_lie_on(samples, laps, &circuit) {
                return Ok(Some(circuit));
            }
        }
        Ok(None)
    }

    /// A name that no circuit has yet.
    pub(crate) fn unused_circuit_name(&self) -> Result<String, WorkshopError> {
        let taken = self.library.circuits()?;
        let mut names = (1..).map(|n| format!("circuit {n}"));
        Ok(names.find(|n| !taken.contains(n)).unwrap_or_default())
    }
}

/// Whether the first complete lap follows the circuit. Without positions a shape cannot be told.
fn laps_lie_on(samples: &Samples, laps: &[Lap], circuit: &Circuit) -> bool {
    let Some(lap) = laps.iter().find(|l| l.kind == LapKind::Timed) else { return false };
    let Ok(trace) = lap_trace(samples, lap, circuit) else { return false };
    let near = trace.offset_m.iter().filter(|n| n.abs() < SAME_ROAD_M).count();
    near * 10 >= trace.offset_m.len() * 9
}
