//! Faults of the rig planted on simulated drives of the demo's world: found with their size, and none on a clean rig.
//!
//! The gain that clips is planted in the simulation itself. The other faults stand between the hands and feet of a drive and
//! its log: they are put onto a clean drive by the formulas of the demo's own pedal and log, with sizes of this test's choice.

#![expect(clippy::unwrap_used, reason = "helpers of tests may say what must hold, like the tests themselves")]

use channels::{Channel, Origin, Samples};
use demo::{Recording, Role, Season};
use rig::forces::{ForceOptions, Reconstruction, forces};
use rig::pedals::{Pedal, PedalKind, PedalOptions, pedals};
use rig::steering::{SteeringOptions, steering};
use rig::{Verdict, timing};
use std::sync::OnceLock;
use track::{Circuit, LapOptions, laps};

fn first_look() -> &'static Season {
    static SEASON: OnceLock<Season> = OnceLock::new();
    SEASON.get_or_init(|| demo::first_look(3, &|_| {}).unwrap())
}

fn coach() -> &'static Recording {
    first_look().recordings.iter().find(|r| r.role == Role::Coach).unwrap()
}

fn with(samples: &Samples, channel: Channel, of: Channel, f: impl Fn(f64) -> f64) -> Samples {
    let mut out = samples.clone();
    let values = samples.get(of).unwrap().values.iter().map(|v| f(*v)).collect();
    out.insert(channel, samples.clock_of(of).unwrap(), values, Origin::Logged).unwrap();
    out
}

fn brake(samples: &Samples) -> (Pedal, Verdict) {
    let outcome = pedals(samples, &PedalOptions::default()).unwrap();
    let answer = outcome.answer().unwrap();
    (answer.numbers.pedals.iter().find(|p| p.kind == PedalKind::Brake).unwrap().clone(), answer.verdict)
}

#[test]
fn a_clean_rig_has_no_fault() {
    for recording in &first_look().recordings {
        let s = &recording.samples;
        let laps = laps::split(s, &LapOptions::default()).unwrap();
        let circuit = Circuit::from_centre_line("demo", &first_look().centre_line).unwrap();
        let force = forces(s, &laps, Some(&circuit), &ForceOptions::default()).unwrap();
        assert_eq!(
            force.answer().unwrap().verdict,
            Verdict::Passed,
            "{:?}",
            force.answer().unwrap().findings
        );
        let (pedal, verdict) = brake(s);
        assert_eq!(verdict, Verdict::Passed, "{pedal:?}");
        let wheel = steering(s, &SteeringOptions::default()).unwrap();
        assert_eq!(
            wheel.answer().unwrap().verdict,
            Verdict::Passed,
            "{:?}",
            wheel.answer().unwrap().findings
        );
        let clock = timing::timing(s);
        assert_eq!(
            clock.answer().unwrap().verdict,
            Verdict::Passed,
            "{:?}",
            clock.answer().unwrap().findings
        );
    }
}

#[test]
fn a_gain_that_clips_is_found_with_and_without_the_torque() {
    let season = demo::away_day(3, &|_| {}).unwrap();
    let circuit = Circuit::from_centre_line("demo", &season.centre_line).unwrap();
    let learner = season.recordings.iter().find(|r| r.role == Role::Learner).unwrap();
    let truth = &learner.truth.rig;
    assert!(truth.share_of_time_clipped > 0.02, "the fault is planted: {truth:?}");
    let mut without_torque = Samples::new();
    let mut clocks = std::collections::BTreeMap::new();
    for channel in learner.samples.channels().filter(|c| *c != Channel::ForceFeedbackTorque) {
        let view = learner.samples.get(channel).unwrap();
        let id = learner.samples.clock_of(channel).unwrap();
        let clock =
            *clocks.entry(id).or_insert_with(|| without_torque.add_clock(view.time_s.to_vec()).unwrap());
        without_torque.insert(channel, clock, view.values.to_vec(), Origin::Logged).unwrap();
    }
    for (samples, way) in
        [(&learner.samples, Reconstruction::Torque), (&without_torque, Reconstruction::Load)]
    {
        let laps = laps::split(samples, &LapOptions::default()).unwrap();
        let options = ForceOptions { gain: Some(truth.force_feedback_gain), ..ForceOptions::default() };
        let outcome = forces(samples, &laps, Some(&circuit), &options).unwrap();
        let n = &outcome.answer().unwrap().numbers;
        let highest = n.highest_gain_without_clipping.unwrap();
        println!(
            "{:?}: share {:.4} of {:.4}, highest gain {highest:.4} of {:.4}",
            n.reconstruction,
            n.clipped_share,
            truth.share_of_time_clipped,
            truth.highest_gain_without_clipping
        );
        assert!((n.clipped_share / truth.share_of_time_clipped - 1.0).abs() < 0.05);
        assert!((highest / truth.highest_gain_without_clipping - 1.0).abs() < 0.05);
        assert_eq!(n.reconstruction, way);
        assert_ne!(outcome.answer().unwrap().verdict, Verdict::Passed);
    }
}

#[test]
fn a_brake_that_is_full_too_early_is_found() {
    for at in [0.6, 0.8] {
        let s = with(&coach().samples, Channel::Brake, Channel::BrakeTravel, |x| (x / at).clamp(0.0, 1.0));
        let (pedal, verdict) = brake(&s);
        let found = pedal.curve.unwrap().full_at;
        println!("full at {found:.4} of {at}");
        assert!((found / at - 1.0).abs() < 0.05);
        assert_ne!(verdict, Verdict::Passed);
    }
}

#[test]
fn a_dead_zone_of_the_brake_is_found() {
    let s = with(&coach().samples, Channel::Brake, Channel::BrakeTravel, |x| ((x - 0.08) / 0.92).max(0.0));
    let (pedal, verdict) = brake(&s);
    let found = pedal.curve.unwrap().dead_zone;
    println!("dead zone {found:.4} of 0.08");
    assert!((found / 0.08 - 1.0).abs() < 0.05 && verdict == Verdict::Improve);
}

#[test]
fn a_coarse_brake_is_counted_to_the_step() {
    for levels in [24.0, 64.0, 255.0] {
        let s =
            with(&coach().samples, Channel::Brake, Channel::BrakeTravel, |x| (x * levels).round() / levels);
        let (pedal, verdict) = brake(&s);
        let found = pedal.resolution.steps.unwrap();
        println!("{found:.2} steps of {levels}");
        assert!((found - levels).abs() <= 1.0);
        assert_ne!(verdict, Verdict::Passed);
    }
}

#[test]
fn a_steering_mismatch_is_found() {
    for factor in [0.75, 1.2] {
        let s = with(&coach().samples, Channel::WheelbaseAngle, Channel::SteeringWheelAngle, |a| a / factor);
        let outcome = steering(&s, &SteeringOptions::default()).unwrap();
        let answer = outcome.answer().unwrap();
        let found = answer.numbers.shown_against_shaft.unwrap().ratio;
        println!("{found:.4} of {factor}");
        assert!((found / factor - 1.0).abs() < 0.05);
        assert_ne!(answer.verdict, Verdict::Passed);
    }
    let outcome = steering(&coach().samples, &SteeringOptions::default()).unwrap();
    let ratio = outcome.answer().unwrap().numbers.wheel_against_road_wheels.unwrap().ratio;
    let truth = coach().truth.car.steering_ratio;
    println!("steering ratio {ratio:.3} of {truth}");
    assert!((ratio / truth - 1.0).abs() < 0.05);
}
