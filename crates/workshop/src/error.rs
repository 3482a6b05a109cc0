//! Why a use case did not come to an answer.

use ledger::LedgerError;
use library::LibraryError;
use recording::{MapError, ReadError};
use std::io::ErrorKind;
use track::{CircuitError, LapError, TraceError};
use vehicle::CarError;

/// Whose mistake an error is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Fault {
    /// What was named does not exist.
    NotFound,
    /// The call or its input cannot be used as it is.
    Input,
    /// Something broke on this side.
    Internal,
}

/// A use case that was refused or failed. Nothing is changed when one is returned.
#[derive(Debug, thiserror::Error)]
pub enum WorkshopError {
    /// The library refused.
    #[error(transparent)]
    Library(#[from] LibraryError),
    /// The recording cannot be read.
    #[error(transparent)]
    Read(#[from] ReadError),
    /// The map cannot be used.
    #[error("{file}: {source}")]
    Map {
        /// The map file.
        file: String,
        /// What is wrong with it.
        source: MapError,
    },
    /// The file of a map cannot be read.
    #[error("{file}: cannot be opened ({source}); check the path and whether you may read it")]
    MapFile {
        /// The map file.
        file: String,
        /// The cause.
        source: std::io::Error,
    },
    /// A file name that tells no format.
    #[error("{0}: the name should end in .csv, .parquet or .mf4, which tells the format")]
    ExportEnding(String),
    /// A file that cannot be written.
    #[error("{file}: cannot be written ({source}); check the folder and whether you may write there")]
    ExportFile {
        /// The file.
        file: String,
        /// The cause.
        source: std::io::Error,
    },
    /// An export that cannot be made.
    #[error("{file}: {source}")]
    Export {
        /// The file.
        file: String,
        /// Why.
        source: recording::export::ExportError,
    },
    /// A sign that cannot be turned.
    #[error("{file}: {source}")]
    Fix {
        /// The recording.
        file: String,
        /// Why.
        source: recording::consistency::FixError,
    },
    /// A source profile cannot be written.
    #[error("{file}: the source profile cannot be written ({source}); the recording itself is kept")]
    Profile {
        /// The profile.
        file: String,
        /// The cause.
        source: std::io::Error,
    },
    /// No lap can be told.
    #[error("{file}: {source}")]
    Laps {
        /// The recording.
        file: String,
        /// Why.
        source: LapError,
    },
    /// No circuit can be drawn.
    #[error("{file}: {source}")]
    Circuit {
        /// The recording.
        file: String,
        /// Why.
        source: CircuitError,
    },
    /// The laps are not on the circuit that was named.
    #[error(
        "{file}: {source}. Give another name with --circuit, or leave it out to have the circuit found by its shape"
    )]
    NotThere {
        /// The recording.
        file: String,
        /// How it was noticed.
        source: TraceError,
    },
    /// A circuit of the library cannot be read.
    #[error(
        "circuit '{name}' of the library is damaged ({source}); remove it and import one of its recordings again"
    )]
    StoredCircuit {
        /// Its name.
        name: String,
        /// The cause.
        source: serde_json::Error,
    },
    /// The lap has no time to compare.
    #[error("lap {id} is {kind} and has no lap time to compare; {other}")]
    NotTimed {
        /// The lap.
        id: String,
        /// Its kind in words.
        kind: String,
        /// What to ask for instead.
        other: String,
    },
    /// The recording's laps are on no circuit.
    #[error(
        "lap {0} lies on no circuit: its recording held no complete lap with positions, or a lap distance and yaw rate"
    )]
    NoCircuit(String),
    /// Two circuits.
    #[error(
        "{lap} was driven on '{lap_circuit}' and {reference} on '{reference_circuit}'; only laps of one circuit can be compared"
    )]
    TwoCircuits {
        /// The lap.
        lap: String,
        /// Its circuit.
        lap_circuit: String,
        /// The reference.
        reference: String,
        /// Its circuit.
        reference_circuit: String,
    },
    /// Nothing to compare with.
    #[error(
        "there is no other valid timed lap of {what} in the library to measure {lap} against; import one, or name the lap to measure against"
    )]
    NoReference {
        /// The lap.
        lap: String,
        /// Circuit and car.
        what: String,
    },
    /// The lap cannot be laid over its circuit.
    #[error("{id}: {source}")]
    Trace {
        /// The lap.
        id: String,
        /// Why.
        source: TraceError,
    },
    /// The two laps cannot be accounted for.
    #[error("{lap} against {reference}: {source}")]
    Ledger {
        /// The lap.
        lap: String,
        /// The reference.
        reference: String,
        /// Why.
        source: LedgerError,
    },
    /// The demo would mix with real drives.
    #[error(
        "the library at {folder} holds recordings of your own ({example}); give the demo a folder of its own with --library"
    )]
    NotADemo {
        /// The folder.
        folder: String,
        /// One of them.
        example: String,
    },
    /// The simulation failed.
    #[error(transparent)]
    Demo(#[from] demo::DemoError),
    /// A file of the call cannot be read.
    #[error("{file}: cannot be read ({source}); check the path and whether you may read it")]
    File {
        /// The file.
        file: String,
        /// The cause.
        source: std::io::Error,
    },
    /// A car file that cannot be used.
    #[error("{file}: {source}")]
    Car {
        /// The car file.
        file: String,
        /// The field and the reason.
        source: CarError,
    },
    /// The question is about a full car.
    #[error(
        "{0}: this question needs a full car, and the file holds a [grip_ellipse]; docs/car-file.md says what a full car states"
    )]
    NotAFullCar(String),
    /// A circuit file that cannot be used.
    #[error("{file}: {source}")]
    CircuitFile {
        /// The circuit file.
        file: String,
        /// The row and the reason.
        source: limit::CircuitError,
    },
    /// A circuit of the library without borders.
    #[error(
        "circuit '{0}' was drawn from driven laps and has no borders, so there is no room to find a line in; keep a circuit file with widths under a name of its own (`lapwright circuit keep`), and import the recordings onto it"
    )]
    NoBorders(String),
    /// Neither a file nor a circuit of the library.
    #[error("'{name}' is neither a file nor a circuit of the library (circuits there: {known})")]
    NeitherFileNorCircuit {
        /// As named.
        name: String,
        /// Circuits of the library, in words.
        known: String,
    },
    /// A file of points for a line that cannot be used.
    #[error("{file}: line {line}: expected two numbers, x and y in metres, found '{found}'")]
    LineFile {
        /// The file.
        file: String,
        /// Line, from 1.
        line: usize,
        /// As found.
        found: String,
    },
    /// No limit lap.
    #[error("{circuit} with {car}: {source}")]
    Limit {
        /// The circuit.
        circuit: String,
        /// The car.
        car: String,
        /// Why.
        source: limit::LimitError,
    },
    /// The car as it is has no limit lap to compare with.
    #[error(
        "{circuit} with {car}: the limit lap of the car as it is did not converge, so no change can be priced against it"
    )]
    NoBase {
        /// The circuit.
        circuit: String,
        /// The car.
        car: String,
    },
    /// A car file without a name.
    #[error("{0}: the car has no name; write name = \"…\" at its top, or give one with --name")]
    NamelessCar(String),
    /// No car file for the car of a lap.
    #[error(
        "the library has no car file for '{0}', and the limit lap needs one; keep it with `lapwright car keep CAR.toml`"
    )]
    NoCarFile(String),
    /// A circuit that recordings lie on.
    #[error(
        "recording '{recording}' lies on a circuit '{name}' already, and its corners would change; choose another name"
    )]
    CircuitTaken {
        /// The circuit.
        name: String,
        /// One of its recordings.
        recording: String,
    },
    /// The limit lap has no trace.
    #[error("the limit lap cannot be laid over the circuit: {0}")]
    LimitTrace(String),
    /// A rig check refused its options or the values of its channels.
    #[error("{0}")]
    Rig(String),
    /// The table of levers inside the program.
    #[error("the program's own table of levers cannot be read ({0}); this is a fault of the program")]
    Levers(String),
    /// A value that has no JSON form.
    #[error("an answer has no JSON form: {0}")]
    Json(#[from] serde_json::Error),
}

impl WorkshopError {
    /// Whose mistake it is; decides exit code and HTTP status.
    #[must_use]
    pub fn fault(&self) -> Fault {
        match self {
            Self::Library(e) => match e {
                LibraryError::NoRecording { .. }
                | LibraryError::NoLap { .. }
                | LibraryError::NoCircuit { .. }
                | LibraryError::NotInTrash { .. }
                | LibraryError::NoLibrary(_) => Fault::NotFound,
                // A folder that this user may not write to is a matter of the call, a failing disk is not.
                LibraryError::Io { source, .. } if source.kind() == ErrorKind::PermissionDenied => {
                    Fault::Input
                }
                LibraryError::Damaged { .. }
                | LibraryError::Io { .. }
                | LibraryError::NoSpace(_)
                | LibraryError::Busy(_)
                | LibraryError::BeingChanged(_)
                | LibraryError::MissingFile(_)
                | LibraryError::DamagedFile { .. }
                | LibraryError::Catalogue { .. } => Fault::Internal,
                _ => Fault::Input,
            },
            Self::StoredCircuit { .. } | Self::Ledger { .. } | Self::Demo(_) | Self::Json(_) => {
                Fault::Internal
            }
            _ => Fault::Input,
        }
    }
}
