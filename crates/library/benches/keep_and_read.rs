//! A long stint in and out of a library: 30 minutes at 100 Hz, 60 channels.

use channels::{Channel, Origin, Samples};
use divan::counter::BytesCount;
use library::{Library, NewRecording};
use tempfile::TempDir;

const ROWS: usize = 30 * 60 * 100;
const CHANNELS: usize = 60;

/// Signals as a logger gives them: most are smooth with noise at the 12-bit resolution of a converter, some are counts.
fn stint() -> Samples {
    let mut samples = Samples::new();
    let clock = samples.add_clock((0..ROWS).map(|i| i as f64 * 0.01).collect()).expect("time increases");
    let mut noise = 1_u64;
    for (k, channel) in Channel::all().filter(|c| *c != Channel::Time).take(CHANNELS).enumerate() {
        let mut value = |i: usize| {
            // Knuth's linear congruential generator.
            noise = noise.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            match channel {
                Channel::Lap => (i / 9000) as f64,
                Channel::Gear => (i / 300 % 6) as f64,
                _ => {
                    let smooth = (i as f64 * 0.01 * (0.1 + k as f64 * 0.02)).sin() * 2000.0;
                    (smooth + (noise >> 62) as f64).round() * 0.012_3
                }
            }
        };
        let values = (0..ROWS).map(&mut value).collect();
        samples.insert(channel, clock, values, Origin::Logged).expect("one value per stamp");
    }
    samples
}

fn recording() -> NewRecording {
    NewRecording {
        name_hint: "stint".to_owned(),
        driver: Some("Learner".to_owned()),
        car: Some("Brindle".to_owned()),
        circuit: Some("Longmere".to_owned()),
        source_name: "stint.csv".to_owned(),
        content_sha256: Some(library::Digest::of_bytes(b"stint")),
        recorded_at: None,
        note: String::new(),
        report_json: "{}".to_owned(),
        truth_json: None,
        laps: Vec::new(),
    }
}

fn main() {
    divan::main();
}

fn bytes() -> BytesCount {
    BytesCount::new(ROWS * (CHANNELS + 1) * 8)
}

#[divan::bench(sample_count = 10)]
fn add(bencher: divan::Bencher<'_, '_>) {
    let samples = stint();
    bencher
        .counter(bytes())
        .with_inputs(|| {
            let dir = TempDir::new().expect("a temporary folder");
            let library = Library::create_or_open(dir.path().join("laps")).expect("a new library");
            (dir, library)
        })
        .bench_refs(|(_, library)| library.add(recording(), &samples).expect("a new recording"));
}

fn kept() -> (TempDir, Library) {
    let dir = TempDir::new().expect("a temporary folder");
    let library = Library::create_or_open(dir.path().join("laps")).expect("a new library");
    library.add(recording(), &stint()).expect("a new recording");
    (dir, library)
}

#[divan::bench(sample_count = 10)]
fn read_all(bencher: divan::Bencher<'_, '_>) {
    let (_dir, library) = kept();
    bencher.counter(bytes()).bench(|| library.samples("stint").expect("the recording"));
}

#[divan::bench(sample_count = 20)]
fn read_four_channels(bencher: divan::Bencher<'_, '_>) {
    let (_dir, library) = kept();
    let wanted = [Channel::Speed, Channel::X, Channel::Y, Channel::Throttle];
    bencher.bench(|| library.samples_of("stint", &wanted).expect("the recording"));
}
