//! The places where the lap is cut, common to both laps of a pair.
//!
//! Each lap has its own phases, and the ledger needs one set of cuts for the two. A cut is made from the places of both
//! laps by a rule that does not ask which is which, so that exchanging them leaves every cut in place:
//!
//! | stretch begins at | rule | so that |
//! |---|---|---|
//! | approach | the earlier brake point (or lift) | whoever brakes early pays for it here, not on the straight before |
//! | entry | halfway between the turn-ins | |
//! | mid-corner | the later release | both ways of coming off the brake lie within the entry |
//! | exit | the earlier throttle pick-up | waiting for the throttle is a matter of the exit |
//! | straight | the later of both | the exit lasts until both cars pull straight |
//!
//! Where the later release lies beyond the earlier pick-up, or the later end of an exit beyond the earlier brake point of
//! the next corner, the stretch between is empty and both cuts stand halfway. As the phases of each lap are in order,
//! so are the cuts: let `a ≤ a'`, `b ≤ b'` be two neighbouring places of the laps with `max(a, b) > min(a', b')`; then the
//! larger of `a, b` and the smaller of `a', b'` belong to different laps, and their mean is at least `(a + b)/2` and at
//! most `(a' + b')/2`, which the cuts before and after do not cross. The mean also makes the cut continuous: places that
//! move by a little, as they do with another sampling rate, move it by no more than that.

use crate::Phase;
use track::phases::CornerPhases;

/// A piece of the lap: the phase of a corner between two common cuts.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Stretch {
    /// Index of the corner.
    pub(crate) corner: usize,
    pub(crate) phase: Phase,
    pub(crate) from_m: f64,
    pub(crate) to_m: f64,
    /// The straight from the line to the first corner: its exit was driven in the lap before.
    pub(crate) from_line: bool,
}

/// Cuts of a pair into stretches that cover `0..=length_m` without hole or overlap, in the order of driving.
///
/// Both slices hold the phases of every corner. The straight after the last corner ends at the line; its other part,
/// from the line to the first approach, comes first and belongs to the same corner.
pub(crate) fn stretches(lap: &[CornerPhases], reference: &[CornerPhases], length_m: f64) -> Vec<Stretch> {
    let cuts = common(&flat(lap, length_m), &flat(reference, length_m));
    let last = lap.len().saturating_sub(1);
    let first_m = cuts.first().copied().unwrap_or(length_m);
    let mut out = Vec::with_capacity(cuts.len() + 1);
    if first_m > 0.0 {
        out.push(Stretch {
            corner: last,
            phase: Phase::Straight,
            from_m: 0.0,
            to_m: first_m,
            from_line: true,
        });
    }
    for (k, &from_m) in cuts.iter().enumerate() {
        let to_m = cuts.get(k + 1).copied().unwrap_or(length_m);
        let phase = Phase::ALL[k % Phase::ALL.len()];
        out.push(Stretch { corner: k / Phase::ALL.len(), phase, from_m, to_m, from_line: false });
    }
    out
}

/// Starts of all phases in the order of driving, kept inside the lap.
fn flat(phases: &[CornerPhases], length_m: f64) -> Vec<f64> {
    let starts = |p: &CornerPhases| [p.approach_m, p.entry_m, p.mid_m, p.exit_m, p.straight_m];
    phases.iter().flat_map(starts).map(|s| s.clamp(0.0, length_m)).collect()
}

fn common(lap: &[f64], reference: &[f64]) -> Vec<f64> {
    let combine = |(k, (&a, &b)): (usize, (&f64, &f64))| match Phase::ALL[k % Phase::ALL.len()] {
        Phase::Approach | Phase::Exit => a.min(b),
        Phase::MidCorner | Phase::Straight => a.max(b),
        Phase::Entry => 0.5 * (a + b),
    };
    let mut cuts: Vec<f64> = lap.iter().zip(reference).enumerate().map(combine).collect();
    for k in 1..cuts.len() {
        if cuts[k - 1] > cuts[k] {
            let halfway = 0.5 * (cuts[k - 1] + cuts[k]);
            cuts[k - 1] = halfway;
            cuts[k] = halfway;
        }
    }
    cuts
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn ordered(corners: usize) -> impl Strategy<Value = Vec<f64>> {
        prop::collection::vec(0.0..1000.0_f64, 5 * corners).prop_map(|mut v| {
            v.sort_by(f64::total_cmp);
            v
        })
    }

    proptest! {
        #[test]
        fn cuts_are_in_order_between_the_laps_and_the_same_both_ways((a, b) in (ordered(4), ordered(4))) {
            let cuts = common(&a, &b);
            prop_assert!(cuts.is_sorted());
            prop_assert_eq!(&cuts, &common(&b, &a));
            for (k, cut) in cuts.iter().enumerate() {
                prop_assert!((a[k].min(b[k])..=a[k].max(b[k])).contains(cut), "cut {} at {}", k, cut);
            }
        }

        #[test]
        fn cuts_of_a_lap_with_itself_are_its_own_phases(a in ordered(3)) {
            prop_assert_eq!(common(&a, &a), a);
        }

        #[test]
        fn cuts_move_no_further_than_the_phases_do(
            (a, b, by) in (ordered(4), ordered(4), prop::collection::vec(-1.0..1.0_f64, 20))
        ) {
            let mut moved: Vec<f64> = a.iter().zip(&by).map(|(x, d)| x + d).collect();
            moved.sort_by(f64::total_cmp);
            for (x, y) in common(&a, &b).iter().zip(common(&moved, &b)) {
                prop_assert!((x - y).abs() <= 1.0 + 1e-9);
            }
        }
    }
}
