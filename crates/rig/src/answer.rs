//! What every check answers with.

use channels::Channel;
use serde::Serialize;

/// How a check came out, from good to bad.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Verdict {
    /// Nothing to do.
    Passed,
    /// Works, and something is to be gained.
    Improve,
    /// Put this right before anything else is judged: what is measured with it is not to be trusted, or it can hurt.
    Stop,
}

/// One thing that was found, in sentences.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Finding {
    /// How bad it is.
    pub verdict: Verdict,
    /// What was found, with its number.
    pub sentence: String,
    /// Why it matters, in lap time or injury.
    pub why: String,
    /// What to change; empty when passed.
    pub change: String,
    /// How to see that the change worked; empty when passed.
    pub proof: String,
}

impl Finding {
    pub(crate) fn passed(sentence: impl Into<String>, why: &str) -> Self {
        Self {
            verdict: Verdict::Passed,
            sentence: sentence.into(),
            why: why.to_owned(),
            change: String::new(),
            proof: String::new(),
        }
    }

    pub(crate) fn fault(
        verdict: Verdict,
        sentence: impl Into<String>,
        why: &str,
        change: impl Into<String>,
        proof: &str,
    ) -> Self {
        Self {
            verdict,
            sentence: sentence.into(),
            why: why.to_owned(),
            change: change.into(),
            proof: proof.to_owned(),
        }
    }
}

/// A warning that belongs beside an answer.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Caution {
    /// Strong wheelbases.
    StrongWheel,
    /// Heavy pedals.
    HeavyPedals,
    /// Long sessions and wide views.
    Breaks,
    /// Real cars.
    SimulatorsOnly,
}

impl Caution {
    /// The warning as a sentence. Common practice, no source.
    #[must_use]
    pub fn sentence(self) -> &'static str {
        match self {
            Self::StrongWheel => {
                "Strong wheelbases can hurt hands and wrists: hands off at power-up, start at low gain, thumbs outside the \
                 spokes, remove loose cuffs, and know where the off switch is."
            }
            Self::HeavyPedals => {
                "Pedals of 100 kgf and more need a bolted frame and a seat that does not give way; stop when a knee or the back hurts."
            }
            Self::Breaks => {
                "Take a break every half hour against strain; stop at the first sign of motion sickness, and change the view in small steps."
            }
            Self::SimulatorsOnly => {
                "This advice is for simulators. On a real car follow the maker's data, local rules and qualified people."
            }
        }
    }
}

/// A channel that would let the check say more.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Unlock {
    /// The channel that is missing.
    pub channel: Channel,
    /// What it would add.
    pub adds: String,
}

impl Unlock {
    pub(crate) fn new(channel: Channel, adds: &str) -> Self {
        Self { channel, adds: adds.to_owned() }
    }
}

/// The answer of a check with its numbers `N`.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Answer<N> {
    /// The worst of the findings.
    pub verdict: Verdict,
    /// Everything that was measured.
    pub numbers: N,
    /// What was found, the worst first.
    pub findings: Vec<Finding>,
    /// Warnings to show beside it.
    pub cautions: Vec<Caution>,
    /// Channels that would add to it.
    pub unlocks: Vec<Unlock>,
}

impl<N> Answer<N> {
    pub(crate) fn new(
        numbers: N,
        mut findings: Vec<Finding>,
        cautions: &[Caution],
        unlocks: Vec<Unlock>,
    ) -> Self {
        findings.sort_by_key(|f| std::cmp::Reverse(f.verdict));
        let verdict = findings.first().map_or(Verdict::Passed, |f| f.verdict);
        Self { verdict, numbers, findings, cautions: cautions.to_vec(), unlocks }
    }
}

/// An answer, or what is needed for one.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[serde(tag = "outcome", rename_all = "snake_case")]
pub enum Outcome<N> {
    /// The check could be made.
    Answered(Answer<N>),
    /// The recording does not hold what the check needs.
    NotEnough {
        /// What is missing and what to do, as a sentence.
        sentence: String,
        /// Channels of which one, or all as the sentence says, would unlock the check.
        channels: Vec<Channel>,
    },
}

impl<N> Outcome<N> {
    /// The answer, if there is one.
    #[must_use]
    pub fn answer(&self) -> Option<&Answer<N>> {
        match self {
            Self::Answered(a) => Some(a),
            Self::NotEnough { .. } => None,
        }
    }

    pub(crate) fn missing(channels: &[Channel], need: &str) -> Self {
        let names: Vec<String> = channels.iter().map(ToString::to_string).collect();
        Self::NotEnough {
            sentence: format!(
                "The recording has no channel {}; {need}. Log it, or map a column to it.",
                names.join(", ")
            ),
            channels: channels.to_vec(),
        }
    }

    pub(crate) fn too_little(sentence: impl Into<String>) -> Self {
        Self::NotEnough { sentence: sentence.into(), channels: Vec::new() }
    }
}
