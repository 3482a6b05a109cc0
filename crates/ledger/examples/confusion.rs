//! Planted faults against the causes that the ledger finds: a table in Markdown, for the recordings in `shared/recordings`
//! and for stints of the demo.
//!
//! ```text
//! cargo run --release -p ledger --example confusion            every lap against every lap of the clean stint, medians
//! cargo run --release -p ledger --example confusion -- season  the learner of the demo against himself without the fault as well
//! cargo run --release -p ledger --example confusion -- pairs   the causes of every corner of every pair
//! cargo run --release -p ledger --example confusion -- steady  how far other logging moves the planted causes
//! ```
//!
//! The truth of a fault is the same drive simulated again without it; what the ledger compares with is a clean stint with
//! a scatter of its own. So single pairs differ from the truth by that scatter, and the median over pairs by less.

#![expect(
    clippy::unwrap_used,
    clippy::print_stdout,
    reason = "a program for the console, on data that are known to be good"
)]

use channels::{Channel, Samples};
use demo::faults::DriverFault;
use demo::truth::Fault;
use ledger::{Both, Cause, Ledger, ledger};
use recording::{Map, Source, read};
use std::collections::BTreeMap;
use std::path::Path;
use track::{CentrePoint, Circuit, LapKind, LapOptions, LapTrace, laps, trace};

/// Seasons of the demo, from seed 1 on.
const SEASONS: u64 = 2;

/// A planted fault of one corner.
struct Planted {
    what: String,
    causes: &'static [Cause],
    apex_m: f64,
    cost_s: f64,
}

/// A stint with faults against a clean one.
struct Case {
    name: String,
    /// Samples of both stints, to log them again in another way.
    samples: Option<[Samples; 2]>,
    circuit: Circuit,
    laps: Vec<LapTrace>,
    clean: Vec<LapTrace>,
    planted: Vec<Planted>,
}

fn causes_of(what: &str) -> &'static [Cause] {
    match what {
        "brake_early" | "brakes_early" => &[Cause::BrakePoint],
        "brakes_softly" => &[Cause::BrakeEffort],
        "throttle_late" | "late_throttle" => &[Cause::ThrottlePickup],
        "apex_missed" | "wide_of_apex" | "early_turn_in" => &[Cause::LineRadius, Cause::LineDistance],
        "coasting" | "coasts" => &[Cause::Coasting],
        "no_trail_braking" => &[Cause::Release],
        "slow_mid_corner" => &[Cause::MinimumSpeed],
        _ => &[],
    }
}

fn timed(samples: &Samples, circuit: &Circuit) -> Vec<LapTrace> {
    let laps = laps::split(samples, &LapOptions { circuit: Some(circuit), ..Default::default() }).unwrap();
    let timed = laps.iter().filter(|l| l.kind == LapKind::Timed);
    timed.map(|l| trace::lap_trace(samples, l, circuit).unwrap()).collect()
}

fn shared_cases() -> Vec<Case> {
    let folder = Path::new(concat!(env!("CARGO_MANIFEST_DIR"), "/../../../shared/recordings"));
    if !folder.is_dir() {
        return Vec::new();
    }
    let y_right = Map::from_toml_str(include_str!("../../recording/testdata/maps/y_right.toml")).unwrap();
    let plain = Map::default();
    let case = |(track, file, clean, map): (&str, &str, &str, &Map)| {
        let text = std::fs::read_to_string(folder.join(format!("circuits/{track}.csv"))).unwrap();
        let point = |line: &str| {
            let v: Vec<f64> = line.split(',').map(|x| x.parse().unwrap()).collect();
            CentrePoint { x_m: v[0], y_m: v[1], width_left_m: v[2], width_right_m: v[3] }
        };
        let points: Vec<CentrePoint> = text.lines().skip(1).map(point).collect();
        let circuit = Circuit::from_centre_line(track, &points).unwrap();
        let samples =
            |file: &str, map: &Map| read(Source::File(&folder.join(file)), map, &mut |_| {}).unwrap().samples;
        let (driven, reference) = (samples(file, map), samples(clean, &plain));
        let name = file.split('.').next().unwrap();
        let truth = std::fs::read_to_string(folder.join(format!("{name}.truth.json"))).unwrap();
        let truth: serde_json::Value = serde_json::from_str(&truth).unwrap();
        let apex_m = |corner: u64| {
            let corners = truth["corners"].as_array().unwrap();
            corners.iter().find(|c| c["number"] == corner).unwrap()["apex_m"].as_f64().unwrap()
        };
        let planted = truth["planted"].as_array().unwrap().iter().filter_map(|p| {
            let what = p["what"].as_str()?;
            let corner = p["corner"].as_u64()?;
            Some(Planted {
                what: what.to_owned(),
                causes: causes_of(what),
                apex_m: apex_m(corner),
                cost_s: p["cost_s_mean"].as_f64()?,
            })
        });
        Case {
            name: name.to_owned(),
            laps: timed(&driven, &circuit),
            clean: timed(&reference, &circuit),
            samples: Some([driven, reference]),
            planted: planted.collect(),
            circuit,
        }
    };
    [
        ("hollowmere", "hollowmere-driver.csv", "hollowmere-reference.parquet", &plain),
        ("varrenfold", "varrenfold-second-dialect.csv", "varrenfold-reference.mf4", &y_right),
        ("hollowmere", "hollowmere-understeer.parquet", "hollowmere-reference.parquet", &plain),
        ("hollowmere", "hollowmere-feedback.parquet", "hollowmere-reference.parquet", &plain),
        ("hollowmere", "hollowmere-reference.parquet", "hollowmere-reference.parquet", &plain),
    ]
    .map(case)
    .into()
}

fn demo_cases(season: &demo::Season) -> Vec<Case> {
    let circuit = Circuit::from_centre_line(&season.recordings[0].circuit, &season.centre_line).unwrap();
    let clean = timed(&season.recordings[0].samples, &circuit);
    let case = |r: &demo::Recording| {
        let planted = r.truth.planted.iter().filter_map(|p| {
            let corner = p.corner?;
            let Fault::Driver(fault) = p.fault else { return None };
            let what = name(fault);
            let apex_m = r.truth.corners.iter().find(|c| c.number == corner)?.apex_m;
            Some(Planted { causes: causes_of(&what), what, apex_m, cost_s: p.cost_s_mean })
        });
        Case {
            name: format!("{} (demo)", r.name),
            samples: None,
            circuit: circuit.clone(),
            laps: timed(&r.samples, &circuit),
            clean: clean.clone(),
            planted: planted.collect(),
        }
    };
    season.recordings.iter().map(case).collect()
}

/// Stints of the same driver in the same car: for each fault, the stints that do not have it in that corner.
fn twin_cases(season: &demo::Season) -> Vec<Case> {
    let circuit = Circuit::from_centre_line(&season.recordings[0].circuit, &season.centre_line).unwrap();
    let healthy = |r: &&demo::Recording| {
        r.role == demo::Role::Learner
            && !r
                .truth
                .planted
                .iter()
                .any(|p| matches!(p.fault, Fault::Car(_) | Fault::Rig(_)) || p.corner.is_none())
    };
    let stints: Vec<(&demo::Recording, Vec<LapTrace>)> =
        season.recordings.iter().filter(healthy).map(|r| (r, timed(&r.samples, &circuit))).collect();
    let mut cases = Vec::new();
    for (r, laps) in &stints {
        for p in &r.truth.planted {
            let (Some(corner), Fault::Driver(fault)) = (p.corner, p.fault) else { continue };
            let has = |other: &&(&demo::Recording, Vec<LapTrace>)| {
                other.0.truth.planted.iter().any(|q| q.corner == Some(corner))
            };
            let clean: Vec<LapTrace> = stints.iter().filter(|s| !has(s)).flat_map(|s| s.1.clone()).collect();
            if clean.is_empty() {
                continue;
            }
            let what = name(fault);
            let apex_m = r.truth.corners.iter().find(|c| c.number == corner).unwrap().apex_m;
            cases.push(Case {
                name: format!("{} (demo, same driver)", r.name),
                samples: None,
                circuit: circuit.clone(),
                laps: laps.clone(),
                clean,
                planted: vec![Planted { causes: causes_of(&what), what, apex_m, cost_s: p.cost_s_mean }],
            });
        }
    }
    cases
}

fn name(fault: DriverFault) -> String {
    serde_json::to_value(fault).unwrap()["what"].as_str().unwrap().to_owned()
}

fn median(mut values: Vec<f64>) -> f64 {
    values.sort_by(f64::total_cmp);
    let n = values.len();
    if n == 0 { f64::NAN } else { 0.5 * (values[(n - 1) / 2] + values[n / 2]) }
}

fn pairs(case: &Case) -> Vec<Ledger> {
    let draw = |lap: &LapTrace, reference: &LapTrace| {
        ledger(&case.circuit, lap, reference, Both { lap: "lap", reference: "reference" }).unwrap()
    };
    let all = case.laps.iter().flat_map(|l| case.clean.iter().map(move |r| (l, r)));
    all.filter(|(l, r)| l.time_s != r.time_s).map(|(l, r)| draw(l, r)).collect()
}

/// Seconds of the causes of a corner; zero for those left to the rest.
fn seconds(ledger: &Ledger, corner: &str) -> BTreeMap<Cause, f64> {
    let mut sums = BTreeMap::new();
    for e in ledger.entries.iter().filter(|e| e.corner == corner) {
        *sums.entry(e.cause.unwrap()).or_insert(0.0) += e.seconds;
    }
    sums
}

fn all_causes() -> [Cause; 11] {
    use Cause::*;
    [
        Lift,
        BrakePoint,
        BrakeEffort,
        Release,
        Coasting,
        MinimumSpeed,
        LineDistance,
        LineRadius,
        ThrottlePickup,
        DriveOut,
        Gear,
    ]
}

#[derive(Default)]
struct Tally {
    planted: usize,
    top_in_median: usize,
    near_in_median: usize,
    pairs: usize,
    top_in_pairs: usize,
    near_in_pairs: usize,
    quiet: Vec<f64>,
}

fn near(found_s: f64, truth_s: f64) -> bool {
    (found_s - truth_s).abs() <= (0.15 * truth_s.abs()).max(0.02)
}

fn tell(case: &Case, tally: &mut Tally) {
    let ledgers = pairs(case);
    let corner_at = |apex_m: f64| {
        let off = |c: &&track::Corner| (c.apex_m - apex_m).abs();
        case.circuit.corners.iter().min_by(|a, b| off(a).total_cmp(&off(b))).unwrap().name.clone()
    };
    let medians = |corner: &str| -> BTreeMap<Cause, f64> {
        let all: Vec<_> = ledgers.iter().map(|l| seconds(l, corner)).collect();
        let of = |c: Cause| median(all.iter().map(|m| m.get(&c).copied().unwrap_or(0.0)).collect());
        all_causes().into_iter().map(|c| (c, of(c))).collect()
    };
    // The line counts as one cause: a missed apex is both a tighter and a longer way.
    let line = [Cause::LineRadius, Cause::LineDistance];
    let told =
        |m: &BTreeMap<Cause, f64>, causes: &[Cause]| -> f64 { causes.iter().filter_map(|c| m.get(c)).sum() };
    let top = |m: &BTreeMap<Cause, f64>| {
        let mut best = (Cause::Unexplained, 0.0);
        for c in all_causes() {
            let s = if line.contains(&c) { told(m, &line) } else { m.get(&c).copied().unwrap_or(0.0) };
            if s > best.1 {
                best = (c, s);
            }
        }
        best
    };
    for p in &case.planted {
        let corner = corner_at(p.apex_m);
        let m = medians(&corner);
        let (found_s, (best, best_s)) = (told(&m, p.causes), top(&m));
        let is_top = p.causes.contains(&best);
        let each: Vec<_> = ledgers.iter().map(|l| seconds(l, &corner)).collect();
        let tops = each.iter().filter(|m| p.causes.contains(&top(m).0)).count();
        let nears = each.iter().filter(|m| near(told(m, p.causes), p.cost_s)).count();
        tally.planted += 1;
        tally.top_in_median += usize::from(is_top);
        tally.near_in_median += usize::from(near(found_s, p.cost_s));
        tally.pairs += ledgers.len();
        tally.top_in_pairs += tops;
        tally.near_in_pairs += nears;
        let causes: Vec<_> = p.causes.iter().map(|c| c.name()).collect();
        let told = m.iter().filter(|(_, s)| s.abs() >= 0.01);
        let others: Vec<String> = told.map(|(c, s)| format!("{c} {s:+.3}")).collect();
        println!(
            "| {} | {corner} | {} | {} | {best} {best_s:+.3} | {:.3} | {found_s:.3} | {} | {tops}/{} | {nears}/{} | {} |",
            case.name,
            p.what,
            causes.join(" + "),
            p.cost_s,
            if near(found_s, p.cost_s) { "yes" } else { "no" },
            each.len(),
            each.len(),
            others.join(", "),
        );
    }
    let planted: Vec<String> = case.planted.iter().map(|p| corner_at(p.apex_m)).collect();
    for corner in case.circuit.corners.iter().filter(|c| !planted.contains(&c.name)) {
        tally.quiet.extend(medians(&corner.name).values().map(|s| s.abs()));
    }
}

fn list(case: &Case) {
    for l in pairs(case) {
        println!("== {}: {:+.3} s", case.name, l.gap_s);
        for corner in &case.circuit.corners {
            let m = seconds(&l, &corner.name);
            let words: Vec<_> = m.iter().map(|(c, s)| format!("{c} {s:+.3}")).collect();
            println!("{:5}{:+.3} | {}", corner.name, m.values().sum::<f64>(), words.join(", "));
        }
        let mut entries: Vec<_> = l.entries.iter().collect();
        entries.sort_by(|a, b| b.seconds.total_cmp(&a.seconds));
        for e in entries.iter().take(6) {
            println!("      {} [{:?}, {:?}: {}]", e.sentence, e.certainty, e.owner.unwrap(), e.owner_reason);
        }
    }
}

/// Logged again at another rate, with jitter (share of the step), noise (share of each channel's spread) and without
/// channels. Straight lines between the samples; flags and gears hold.
fn logged(samples: &Samples, rate_hz: f64, jitter: f64, noise: f64, missing: &[Channel]) -> Samples {
    let mut state = 1_u64;
    // Numbers in -1..1 from a linear congruential generator: the same at every run.
    let mut random = move || {
        state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (state >> 11) as f64 / (1_u64 << 52) as f64 - 1.0
    };
    let mut out = Samples::new();
    let mut clocks = Vec::new();
    for (_, times) in samples.clocks() {
        let (from, to) = (times[0], times[times.len() - 1]);
        let n = ((to - from) * rate_hz) as usize;
        let new: Vec<f64> =
            (0..n).map(|i| from + (i as f64 + 0.5 + 0.5 * jitter * random()) / rate_hz).collect();
        clocks.push((times.to_vec(), out.add_clock(new.clone()).unwrap(), new));
    }
    for channel in samples.channels().filter(|c| !missing.contains(c)) {
        let (view, clock) = (samples.get(channel).unwrap(), samples.clock_of(channel).unwrap());
        let (times, id, new) = &clocks[clock.0];
        let linear = channel.interpolation() == channels::Interpolation::Linear;
        let known: Vec<f64> = view.values.iter().copied().filter(|v| v.is_finite()).collect();
        let mean = known.iter().sum::<f64>() / known.len() as f64;
        let spread = (known.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / known.len() as f64).sqrt();
        // Positions are known to centimetres, whatever the size of the circuit.
        let size = if matches!(channel, Channel::X | Channel::Y) { 0.02 } else { noise * spread };
        let noisy = linear && noise > 0.0 && channel != Channel::Time;
        let value = |&t: &f64| {
            let i = times.partition_point(|&x| x <= t).clamp(1, times.len() - 1);
            let w = (t - times[i - 1]) / (times[i] - times[i - 1]);
            let (a, b) = (view.values[i - 1], view.values[i]);
            if linear { a + (b - a) * w } else { a }
        };
        let values = new.iter().map(|t| value(t) + if noisy { size * random() } else { 0.0 }).collect();
        out.insert(channel, *id, values, view.origin).unwrap();
    }
    out
}

fn steady(case: &Case) {
    let Some([driven, clean]) = &case.samples else { return };
    let corner_at = |apex_m: f64| {
        let off = |c: &&track::Corner| (c.apex_m - apex_m).abs();
        case.circuit.corners.iter().min_by(|a, b| off(a).total_cmp(&off(b))).unwrap().name.clone()
    };
    let told = |l: &Ledger, p: &Planted| -> f64 {
        let m = seconds(l, &corner_at(p.apex_m));
        p.causes.iter().filter_map(|c| m.get(c)).sum()
    };
    let each = |laps: &[LapTrace], clean: &[LapTrace]| -> Vec<Vec<f64>> {
        let of = |l: &LapTrace, r: &LapTrace| {
            let d = ledger(&case.circuit, l, r, Both { lap: "lap", reference: "reference" }).unwrap();
            case.planted.iter().map(|p| told(&d, p)).collect::<Vec<f64>>()
        };
        laps.iter().flat_map(|l| clean.iter().map(move |r| of(l, r))).collect()
    };
    let full = each(&case.laps, &case.clean);
    let positions = [Channel::X, Channel::Y];
    let accelerations = [Channel::AccelX, Channel::AccelY, Channel::YawRate];
    let steering = [Channel::SteeringWheelAngle, Channel::RoadWheelAngle];
    for (what, rate_hz, jitter, noise, missing) in [
        ("50 Hz", 50.0, 0.0, 0.0, &[][..]),
        ("60 Hz", 60.0, 0.0, 0.0, &[]),
        ("100 Hz", 100.0, 0.0, 0.0, &[]),
        ("200 Hz", 200.0, 0.0, 0.0, &[]),
        ("50 Hz, 2 % jitter", 50.0, 0.02, 0.0, &[]),
        ("50 Hz, 0.5 % noise", 50.0, 0.0, 0.005, &[]),
        ("50 Hz, no positions", 50.0, 0.0, 0.0, &positions),
        ("50 Hz, no accelerations", 50.0, 0.0, 0.0, &accelerations),
        ("50 Hz, no steering", 50.0, 0.0, 0.0, &steering),
    ] {
        let again =
            [driven, clean].map(|s| timed(&logged(s, rate_hz, jitter, noise, missing), &case.circuit));
        if again[0].len() != case.laps.len() || again[1].len() != case.clean.len() {
            println!("| {} | {what} | laps not found |", case.name);
            continue;
        }
        let other = each(&again[0], &again[1]);
        let (mut within, mut all, mut most) = (0, 0, 0.0_f64);
        for (a, b) in full.iter().flatten().zip(other.iter().flatten()) {
            all += 1;
            within += usize::from((a - b).abs() <= 0.02);
            most = most.max((a - b).abs());
        }
        let m = |v: &[Vec<f64>], i: usize| median(v.iter().map(|x| x[i]).collect());
        let moved: Vec<String> = (0..case.planted.len())
            .map(|i| format!("{} {:+.3}", case.planted[i].what, m(&other, i) - m(&full, i)))
            .collect();
        println!("| {} | {what} | {within}/{all} | {most:.3} | {} |", case.name, moved.join(", "));
    }
}

fn main() {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let has = |word: &str| arguments.iter().any(|a| a == word);
    let mut cases = Vec::new();
    if !has("demo") {
        cases.extend(shared_cases());
    }
    if !has("shared") {
        cases.extend(demo_cases(&demo::first_look(1, &|_| {}).unwrap()));
        cases.extend(demo_cases(&demo::away_day(1, &|_| {}).unwrap()));
    }
    if has("season") {
        for seed in 1..=SEASONS {
            cases.extend(twin_cases(&demo::season(seed, &|_| {}).unwrap()));
        }
    }
    if has("steady") {
        println!(
            "| stint | logged at | pairs within 0.02 s | largest | medians moved by s |\n|---|---|---|---|---|"
        );
        cases.iter().filter(|c| !c.planted.is_empty()).for_each(steady);
        return;
    }
    if has("pairs") {
        cases.iter().for_each(list);
        return;
    }
    println!(
        "| stint | corner | planted | its cause | top cause (median) | truth s | found s | near | top in pairs | near in pairs | all medians from 0.01 s |"
    );
    println!("|---|---|---|---|---|---|---|---|---|---|---|");
    let mut tally = Tally::default();
    for case in &cases {
        tell(case, &mut tally);
    }
    let t = tally;
    println!(
        "\nTop cause in the median over pairs: {} of {}; in single pairs: {} of {}.",
        t.top_in_median, t.planted, t.top_in_pairs, t.pairs
    );
    println!(
        "Seconds within 15 % or 0.02 s of the truth, median: {} of {}; single pairs: {} of {}.",
        t.near_in_median, t.planted, t.near_in_pairs, t.pairs
    );
    let begin = std::time::Instant::now();
    let drawn: usize = cases.iter().map(|c| pairs(c).len()).sum();
    println!("{:.1} ms a pair.", 1e3 * begin.elapsed().as_secs_f64() / drawn as f64);
    let loud = t.quiet.iter().filter(|s| **s > 0.03).count();
    println!(
        "Corners without a fault of the driver: {loud} of {} medians of causes are above 0.03 s.",
        t.quiet.len()
    );
}
