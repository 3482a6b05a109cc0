//! `lapwright rig …`: does the rig tell the truth.

use super::{SENTENCE_WIDTH, folder, json, text};
use crate::args::{DriveWord, Rig, RigTask};
use crate::print;
use anyhow::Result;
use serde::Serialize;
use workshop::{Drive, ForceOptions, Outcome, PedalOptions, SteeringOptions, Verdict, Workshop};

pub(crate) fn run(a: &Rig) -> Result<()> {
    let workshop = Workshop::open(&folder(&a.place, "library")?)?;
    match &a.task {
        RigTask::Forces { recording, gain, peak_torque, drive } => {
            let drive = drive.map(|d| match d {
                DriveWord::Geared => Drive::Geared,
                DriveWord::Belt => Drive::Belt,
                DriveWord::Direct => Drive::Direct,
            });
            let options =
                ForceOptions { gain: *gain, peak_torque_nm: *peak_torque, drive, ..ForceOptions::default() };
            tell(a, &workshop.rig_forces(recording, &options)?)
        }
        RigTask::Pedals { recording } => tell(a, &workshop.rig_pedals(recording, &PedalOptions::default())?),
        RigTask::Steering { recording, wheelbase_lock, car_lock } => {
            let options = SteeringOptions {
                wheelbase_lock_rad: wheelbase_lock.map(f64::to_radians),
                car_lock_rad: car_lock.map(f64::to_radians),
            };
            tell(a, &workshop.rig_steering(recording, &options)?)
        }
        RigTask::Timing { recording } => tell(a, &workshop.rig_timing(recording)?),
    }
}

fn word(verdict: Verdict) -> &'static str {
    match verdict {
        Verdict::Passed => "passed",
        Verdict::Improve => "improve",
        Verdict::Stop => "stop",
    }
}

fn tell<N: Serialize>(a: &Rig, outcome: &Outcome<N>) -> Result<()> {
    if a.json.json {
        return json(outcome);
    }
    let answer = match outcome {
        Outcome::Answered(answer) => answer,
        Outcome::NotEnough { sentence, .. } => return text(sentence),
    };
    let mut lines = vec![word(answer.verdict).to_owned()];
    let mut told = |label: &str, sentence: &str| {
        if !sentence.is_empty() {
            lines.push(format!("  {label:<8}{}", print::folded(sentence, SENTENCE_WIDTH, 10)));
        }
    };
    for f in &answer.findings {
        told(word(f.verdict), &f.sentence);
        told("why", &f.why);
        told("change", &f.change);
        told("proof", &f.proof);
    }
    for u in &answer.unlocks {
        told("more", &format!("{} would add: {}", u.channel, u.adds));
    }
    for c in &answer.cautions {
        told("caution", c.sentence());
    }
    text(&lines.join("\n"))
}
