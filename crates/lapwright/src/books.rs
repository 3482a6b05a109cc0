//! The desk's questions, answered by the workshop.

use desk::{Books, Refusal, RefusalKind};
use workshop::{Comparison, Fault, LapEntry, Ledger, LibraryAnswer, Workshop, WorkshopError};

/// An open workshop as the desk sees it.
#[derive(Debug)]
pub(crate) struct OpenBooks(pub(crate) Workshop);

impl Books for OpenBooks {
    type Library = LibraryAnswer;
    type Laps = Vec<LapEntry>;
    type Ledger = Ledger;
    type Comparison = Comparison;

    fn library(&self) -> Result<LibraryAnswer, Refusal> {
        self.0.library().map_err(refusal)
    }

    fn laps(&self) -> Result<Vec<LapEntry>, Refusal> {
        self.0.laps(None).map_err(refusal)
    }

    fn ledger(&self, lap: &str, against: &str) -> Result<Ledger, Refusal> {
        self.0.ledger(lap, against).map_err(refusal)
    }

    fn comparison(&self, lap: &str, against: &str) -> Result<Comparison, Refusal> {
        self.0.comparison(lap, against).map_err(refusal)
    }
}

#[allow(clippy::needless_pass_by_value, reason = "the shape that map_err wants")]
fn refusal(error: WorkshopError) -> Refusal {
    let kind = match error.fault() {
        Fault::NotFound => RefusalKind::NotFound,
        Fault::Input => RefusalKind::BadRequest,
        Fault::Internal => RefusalKind::Internal,
    };
    Refusal { kind, sentence: error.to_string() }
}
