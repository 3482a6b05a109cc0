//! The full ledger of one pair: 4.5 km in 100 s, 15 corners, a node per metre. Goal with causes: under 20 ms.

#[path = "../src/synthetic.rs"]
#[allow(dead_code)]
mod synthetic;

use ledger::Both;
use synthetic::Waves;

fn main() {
    divan::main();
}

#[divan::bench]
fn ledger_of_one_pair(bencher: divan::Bencher<'_, '_>) {
    let circuit = synthetic::circuit(15, 4500.0, 1.0);
    let lap = |amplitude: f64, phase: f64| {
        let speed = Waves { mean: 47.0, waves: vec![(15.0, amplitude, phase), (4.0, 2.0, 0.3)] };
        synthetic::lap(&circuit, &speed, &Waves { mean: 0.0, waves: vec![(7.0, 1.5, phase)] })
    };
    let (slow, fast) = (lap(12.0, 0.26), lap(11.0, 0.25));
    let names = Both { lap: "slow", reference: "fast" };
    bencher.bench(|| ledger::ledger(divan::black_box(&circuit), &slow, &fast, names));
}

/// Corner passes of one lap of the same size.
#[divan::bench]
fn corner_passes_of_one_lap(bencher: divan::Bencher<'_, '_>) {
    let circuit = synthetic::circuit(15, 4500.0, 1.0);
    let speed = Waves { mean: 47.0, waves: vec![(15.0, 12.0, 0.26), (4.0, 2.0, 0.3)] };
    let lap = synthetic::lap(&circuit, &speed, &Waves { mean: 0.0, waves: vec![(7.0, 1.5, 0.26)] });
    bencher.bench(|| ledger::corner_passes(divan::black_box(&circuit), &lap, 0.02));
}

/// A game of the most players, without the cost of its values.
#[divan::bench]
fn shapley_of_eleven_players(bencher: divan::Bencher<'_, '_>) {
    bencher.bench(|| ledger::shapley::shapley(11, |s| f64::from(divan::black_box(s).count_ones())));
}
