//! The full ledger of one pair: 4.5 km in 100 s, 15 corners, a node per metre. Goal: under 5 ms.

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
