//! The Shapley value: a fair share of what a group achieves together, whatever the order in which its members join.
//!
//! A game is a set of `n` players and a value `v(S)` for each coalition `S`, with `v(∅)` as its zero. The share of player
//! `i` is the mean, over all orders of joining, of what it adds when it joins:
//!
//! ```text
//! φᵢ = Σ_{S ∌ i} |S|! (n − |S| − 1)! / n! · (v(S ∪ i) − v(S))
//! ```
//!
//! It is the only rule under which the shares sum to `v(N) − v(∅)` (efficiency), players who always add the same get the
//! same (symmetry), one who never adds anything gets nothing (dummy), and shares of a sum of games are sums of shares
//! (additivity). For the dual game `v*(S) = v(N) − v(N∖S)` the shares are the same: it does not matter whether the
//! lap takes over from the reference or the reference from the lap.
//!
//! # Source
//! `[Shapley1953]`. The axioms are tested as properties, a game with known shares from `[LittlechildOwen1973]`.

/// Most players that are shared out exactly: `2^11` values.
pub const MOST_PLAYERS: usize = 11;

/// What one player gets.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Share {
    /// The Shapley value.
    pub value: f64,
    /// Least that the player adds to any coalition.
    pub least: f64,
    /// Most that the player adds to any coalition.
    pub most: f64,
}

/// Shares of `players` in the game `value`; bit `i` of its argument says that player `i` is in the coalition.
///
/// Every coalition is valued once. Where `least` and `most` lie far apart, the share depends on who is there already,
/// and the single number says less.
///
/// # Panics
/// With more than [`MOST_PLAYERS`] players: callers choose the players, data do not.
pub fn shapley(players: usize, value: impl FnMut(u32) -> f64) -> Vec<Share> {
    assert!(players <= MOST_PLAYERS, "{players} players are more than {MOST_PLAYERS}");
    let values: Vec<f64> = (0..1_u32 << players).map(value).collect();
    let weights = weights(players);
    let share = |player: usize| {
        let me = 1_usize << player;
        let added = |s: usize| values[s | me] - values[s];
        let without = (0..values.len()).filter(|s| s & me == 0);
        without.fold(Share { value: 0.0, least: f64::INFINITY, most: f64::NEG_INFINITY }, |sum, s| Share {
            value: sum.value + weights[s.count_ones() as usize] * added(s),
            least: sum.least.min(added(s)),
            most: sum.most.max(added(s)),
        })
    };
    (0..players).map(share).collect()
}

/// `k! (n − k − 1)! / n!` for coalitions of `k` others.
fn weights(players: usize) -> Vec<f64> {
    // 1 / (n · C(n − 1, k)), the binomials by their recurrence.
    let mut choose = 1.0;
    (0..players)
        .map(|k| {
            let weight = 1.0 / (players as f64 * choose);
            choose *= (players - 1 - k) as f64 / (k + 1) as f64;
            weight
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn values(shares: &[Share]) -> Vec<f64> {
        shares.iter().map(|s| s.value).collect()
    }

    fn near(a: &[f64], b: &[f64]) -> bool {
        a.len() == b.len() && a.iter().zip(b).all(|(a, b)| (a - b).abs() < 1e-9)
    }

    /// `[LittlechildOwen1973]`: a runway costs what its largest aeroplane needs; for costs of 10, 20 and 30 the shares are
    /// 10/3, 10/3 + 10/2 and 10/3 + 10/2 + 10.
    #[test]
    fn a_runway_is_shared_as_published() {
        let cost = [10.0, 20.0, 30.0];
        let shares = shapley(3, |s| (0..3).filter(|i| s >> i & 1 == 1).map(|i| cost[i]).fold(0.0, f64::max));
        assert!(near(&values(&shares), &[10.0 / 3.0, 25.0 / 3.0, 55.0 / 3.0]), "{shares:?}");
        assert_eq!((shares[2].least, shares[2].most), (10.0, 30.0));
    }

    /// Closed form: one left glove and two right ones make one pair; 2/3, 1/6, 1/6.
    #[test]
    fn gloves_are_worth_their_scarcity() {
        let shares = shapley(3, |s| f64::from(s & 1 == 1 && s & 6 != 0));
        assert!(near(&values(&shares), &[2.0 / 3.0, 1.0 / 6.0, 1.0 / 6.0]), "{shares:?}");
    }

    #[test]
    fn nobody_shares_nothing_and_one_takes_all() {
        assert!(shapley(0, |_| 7.0).is_empty());
        assert_eq!(values(&shapley(1, |s| 5.0 + 2.0 * f64::from(s))), [2.0]);
    }

    fn game() -> impl Strategy<Value = (usize, Vec<f64>)> {
        (1_usize..=7).prop_flat_map(|n| (Just(n), prop::collection::vec(-10.0..10.0_f64, 1 << n)))
    }

    proptest! {
        #[test]
        fn shares_sum_to_what_all_achieve((n, v) in game()) {
            let sum: f64 = values(&shapley(n, |s| v[s as usize])).iter().sum();
            prop_assert!((sum - (v[v.len() - 1] - v[0])).abs() < 1e-9);
        }

        #[test]
        fn players_who_add_the_same_get_the_same((n, v) in game()) {
            // The value of a coalition depends on how many it has of the first two, not on which.
            prop_assume!(n >= 2);
            let fair = |s: u32| v[(if s & 3 == 2 { s ^ 3 } else { s }) as usize];
            let shares = values(&shapley(n, fair));
            prop_assert!((shares[0] - shares[1]).abs() < 1e-9);
        }

        #[test]
        fn who_adds_nothing_gets_nothing((n, v) in game(), who in 0_usize..7) {
            let who = who % n;
            let shares = shapley(n, |s| v[(s & !(1 << who)) as usize]);
            prop_assert_eq!(shares[who], Share { value: 0.0, least: 0.0, most: 0.0 });
        }

        #[test]
        fn shares_of_a_sum_of_games_are_sums((n, v) in game(), factor in -3.0..3.0_f64) {
            let other = |s: u32| factor * v[v.len() - 1 - s as usize];
            let both = values(&shapley(n, |s| v[s as usize] + other(s)));
            let (one, two) = (values(&shapley(n, |s| v[s as usize])), values(&shapley(n, other)));
            prop_assert!(near(&both, &one.iter().zip(&two).map(|(a, b)| a + b).collect::<Vec<_>>()));
        }

        #[test]
        fn the_dual_game_is_shared_alike((n, v) in game()) {
            let last = v.len() - 1;
            let dual = values(&shapley(n, |s| v[last] - v[last - s as usize]));
            prop_assert!(near(&dual, &values(&shapley(n, |s| v[s as usize]))));
        }
    }
}
