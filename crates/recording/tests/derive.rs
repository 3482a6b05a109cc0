//! Derived channels against the logged ones that were taken away.
// Helpers of tests say what must hold by unwrapping it, as tests do.
#![allow(clippy::unwrap_used)]

use channels::{Channel, ClockId, Origin, Samples};
use recording::derive::{Rule, fill};
use recording::{Analysis, Map, Source, abilities, read};
use std::io::Write;
use std::path::PathBuf;

fn import(path: &str, map: &str) -> Option<Samples> {
    let full = PathBuf::from(concat!(env!("CARGO_MANIFEST_DIR"), "/../../../shared")).join(path);
    if !full.exists() {
        let _ = writeln!(std::io::stderr(), "skipped: the shared data {path} is not there");
        return None;
    }
    let maps = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("testdata/maps");
    let text = if map.is_empty() { String::new() } else { std::fs::read_to_string(maps.join(map)).unwrap() };
    let map = Map::from_toml_str(&text).unwrap();
    Some(read(Source::File(&full), &map, &mut |_| {}).unwrap().samples)
}

fn only(samples: &Samples, keep: impl Fn(Channel) -> bool) -> Samples {
    let mut rest = Samples::new();
    for (_, t) in samples.clocks() {
        rest.add_clock(t.to_vec()).unwrap();
    }
    for c in samples.channels().filter(|&c| keep(c)) {
        let v = samples.get(c).unwrap();
        rest.insert(c, ClockId(samples.clock_of(c).unwrap().0), v.values.to_vec(), v.origin).unwrap();
    }
    rest
}

/// Root mean square of derived less logged over the stamps of the derived channel.
fn error(derived: &Samples, logged: &Samples, channel: Channel) -> f64 {
    let (d, l) = (derived.get(channel).unwrap(), logged.get(channel).unwrap());
    assert_eq!(d.origin, Origin::Derived, "{channel}");
    let l = l.on(d.time_s);
    let squares: Vec<f64> =
        d.values.iter().zip(&l).map(|(a, b)| (a - b).powi(2)).filter(|e| e.is_finite()).collect();
    assert!(squares.len() * 10 > l.len() * 9, "{channel}: {} of {}", squares.len(), l.len());
    (squares.iter().sum::<f64>() / squares.len() as f64).sqrt()
}

/// An independent simulation at 100 Hz: each channel is taken away in turn and made again. The bounds are what a race
/// engineer would still work with, a few per cent of what the channel spans in a lap.
#[test]
fn what_is_taken_away_comes_back_close() {
    let Some(logged) = import("recordings/hollowmere-reference.parquet", "") else { return };
    for (channel, rule, most) in [
        (Channel::Speed, Rule::SpeedFromPositions, 0.05),
        (Channel::AccelX, Rule::AccelXFromSpeed, 0.5),
        (Channel::AccelY, Rule::AccelYFromPath, 0.3),
        (Channel::YawRate, Rule::YawRateFromPositions, 0.03),
        (Channel::Distance, Rule::DistanceFromSpeed, 0.2),
    ] {
        let mut samples = only(&logged, |c| c != channel);
        let added = fill(&mut samples);
        let by = added.iter().find(|d| d.channels.contains(&channel)).unwrap();
        assert_eq!(by.rule, rule);
        let e = error(&samples, &logged, channel);
        assert!(e < most, "{channel}: {e}");
    }
    // Yaw rate times speed misses the change of the sideslip angle: an eighth of what the channel spans.
    let mut samples = only(&logged, |c| matches!(c, Channel::Speed | Channel::YawRate));
    assert!(fill(&mut samples).iter().any(|d| d.rule == Rule::AccelYFromYawRate));
    let e = error(&samples, &logged, Channel::AccelY);
    assert!(e < 1.1, "accel_y from yaw rate: {e}");
    let mut samples = only(&logged, |c| !matches!(c, Channel::Speed | Channel::X | Channel::Y));
    fill(&mut samples);
    // Wheels slip by one to two per cent of some 45 m/s.
    let e = error(&samples, &logged, Channel::Speed);
    assert!(e < 0.7, "from the wheels: {e}");
}

/// Speed and yaw rate alone give back the shape of the lap. The yaw rate misses the change of the sideslip angle, so the
/// car comes back to the line askew; its way is right to a few parts in ten thousand, and a lap closes within 3 % of its length.
#[test]
fn a_lap_is_drawn_from_speed_and_yaw_rate() {
    let Some(logged) = import("recordings/hollowmere-reference.parquet", "") else { return };
    let mut samples = only(&logged, |c| matches!(c, Channel::Speed | Channel::YawRate | Channel::Lap));
    let added = fill(&mut samples);
    assert!(added.iter().any(|d| d.rule == Rule::PositionFromMotion));
    let lap = samples.get(Channel::Lap).unwrap();
    let starts: Vec<usize> = (1..lap.values.len()).filter(|&i| lap.values[i] > lap.values[i - 1]).collect();
    let (x, y) = (samples.get(Channel::X).unwrap(), samples.get(Channel::Y).unwrap());
    let distance = samples.get(Channel::Distance).unwrap().values;
    for pair in starts.windows(2) {
        let [a, b] = [pair[0], pair[1]];
        let open_m = (x.values[b] - x.values[a]).hypot(y.values[b] - y.values[a]);
        let lap_m = distance[b] - distance[a];
        assert!(open_m < 0.03 * lap_m, "a lap of {lap_m} m misses its start by {open_m} m");
    }
}

/// `geographiclib` over the fixes: 1763.3 m of geodesic, noisy at rest, as the description of the drive says; the path on the
/// plane must be as long, and the integral of the speed 1664.6 m.
#[test]
fn a_street_drive_becomes_metres() {
    let Some(mut samples) = import("datasets/street_drive_50hz/drive.csv", "street_drive.toml") else {
        return;
    };
    let added = fill(&mut samples);
    assert!(added.iter().any(|d| d.rule == Rule::PositionFromGlobe), "{added:?}");
    let (x, y) = (samples.get(Channel::X).unwrap(), samples.get(Channel::Y).unwrap());
    let length: f64 = (1..x.values.len())
        .map(|i| (x.values[i] - x.values[i - 1]).hypot(y.values[i] - y.values[i - 1]))
        .sum();
    assert!((length - 1763.3).abs() < 1.0, "{length}");
    let distance = samples.get(Channel::Distance).unwrap().values;
    assert!((distance[distance.len() - 1] - 1664.6).abs() < 1.0, "{:?}", distance.last());
    // Only new fixes are kept: about every fifth row.
    assert!(x.values.len() * 4 < 10_800);
}

/// Speed from velocities, lateral acceleration left as logged; no positions, so they are integrated.
#[test]
fn a_run_without_speed_and_positions_gets_them() {
    let path = PathBuf::from(concat!(
        env!("CARGO_MANIFEST_DIR"),
        "/../../../shared/datasets/simulated_handling/run.csv"
    ));
    if !path.exists() {
        let _ = writeln!(std::io::stderr(), "skipped: the shared data simulated_handling is not there");
        return;
    }
    let map = Map::from_toml_str("rate_hz = 120").unwrap();
    let mut samples = read(Source::File(&path), &map, &mut |_| {}).unwrap().samples;
    let before: Vec<Channel> = samples.channels().collect();
    let ability = |s: &Samples, a| abilities(s).into_iter().find(|x| x.analysis == a).unwrap();
    let balance = ability(&samples, Analysis::Balance);
    assert!(balance.possible && balance.derived == [Channel::Speed], "{balance}");
    assert!(!ability(&samples, Analysis::Tyres).possible);
    let rules: Vec<Rule> = fill(&mut samples).iter().map(|d| d.rule).collect();
    assert!(
        rules.starts_with(&[Rule::SpeedFromVelocities]) && rules.contains(&Rule::PositionFromMotion),
        "{rules:?}"
    );
    for c in before {
        assert_eq!(samples.get(c).unwrap().origin, Origin::Logged, "{c}");
    }
    assert!(ability(&samples, Analysis::Balance).derived.is_empty());
    assert!(fill(&mut samples).is_empty());
}

#[test]
fn every_shared_recording_answers_what_its_channels_allow() {
    let Some(short) = import("recordings/hollowmere-driver.csv", "") else { return };
    let possible = |s: &Samples| -> Vec<Analysis> {
        abilities(s).into_iter().filter(|a| a.possible).map(|a| a.analysis).collect()
    };
    use Analysis::*;
    assert_eq!(
        possible(&short),
        [Laps, Circuit, Ledger, Causes, ReachableLap, Balance, Tyres, ForceFeedback, Pedals, View, Practice]
    );
    let Some(all) = import("recordings/hollowmere-reference.parquet", "") else { return };
    let missing: Vec<Analysis> =
        abilities(&all).into_iter().filter(|a| !a.possible).map(|a| a.analysis).collect();
    assert_eq!(missing, [SteeringMatch]);
}
