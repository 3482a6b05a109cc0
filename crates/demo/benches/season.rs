//! How long the made-up libraries take, with all the drives that price their faults.
//!
//! `cargo bench -p demo`. One drive of a lap takes about 90 s of simulated time.

fn main() {
    divan::main();
}

#[divan::bench(sample_count = 3, sample_size = 1)]
fn first_look() -> usize {
    demo::first_look(1, &|_| {}).map_or(0, |s| s.recordings.len())
}

#[divan::bench(sample_count = 1, sample_size = 1)]
fn season() -> usize {
    demo::season(1, &|_| {}).map_or(0, |s| s.recordings.len())
}
