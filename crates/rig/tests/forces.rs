//! Force feedback of simulated drives whose gain is known: `shared/recordings`, beside the repository.

#![expect(clippy::unwrap_used, reason = "helpers of tests may say what must hold, like the tests themselves")]

mod shared;

use channels::{Channel, Origin, Samples};
use rig::forces::{Drive, ForceOptions, Forces, Reconstruction, forces};
use rig::{Answer, Verdict};
use track::{Circuit, LapOptions, laps};

fn check(samples: &Samples, circuit: &Circuit, gain: f64) -> Answer<Forces> {
    let laps = laps::split(samples, &LapOptions { circuit: Some(circuit), ..Default::default() }).unwrap();
    let options = ForceOptions { gain: Some(gain), peak_torque_nm: Some(12.0), ..ForceOptions::default() };
    forces(samples, &laps, Some(circuit), &options).unwrap().answer().unwrap().clone()
}

fn near(got: f64, want: f64, share: f64, what: &str) {
    assert!((got / want - 1.0).abs() < share, "{what}: {got} against {want}");
}

#[test]
fn clipping_and_the_highest_gain_are_found_within_five_percent() {
    let Some(folder) = shared::folder("recordings") else { return };
    let circuit = shared::circuit(&folder, "hollowmere");
    let truth = shared::truth(&folder, "hollowmere-feedback");
    let rig = &truth["rig"];
    let number = |name: &str| rig[name].as_f64().unwrap();
    let gain = number("force_feedback_gain");
    let answer = check(&shared::samples(&folder, "hollowmere-feedback.parquet"), &circuit, gain);
    let n = &answer.numbers;
    near(n.clipped_share, number("share_of_time_clipped"), 0.05, "share at the ceiling");
    near(
        n.highest_gain_without_clipping.unwrap(),
        number("highest_gain_without_clipping"),
        0.05,
        "highest gain without clipping",
    );
    assert_eq!((answer.verdict, n.reconstruction), (Verdict::Stop, Reconstruction::Load));
    assert_eq!(n.corners.len(), circuit.corners.len());
    assert!(n.corners.iter().any(|c| c.clipped_share > 0.3));
    assert!(n.gain_factor > n.gain_factor_without_clipping && n.gain_factor < 1.0);
    println!("{:#?}", answer.findings);
}

#[test]
fn clean_rigs_have_no_fault_and_their_headroom() {
    let Some(folder) = shared::folder("recordings") else { return };
    for (file, name, place) in [
        ("hollowmere-reference.parquet", "hollowmere-reference", "hollowmere"),
        ("hollowmere-understeer.parquet", "hollowmere-understeer", "hollowmere"),
        ("hollowmere-driver.csv", "hollowmere-driver", "hollowmere"),
        ("varrenfold-reference.mf4", "varrenfold-reference", "varrenfold"),
    ] {
        let circuit = shared::circuit(&folder, place);
        let answer = check(&shared::samples(&folder, file), &circuit, 0.5);
        let n = &answer.numbers;
        assert_eq!(answer.verdict, Verdict::Passed, "{name}: {:?}", answer.findings);
        assert_eq!((n.clipped_share, n.mean_cut, n.runs), (0.0, 0.0, 0), "{name}");
        let want = shared::truth(&folder, name)["rig"]["highest_gain_without_clipping"].as_f64().unwrap();
        near(n.highest_gain_without_clipping.unwrap(), want, 0.05, name);
    }
}

/// A clean drive, clipped afterwards: the true demand is known at every sample.
#[test]
fn what_was_cut_is_reconstructed_at_other_gains() {
    let Some(folder) = shared::folder("recordings") else { return };
    for (file, name, place) in [
        ("hollowmere-reference.parquet", "hollowmere-reference", "hollowmere"),
        ("varrenfold-reference.mf4", "varrenfold-reference", "varrenfold"),
    ] {
        let known = shared::truth(&folder, name)["rig"]["highest_gain_without_clipping"].as_f64().unwrap();
        let circuit = shared::circuit(&folder, place);
        let clean = shared::samples(&folder, file);
        let truth = check(&clean, &circuit, 0.5);
        for factor in [1.2, 1.55] {
            let mut loud = clean.clone();
            let view = clean.get(Channel::ForceFeedbackCommand).unwrap();
            let louder = view.values.iter().map(|c| (factor * c).clamp(-1.0, 1.0)).collect();
            let clock = clean.clock_of(Channel::ForceFeedbackCommand).unwrap();
            loud.insert(Channel::ForceFeedbackCommand, clock, louder, Origin::Logged).unwrap();
            let found = check(&loud, &circuit, 0.5 * factor);
            let (got, want) = (&found.numbers, &truth.numbers);
            near(
                got.highest_gain_without_clipping.unwrap(),
                known,
                0.05,
                &format!("{place} at {factor}: without clipping"),
            );
            near(
                got.highest_gain.unwrap(),
                want.highest_gain.unwrap(),
                0.05,
                &format!("{place} at {factor}: keeping 99.5 %"),
            );
        }
    }
}

#[test]
fn drives_get_their_own_advice() {
    let Some(folder) = shared::folder("recordings") else { return };
    let samples = shared::samples(&folder, "hollowmere-reference.parquet");
    let with = |drive| {
        let options = ForceOptions { drive: Some(drive), ..ForceOptions::default() };
        forces(&samples, &[], None, &options).unwrap().answer().unwrap().clone()
    };
    let change = |a: &Answer<Forces>| a.findings.iter().map(|f| f.change.clone()).collect::<String>();
    let (geared, belt, direct) = (with(Drive::Geared), with(Drive::Belt), with(Drive::Direct));
    // Common practice, no source: 6 to 10 % on geared and belt drives, 0 on direct drive.
    assert!(
        (0.06..=0.10).contains(&geared.numbers.dead_band) && (0.06..=0.10).contains(&belt.numbers.dead_band)
    );
    assert_eq!(direct.numbers.dead_band, 0.0);
    assert!(
        change(&geared).contains("gears")
            && change(&belt).contains("60 %")
            && direct.verdict == Verdict::Passed
    );
}
