//! Where the values come from.

use serde::Serialize;

/// The library as the desk sees it: four questions, each answered with a value that turns into JSON.
///
/// The methods may take long and may block: the desk calls them on a thread for such work. They are called from several
/// threads at once. The JSON is the one of the command line's `--json`; numbers that are not finite become null.
pub trait Books: Send + Sync + 'static {
    /// `{name, recordings: [{name, driver, car, circuit, source, imported_at, duration_s, laps, note}]}`.
    type Library: Serialize;
    /// `[{id, recording, driver, car, circuit, lap_number, kind, lap_time_s, valid, notes}]`.
    type Laps: Serialize;
    /// `{lap, reference, gap_s, corners: […], entries: […]}`.
    type Ledger: Serialize;
    /// `{circuit, s_m, lap, reference, gap_s, phases}`, columns over the nodes of the circuit.
    type Comparison: Serialize;

    /// What the library holds.
    ///
    /// # Errors
    /// A [`Refusal`] when it cannot be read.
    fn library(&self) -> Result<Self::Library, Refusal>;

    /// All laps, of every kind.
    ///
    /// # Errors
    /// A [`Refusal`] when they cannot be read.
    fn laps(&self) -> Result<Self::Laps, Refusal>;

    /// The account of `lap` (an id, `RECORDING:NUMBER`) against `against` (an id or `best`).
    ///
    /// # Errors
    /// A [`Refusal`] when a lap does not exist, or the two cannot be compared.
    fn ledger(&self, lap: &str, against: &str) -> Result<Self::Ledger, Refusal>;

    /// The traces of the same two laps.
    ///
    /// # Errors
    /// As [`Books::ledger`].
    fn comparison(&self, lap: &str, against: &str) -> Result<Self::Comparison, Refusal>;
}

/// Whose mistake a refusal is; decides the status of the answer.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum RefusalKind {
    /// What was named does not exist: 404.
    NotFound,
    /// The question cannot be answered as it was put: 400.
    BadRequest,
    /// Something broke on this side: 500.
    Internal,
}

/// Why there is no answer, in a sentence that says what to do; the page shows it as it stands.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{sentence}")]
pub struct Refusal {
    /// Whose mistake it is.
    pub kind: RefusalKind,
    /// What was found, what was expected, what to do.
    pub sentence: String,
}

impl Refusal {
    /// What was named does not exist.
    pub fn not_found(sentence: impl Into<String>) -> Self {
        Self { kind: RefusalKind::NotFound, sentence: sentence.into() }
    }

    /// The question cannot be answered as it was put.
    pub fn bad_request(sentence: impl Into<String>) -> Self {
        Self { kind: RefusalKind::BadRequest, sentence: sentence.into() }
    }

    /// Something broke on this side.
    pub fn internal(sentence: impl Into<String>) -> Self {
        Self { kind: RefusalKind::Internal, sentence: sentence.into() }
    }
}
