//! The physical cross-checks: silent on sound recordings, and right about what is wrong with altered and measured ones.
// Helpers of tests say what must hold by unwrapping it, as tests do.
#![allow(clippy::unwrap_used)]

use channels::{Channel, ClockId, Origin, Samples, Wheel};
use proptest::prelude::*;
use recording::consistency::{Contradiction, FixKind, Kind, apply, check};
use recording::{Map, Source, read};
use std::f64::consts::PI;
use std::io::Write;
use std::path::PathBuf;

fn shared(path: &str) -> Option<PathBuf> {
    let full = PathBuf::from(concat!(env!("CARGO_MANIFEST_DIR"), "/../../../shared")).join(path);
    if !full.exists() {
        let _ = writeln!(std::io::stderr(), "skipped: the shared data {path} is not there");
        return None;
    }
    Some(full)
}

fn import(path: &str, map: &str) -> Option<Samples> {
    let path = shared(path)?;
    let maps = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("testdata/maps");
    let text = if map.is_empty() { String::new() } else { std::fs::read_to_string(maps.join(map)).unwrap() };
    let map = Map::from_toml_str(&text).unwrap();
    Some(read(Source::File(&path), &map, &mut |_| {}).unwrap().samples)
}

fn sentences(found: &[Contradiction]) -> Vec<String> {
    found.iter().map(|c| c.sentence.clone()).collect()
}

/// The same recording with one channel changed.
fn altered(samples: &Samples, channel: Channel, change: impl Fn(f64) -> f64) -> Samples {
    let mut s = samples.clone();
    let view = samples.get(channel).unwrap();
    let values = view.values.iter().map(|&v| change(v)).collect();
    s.insert(channel, samples.clock_of(channel).unwrap(), values, Origin::Logged).unwrap();
    s
}

/// The same recording with one channel late.
fn late(samples: &Samples, channel: Channel, delay_s: f64) -> Samples {
    let mut s = samples.clone();
    let view = samples.get(channel).unwrap();
    let clock = s.add_clock(view.time_s.iter().map(|t| t + delay_s).collect()).unwrap();
    s.insert(channel, clock, view.values.to_vec(), Origin::Logged).unwrap();
    s
}

/// A drive in closed form: heading and speed are sums of sines, so that yaw rate and accelerations are their exact slopes;
/// positions are integrated in 20 steps a sample. Ratio times wheelbase 40 m, track width 1.6 m, braking 10 m/s² at full pedal.
fn drive() -> Samples {
    let (rate_hz, seconds, fine) = (50.0, 120.0, 20);
    let heading = |t: f64| 0.15 * t + 0.9 * (0.31 * t).sin() + 0.5 * (0.83 * t + 0.7).sin();
    let yaw = |t: f64| 0.15 + 0.9 * 0.31 * (0.31 * t).cos() + 0.5 * 0.83 * (0.83 * t + 0.7).cos();
    let speed = |t: f64| 35.0 + 12.0 * (0.4 * t + 1.0).sin() + 3.0 * (1.1 * t).sin();
    let accel = |t: f64| 12.0 * 0.4 * (0.4 * t + 1.0).cos() + 3.0 * 1.1 * (1.1 * t).cos();
    let n = (rate_hz * seconds) as usize;
    let time: Vec<f64> = (0..n).map(|i| i as f64 / rate_hz).collect();
    let (mut x, mut y, mut s) = (vec![0.0], vec![0.0], vec![0.0]);
    for i in 1..n {
        let (mut a, mut b, mut c) = (x[i - 1], y[i - 1], s[i - 1]);
        let dt = 1.0 / rate_hz / f64::from(fine);
        for k in 0..fine {
            let t = time[i - 1] + (f64::from(k) + 0.5) * dt;
            a += speed(t) * heading(t).cos() * dt;
            b += speed(t) * heading(t).sin() * dt;
            c += speed(t) * dt;
        }
        x.push(a);
        y.push(b);
        s.push(c);
    }
    let mut samples = Samples::new();
    let clock = samples.add_clock(time.clone()).unwrap();
    let mut put = |c: Channel, v: Vec<f64>| samples.insert(c, clock, v, Origin::Logged).unwrap();
    let of = |f: &dyn Fn(f64) -> f64| time.iter().map(|&t| f(t)).collect::<Vec<f64>>();
    put(Channel::X, x);
    put(Channel::Y, y);
    put(Channel::LapDistance, s.iter().map(|s| s % 1500.0).collect());
    put(Channel::Distance, s);
    put(Channel::Speed, of(&speed));
    put(Channel::YawRate, of(&yaw));
    put(Channel::Heading, of(&heading));
    put(Channel::AccelX, of(&accel));
    put(Channel::AccelY, of(&|t| yaw(t) * speed(t)));
    put(Channel::SteeringWheelAngle, of(&|t| 40.0 * yaw(t) / speed(t)));
    put(Channel::Brake, of(&|t| (-accel(t) / 10.0).clamp(0.0, 1.0)));
    for w in Wheel::ALL {
        let side = if matches!(w, Wheel::Fl | Wheel::Rl) { -0.8 } else { 0.8 };
        put(Channel::WheelSpeed(w), of(&|t| speed(t) + side * yaw(t)));
    }
    samples
}

/// Without some channels.
fn without(samples: &Samples, gone: &[Channel]) -> Samples {
    let mut rest = Samples::new();
    for (_, t) in samples.clocks() {
        rest.add_clock(t.to_vec()).unwrap();
    }
    for c in samples.channels().filter(|c| !gone.contains(c)) {
        let v = samples.get(c).unwrap();
        rest.insert(c, ClockId(samples.clock_of(c).unwrap().0), v.values.to_vec(), v.origin).unwrap();
    }
    rest
}

#[test]
fn a_drive_in_closed_form_is_sound() {
    let found = check(&drive());
    assert!(found.contradictions.is_empty(), "{:?}", sentences(&found.contradictions));
    assert!(found.compared.len() >= 17, "{}", found.compared.len());
    // Each comparison shows the slope that the closed form has.
    for c in &found.compared {
        let expected = match (c.tested, c.comparison) {
            (Channel::SteeringWheelAngle, _) => 40.0,
            (Channel::Brake, _) => continue,
            (_, recording::consistency::Comparison::OuterWheels) => 1.6,
            _ => 1.0,
        };
        assert!((c.evidence.slope / expected - 1.0).abs() < 0.03, "{c:?}");
        assert!(c.evidence.lag_s.abs() < 0.01, "{c:?}");
    }
}

const SIGNED: [Channel; 6] = [
    Channel::Y,
    Channel::YawRate,
    Channel::AccelX,
    Channel::AccelY,
    Channel::SteeringWheelAngle,
    Channel::Heading,
];

/// One sign wrong: exactly that one is named, and its fix gives the recording back bit by bit.
#[test]
fn each_flipped_axis_is_found_and_turned_back() {
    let sound = drive();
    for channel in SIGNED {
        let mut samples = altered(&sound, channel, |v| -v);
        let found = check(&samples);
        let [only] = &found.contradictions[..] else {
            panic!("{channel}: {:?}", sentences(&found.contradictions))
        };
        assert_eq!((only.kind, &only.channels[..]), (Kind::Sign, &[channel][..]), "{}", only.sentence);
        let applied = apply(&found.sign_fixes(), &mut samples).unwrap();
        assert!(applied.len() == 1 && applied[0].sentence.contains("sign changed"));
        assert_eq!(samples, sound, "{channel}");
    }
}

#[test]
fn a_pedal_that_counts_from_the_floor_is_found() {
    let samples = altered(&drive(), Channel::Brake, |v| 1.0 - v);
    let found = check(&samples).contradictions;
    assert_eq!(found.len(), 1, "{:?}", sentences(&found));
    assert_eq!(found[0].fix.as_ref().unwrap().change, FixKind::Invert);
}

/// Everything lateral to the right: the channels agree with one another, only the outer wheels tell.
#[test]
fn a_mirrored_recording_is_found_by_its_outer_wheels() {
    let sound = drive();
    let mut samples = sound.clone();
    for channel in
        [Channel::Y, Channel::YawRate, Channel::AccelY, Channel::SteeringWheelAngle, Channel::Heading]
    {
        samples = altered(&samples, channel, |v| -v);
    }
    let found = check(&samples);
    assert_eq!(found.contradictions.len(), 1, "{:?}", sentences(&found.contradictions));
    assert_eq!(found.contradictions[0].kind, Kind::Mirrored);
    apply(&found.sign_fixes(), &mut samples).unwrap();
    assert_eq!(samples, sound);
}

#[test]
fn units_taken_for_others_are_found() {
    let sound = drive();
    for (channel, factor, unit) in [
        (Channel::Speed, 3.6, "km/h"),
        (Channel::Speed, 1.0 / 3.6, "m/s"),
        (Channel::YawRate, 180.0 / PI, "deg/s"),
        (Channel::YawRate, PI / 180.0, "rad/s"),
        (Channel::AccelX, 1.0 / 9.80665, "g"),
        (Channel::AccelY, 9.80665, "m/s2"),
        (Channel::SteeringWheelAngle, 180.0 / PI, "deg"),
        (Channel::SteeringWheelAngle, PI / 180.0, "rad"),
        (Channel::LapDistance, 1e-3, "km"),
        (Channel::Distance, 1.0 / 0.3048, "ft"),
        (Channel::WheelSpeed(Wheel::Rl), 3.6, "km/h"),
    ] {
        let mut samples = altered(&sound, channel, |v| v * factor);
        let found = check(&samples);
        let [only] = &found.contradictions[..] else {
            panic!("{channel} times {factor}: {:?}", sentences(&found.contradictions))
        };
        assert_eq!((only.kind, &only.channels[..]), (Kind::Unit, &[channel][..]), "{}", only.sentence);
        assert!(only.sentence.contains(unit), "{}", only.sentence);
        // Units are not touched by a flag about signs.
        assert!(found.sign_fixes().is_empty());
        apply(&found.fixes(), &mut samples).unwrap();
        assert!(check(&samples).contradictions.is_empty());
    }
}

/// All four wheels in km/h, and positions in kilometres: what is shared is named once.
#[test]
fn what_several_channels_share_is_named_once() {
    let sound = drive();
    let wheels =
        Wheel::ALL.into_iter().fold(sound.clone(), |s, w| altered(&s, Channel::WheelSpeed(w), |v| v * 3.6));
    let found = check(&wheels).contradictions;
    assert_eq!(found.len(), 1, "{:?}", sentences(&found));
    assert_eq!(found[0].channels, Wheel::ALL.map(Channel::WheelSpeed));
    let mut metres = altered(&altered(&sound, Channel::X, |v| v / 1e3), Channel::Y, |v| v / 1e3);
    let found = check(&metres);
    assert_eq!(found.contradictions.len(), 1, "{:?}", sentences(&found.contradictions));
    assert_eq!(found.contradictions[0].channels, [Channel::X, Channel::Y]);
    apply(&found.fixes(), &mut metres).unwrap();
    let x = |s: &Samples| s.get(Channel::X).unwrap().values[5000];
    assert!((x(&metres) - x(&sound)).abs() < 1e-9 * x(&sound).abs());
}

/// A compass counts clockwise from north.
#[test]
fn a_compass_heading_is_told_from_ours() {
    let sound = drive();
    let mut samples = altered(&sound, Channel::Heading, |v| (PI / 2.0 - v).rem_euclid(2.0 * PI));
    let found = check(&samples);
    let kinds: Vec<Kind> = found.contradictions.iter().map(|c| c.kind).collect();
    assert_eq!(kinds, [Kind::Sign, Kind::Offset], "{:?}", sentences(&found.contradictions));
    apply(&found.fixes(), &mut samples).unwrap();
    let (a, b) = (samples.get(Channel::Heading).unwrap(), sound.get(Channel::Heading).unwrap());
    for (a, b) in a.values.iter().zip(b.values) {
        assert!(((a - b + PI).rem_euclid(2.0 * PI) - PI).abs() < 1e-9);
    }
    assert!(check(&samples).contradictions.is_empty());
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(12))]

    /// Any delay beyond what a car itself shows is found to five hundredths, whatever the channel.
    #[test]
    fn delays_are_found_to_a_few_hundredths(delay in 0.25..0.75_f64, early in any::<bool>(), which in 0..3_usize) {
        let channel = [Channel::YawRate, Channel::AccelY, Channel::AccelX][which];
        let delay = if early { -delay } else { delay };
        let found = check(&late(&drive(), channel, delay)).contradictions;
        prop_assert_eq!(found.len(), 1, "{} {}: {:?}", channel, delay, sentences(&found));
        let fix = found[0].fix.clone().unwrap();
        prop_assert_eq!(fix.channel, channel);
        let FixKind::Delay { delay_s } = fix.change else { panic!("{fix:?}") };
        prop_assert!((delay_s - delay).abs() < 0.05, "{} for {}", delay_s, delay);
    }

    /// Two signs wrong at once are both found, as long as the rest outvotes them.
    #[test]
    fn two_flipped_axes_are_both_found(a in 0..6_usize, b in 0..6_usize) {
        let (a, b) = (SIGNED[a], SIGNED[b]);
        prop_assume!(a != b);
        let sound = drive();
        let mut samples = altered(&altered(&sound, a, |v| -v), b, |v| -v);
        let fixes = check(&samples).sign_fixes();
        apply(&fixes, &mut samples).unwrap();
        prop_assert_eq!(samples, sound);
    }
}

/// With only two channels nobody can tell who is wrong, and the finding says so.
#[test]
fn two_witnesses_leave_an_alternative() {
    let all: Vec<Channel> = drive().channels().collect();
    let keep = [Channel::Speed, Channel::YawRate, Channel::AccelY];
    let gone: Vec<Channel> = all.into_iter().filter(|c| !keep.contains(c)).collect();
    let samples = altered(&without(&drive(), &gone), Channel::YawRate, |v| -v);
    let found = check(&samples).contradictions;
    assert_eq!(found.len(), 1, "{:?}", sentences(&found));
    assert_eq!(
        (&found[0].channels[..], &found[0].alternatives[..]),
        (&[Channel::AccelY][..], &[Channel::YawRate][..])
    );
    assert!(found[0].sentence.contains("unless"), "{}", found[0].sentence);
}

#[test]
fn nothing_to_compare_finds_nothing() {
    assert!(check(&Samples::new()).compared.is_empty());
    let mut s = Samples::new();
    let c = s.add_clock(vec![0.0, 0.02]).unwrap();
    s.insert(Channel::Speed, c, vec![1.0, 2.0], Origin::Logged).unwrap();
    s.insert(Channel::AccelX, c, vec![f64::NAN, 2.0], Origin::Logged).unwrap();
    assert!(check(&s).contradictions.is_empty());
    // A clock in a wrong unit is no reason to fill the memory.
    let mut s = Samples::new();
    let c = s.add_clock(vec![0.0, 1e12]).unwrap();
    s.insert(Channel::Speed, c, vec![1.0, 2.0], Origin::Logged).unwrap();
    assert!(check(&s).compared.is_empty());
}

const RECORDINGS: [(&str, &str); 6] = [
    ("recordings/hollowmere-reference.parquet", ""),
    ("recordings/hollowmere-driver.csv", ""),
    ("recordings/hollowmere-understeer.parquet", ""),
    ("recordings/hollowmere-feedback.parquet", ""),
    ("recordings/varrenfold-reference.mf4", ""),
    ("recordings/varrenfold-second-dialect.csv", "y_right.toml"),
];

/// Recordings from an independent simulation: nothing is wrong with any of them, and every flipped sign is found.
#[test]
fn sound_recordings_are_left_in_peace_and_flipped_ones_are_not() {
    for (file, map) in RECORDINGS {
        let Some(sound) = import(file, map) else { return };
        let found = check(&sound).contradictions;
        assert!(found.is_empty(), "{file}: {:?}", sentences(&found));
        for channel in SIGNED.into_iter().filter(|&c| sound.get(c).is_some()) {
            let mut samples = altered(&sound, channel, |v| -v);
            let found = check(&samples);
            assert!(
                found.contradictions.len() == 1 && found.contradictions[0].channels == [channel],
                "{file}, {channel}: {:?}",
                sentences(&found.contradictions)
            );
            apply(&found.sign_fixes(), &mut samples).unwrap();
            assert!(samples == sound, "{file}, {channel}");
        }
        for (channel, factor) in
            [(Channel::Speed, 3.6), (Channel::YawRate, 180.0 / PI), (Channel::SteeringWheelAngle, 180.0 / PI)]
        {
            let found = check(&altered(&sound, channel, |v| v * factor)).contradictions;
            let named: Vec<Channel> = found.iter().flat_map(|c| c.channels.clone()).collect();
            assert_eq!(named, [channel], "{file}: {:?}", sentences(&found));
        }
    }
}

/// The second dialect counts everything lateral to the right; without its signs the outer wheels give it away.
#[test]
fn a_source_with_y_to_the_right_is_found() {
    let Some(path) = shared("recordings/varrenfold-second-dialect.csv") else { return };
    let wheels = "[channels.wheel_speed_fl]\nscale = 0.330\n[channels.wheel_speed_fr]\nscale = 0.330\n";
    let map = Map::from_toml_str(wheels).unwrap();
    let samples = read(Source::File(&path), &map, &mut |_| {}).unwrap().samples;
    let found = check(&samples).contradictions;
    assert_eq!(found.len(), 1, "{:?}", sentences(&found));
    assert_eq!(found[0].kind, Kind::Mirrored);
}

/// Its description: the yaw rate is 0.38 s behind the path, `ax` more than 1 s late and not to be used; the rest is sound.
/// The 0.38 s are of the road course; on the oval, which hardly changes its yaw rate, the peak is flat: numpy finds it at
/// 0.28 s against the heading, and we at 0.33 s against the path.
#[test]
fn a_late_yaw_rate_and_a_useless_acceleration_are_found() {
    for (file, within_s) in [("road_course", 0.03), ("oval", 0.06)] {
        let Some(samples) = import(&format!("datasets/race_car_track/{file}.csv"), "single_seater.toml")
        else {
            return;
        };
        let found = check(&samples).contradictions;
        let kinds: Vec<(Kind, Channel)> = found.iter().map(|c| (c.kind, c.channels[0])).collect();
        assert_eq!(
            kinds,
            [(Kind::Useless, Channel::AccelX), (Kind::Delay, Channel::YawRate)],
            "{file}: {:?}",
            sentences(&found)
        );
        let FixKind::Delay { delay_s } = found[1].fix.clone().unwrap().change else {
            panic!("{:?}", found[1])
        };
        assert!((delay_s - 0.38).abs() < within_s, "{file}: {delay_s}");
        // Once both are applied nothing is left to say.
        let mut samples = samples;
        let fixes: Vec<_> = found.into_iter().filter_map(|c| c.fix).collect();
        apply(&fixes, &mut samples).unwrap();
        assert!(samples.get(Channel::AccelX).is_none());
        let left = check(&samples).contradictions;
        assert!(left.is_empty(), "{file}: {:?}", sentences(&left));
    }
}

/// Its description: 19.6 % of the rows bring a new fix, at 10 Hz; the inertial unit is tilted by about 10 degrees in pitch,
/// its lateral sign is opposite to speed times yaw rate, az is -9.6 at rest; the course is clockwise from north.
#[test]
fn held_fixes_and_a_tilted_sensor_are_found() {
    let Some(samples) = import("datasets/street_drive_50hz/drive.csv", "street_drive.toml") else { return };
    let found = check(&samples).contradictions;
    let one = |kind: Kind, channel: Channel| {
        let fits = |c: &&Contradiction| c.kind == kind && c.channels.contains(&channel);
        found.iter().find(fits).unwrap_or_else(|| panic!("{kind:?} {channel}: {:?}", sentences(&found)))
    };
    let held = one(Kind::Held, Channel::Latitude);
    assert!((held.compared[0].evidence.slope - 0.196).abs() < 0.02, "{}", held.sentence);
    assert!(held.sentence.contains("10.") || held.sentence.contains("9."), "{}", held.sentence);
    let tilt = one(Kind::Gravity, Channel::AccelX);
    let degrees = tilt.compared[0].evidence.slope.asin().abs() * 180.0 / PI;
    assert!((degrees - 10.0).abs() < 1.0, "{}", tilt.sentence);
    one(Kind::Sign, Channel::AccelY);
    one(Kind::Sign, Channel::Heading);
    one(Kind::Offset, Channel::Heading);
    assert!(found.iter().all(|c| c.kind != Kind::Unsettled), "{:?}", sentences(&found));
    assert!((one(Kind::Gravity, Channel::AccelZ).compared[0].evidence.spread + 9.6).abs() < 0.1);
}

/// No position, no wheel speeds, 120 Hz: what is there agrees.
#[test]
fn a_simulated_run_without_positions_is_sound() {
    let Some(path) = shared("datasets/simulated_handling/run.csv") else { return };
    let map = Map::default().with_rate_hz(Some(120.0)).unwrap();
    let samples = read(Source::File(&path), &map, &mut |_| {}).unwrap().samples;
    let found = check(&samples);
    assert!(
        found.contradictions.is_empty() && found.compared.len() >= 4,
        "{:?}",
        sentences(&found.contradictions)
    );
}
