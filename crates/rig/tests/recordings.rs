//! Pedals, steering and timing of simulated drives with a healthy rig: `shared/recordings`, beside the repository.

mod shared;

use channels::Channel;
use rig::pedals::{PedalKind, PedalOptions, pedals};
use rig::steering::{SteeringOptions, steering};
use rig::{Outcome, Verdict, timing, view};
use std::f64::consts::PI;

#[test]
fn pedals_and_steering_of_a_healthy_rig_pass() {
    let Some(folder) = shared::folder("recordings") else { return };
    for (file, name) in [
        ("hollowmere-reference.parquet", "hollowmere-reference"),
        ("hollowmere-feedback.parquet", "hollowmere-feedback"),
        ("hollowmere-understeer.parquet", "hollowmere-understeer"),
        ("hollowmere-driver.csv", "hollowmere-driver"),
        ("varrenfold-reference.mf4", "varrenfold-reference"),
    ] {
        let samples = shared::samples(&folder, file);
        let pedal = pedals(&samples, &PedalOptions::default()).unwrap();
        let answer = pedal.answer().unwrap();
        assert_eq!(answer.verdict, Verdict::Passed, "{name}: {:?}", answer.findings);
        let full = answer.numbers.pedals.iter().find(|p| p.kind == PedalKind::Throttle).unwrap();
        assert!(full.largest > 0.999, "{name}");
        let wheel = steering(&samples, &SteeringOptions::default()).unwrap();
        let answer = wheel.answer().unwrap();
        assert_eq!(answer.verdict, Verdict::Passed, "{name}: {:?}", answer.findings);
        assert!(answer.unlocks.iter().any(|u| u.channel == Channel::WheelbaseAngle), "{name}");
        if let Some(r) = answer.numbers.wheel_against_road_wheels {
            let truth = shared::truth(&folder, name)["car"]["steering_ratio"].as_f64().unwrap();
            println!(
                "{name}: ratio {:.3} against {truth}, car {:?}",
                r.ratio, answer.numbers.car_behind_wheel
            );
            assert!((r.ratio / truth - 1.0).abs() < 0.05, "{name}: {r:?}");
        }
    }
}

#[test]
fn uneven_steps_and_lost_samples_have_their_size() {
    let Some(folder) = shared::folder("recordings") else { return };
    let even = timing::timing(&shared::samples(&folder, "hollowmere-reference.parquet"));
    assert_eq!(even.answer().unwrap().verdict, Verdict::Passed, "{even:?}");
    // Signs of axes are of no account here.
    let samples = shared::samples(&folder, "varrenfold-second-dialect.csv");
    let sampling = &shared::truth(&folder, "varrenfold-second-dialect")["sampling"];
    let outcome = timing::timing(&samples);
    let answer = outcome.answer().unwrap();
    let c = &answer.numbers.clocks[0];
    println!("{sampling} {c:?}");
    let lost = sampling["share_of_samples_lost"].as_f64().unwrap();
    assert!((c.dropped_share / lost - 1.0).abs() < 0.1, "{} of {lost}", c.dropped_share);
    assert_eq!(answer.verdict, Verdict::Improve);
}

#[test]
fn more_apexes_come_into_view_as_the_eye_comes_nearer() {
    let Some(folder) = shared::folder("recordings") else { return };
    let circuit = shared::circuit(&folder, "hollowmere");
    let size = view::Size::Diagonal { diagonal_m: 27.0 * 0.0254, aspect: 16.0 / 9.0 };
    let at = |eye_m: f64, sides| {
        let setup = view::Setup { size, curve_radius_m: None, sides, eye_m };
        let Outcome::Answered(answer) = view::view(setup, Some(&circuit)).unwrap() else {
            panic!("answered")
        };
        answer.numbers
    };
    let one = at(0.9, None);
    let x = one.apexes.unwrap();
    assert_eq!(x.corners.len(), circuit.corners.len());
    assert!(x.share < 1.0 && x.nearer.windows(2).all(|w| w[1].1 >= w[0].1), "{x:?}");
    let near = x.next_apex_m.unwrap();
    assert!(at(0.9 - near, None).apexes.unwrap().share > x.share);
    for (corner, seen) in circuit.corners.iter().zip(&x.corners) {
        let left = corner.direction == track::Direction::Left;
        assert_eq!(seen.bearing_rad > 0.0, left, "{}: bearings are positive to the left", corner.name);
        // Where the line bends by an angle on an even arc, its chord lies at half of that angle.
        assert!(seen.bearing_rad.abs() < 0.5 * PI, "{}", corner.name);
        assert_eq!(seen.in_view, seen.bearing_rad.abs() <= 0.5 * one.angles.horizontal_all_rad);
    }
    let triple = view::Sides { angle_rad: 1.0, bezel_m: 0.008 };
    assert_eq!(at(0.65, Some(triple)).apexes.unwrap().share, 1.0);
}
