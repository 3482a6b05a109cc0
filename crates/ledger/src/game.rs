//! The causes of a corner's loss, priced by counterfactual speed profiles and shared by the Shapley value.
//!
//! **The game.** Players are the causes present in the corner: the properties in which the two passes differ. A coalition `S`
//! stands for the profile in which the lap has taken over the properties in `S` from the reference and kept its own in all
//! others. Its value is the time which that saves over the corner's section, from the common begin of the approach to that of
//! the next approach:
//!
//! ```text
//! v(S) = T(∅) − T(S),       T(S) = ∫ dσ / v_S  over approach … exit  +  k u_S(f)
//! ```
//!
//! with the length `σ` of the driven line and the price `k` \[s per m²/s²\] of what is carried down the straight from the
//! end `f` of the exit (module `carry`). `T(∅)` stands for the lap, `T(N)` for the reference. What the profiles do
//! not reproduce of the measured loss is *unexplained*: arriving slower or faster, what happened on the straight itself, and
//! the error of the profiles. So the shares and the unexplained sum to the loss of the corner exactly.
//!
//! **The profile** is made of the curves of module `side`: the way in `u = run(s)`, the way down `x⁻(h)` over the base `u_b`,
//! the least `u_b − drop`, the way out `x⁺(h)` over its own base `u_o`, with `u = min(run, way down)` before the slowest
//! place. Everything in which the passes differ is assigned to one player, half of it to each side of the mean of the two:
//!
//! | player | its property |
//! |---|---|
//! | line distance | the length `σ(s)` |
//! | line radius | part of `ln u_b`: the log of the tightest curvatures' ratio, no more than the bases differ |
//! | minimum speed | the rest of `ln u_b`: at one radius, `u` goes with lateral acceleration |
//! | brake effort | the whole way down stretched by the ratio of the plateaus' slopes `1/2a`, no more than it is moved |
//! | brake point, release, coasting | the rest of `Δx⁻(h)`, shared out as told below |
//! | coasting, throttle pick-up | `drop`: what rolling further with neither pedal took from the speed, by the earlier release or the later throttle |
//! | throttle pick-up | the shift of the way out, no more than the pick-ups are apart |
//! | drive out, gear | the rest of `Δx⁺(h)`; gear where the passes are in different gears |
//! | lift | `Δx⁻(h)` when neither brakes and one lifts |
//!
//! What a pass is slower at the slowest place by counts on the way out only as far as it still is at the end of the exit
//! (`u_o`), shared among those who made it slower; the pass that regains the rest begins its way out where it has done so.
//!
//! **Brake point, release or coasting?** All three mean being slow too early, and the earlier brake point goes with each. Let
//! `X` be the shift of the braking (near its begin, effort aside) and `R` that of the release's end. Where `R ≤ X` the
//! braking as a whole was moved: brake point. Where the release comes earlier still, its excess `R − X` over `X` is not a
//! matter of when braking began, nor is rolling further than `X`: that share of the shift, up to all of it, goes to coasting
//! as far as `R` was filled with neither pedal by a pass that did brake into the corner, else to release. (A later release
//! that goes with an earlier brake point counts the same way.)
//!
//! **Where it stops holding.** Speed that goes up and down on the way in or out (double apexes, spins, traffic) is replaced by
//! its envelope, the difference is unexplained. A brake point and a missing trail in one corner share by the rule above and
//! cannot be told apart further. Without a brake channel the way down is the brake point's, without positions and
//! accelerations the base is the minimum speed's, and the entry's certainty is open.
//!
//! **Exchanging the laps** gives the dual game with the opposite sign, which the Shapley value shares alike; see `shapley`.
//! To make this exact to the last bit, every pair is computed from the slower lap to the faster.
//!
//! # Source
//! `[Shapley1953]` for the shares. The split of the braking is our own rule, checked on simulated drives with planted faults.

use crate::Both;
use crate::cause::Cause;
use crate::pass::Pass;
use crate::shapley::shapley;
use crate::side::{self, Ground, LEVELS, Run};
use std::ops::Range;

/// Differences of `ln` curvature that are not told from noise. Own choice: 2 % of the radius.
const RADIUS_NOISE: f64 = 0.02;
/// Differences of `ln` braking distance that are not told from fuel and speed. Own choice: 1 %.
const EFFORT_NOISE: f64 = 0.01;
/// A brake still in use this far \[m\] behind the turn-in was taken into the corner. Own choice: half a second of steering
/// at a hairpin's speed.
const INTO_M: f64 = 8.0;
/// A throttle that falls below this was lifted. Common practice, no source.
const LIFTED: f64 = 0.9;
/// The release's level must lie below this share of the way down for there to be a plateau.
const PLATEAU: f64 = 0.8;
/// Share of the levels that tell the shift of the way out: beyond the flat ground, before the power decides.
const SHIFT_LEVELS: Range<usize> = 10..24;

/// What is known of a corner for its game.
pub(crate) struct Section<'a> {
    /// Nodes of the section and `u` of both laps there.
    pub(crate) s_m: &'a [f64],
    pub(crate) square: Both<&'a [f64]>,
    /// Length of the driven lines at the nodes \[m\]; places themselves when unknown.
    pub(crate) driven_m: Both<&'a [f64]>,
    pub(crate) passes: Both<&'a Pass>,
    /// Common begin of the approach and end of the exit \[m\].
    pub(crate) begin_m: f64,
    pub(crate) exit_end_m: f64,
    /// Tightest curvature \[1/m\], positive.
    pub(crate) tightest_1pm: Option<Both<f64>>,
    /// Seconds per `u` at the end of the exit, not positive.
    pub(crate) carry_spm: f64,
    /// Gear at the slowest place.
    pub(crate) gear: Option<Both<f64>>,
    pub(crate) brake_known: bool,
}

/// A share of the corner's loss.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Priced {
    pub(crate) cause: Cause,
    /// Seconds lost by the lap, and the range over the orders of joining.
    pub(crate) seconds: f64,
    pub(crate) least: f64,
    pub(crate) most: f64,
}

/// What a player moves, lap less reference.
#[derive(Debug, Clone, Copy)]
struct Player {
    cause: Cause,
    ln_base: f64,
    drop: f64,
    /// Base of the way out \[m²/s²\].
    out_base: f64,
    /// Places of the ways \[m\].
    down: [f64; LEVELS],
    out: [f64; LEVELS],
    distance: bool,
}

impl Player {
    fn new(cause: Cause) -> Self {
        Self {
            cause,
            ln_base: 0.0,
            drop: 0.0,
            out_base: 0.0,
            down: [0.0; LEVELS],
            out: [0.0; LEVELS],
            distance: false,
        }
    }

    fn moves(&self) -> bool {
        /// Less than this \[m\] nobody sees.
        const LEAST_M: f64 = 1e-9;
        let any = |w: &[f64; LEVELS]| w.iter().any(|x| x.abs() > LEAST_M);
        let base = self.ln_base != 0.0 || self.drop != 0.0 || self.out_base != 0.0;
        self.distance || base || any(&self.down) || any(&self.out)
    }
}

impl Section<'_> {
    /// Shares of the causes in driving order; their sum is `T(∅) − T(N)`.
    pub(crate) fn price(&self) -> Vec<Priced> {
        let Some(game) = Game::new(self) else { return Vec::new() };
        let none = game.time(0);
        let shares = shapley(game.players.len(), |taken| none - game.time(taken));
        let priced = game.players.iter().zip(shares).map(|(p, s)| Priced {
            cause: p.cause,
            seconds: s.value,
            least: s.least,
            most: s.most,
        });
        priced.collect()
    }
}

/// What rolling with neither pedal took from the speed.
#[derive(Debug, Clone, Copy)]
struct Rolled {
    /// How far each lap fell below its base \[m²/s²\].
    drop: Both<f64>,
    /// Share that is due to the later throttle; the rest to the earlier release.
    late: f64,
}

impl Section<'_> {
    /// The lap that rolled further lost speed by it: what it loses per metre over the excess, no more than it is slower at
    /// the slowest place.
    fn rolled(&self, runs: Both<Run<'_>>, grounds: Both<Ground>, out_shift_m: f64) -> Rolled {
        let mut found = Rolled { drop: Both { lap: 0.0, reference: 0.0 }, late: 0.0 };
        let places = self.passes.map(|p| p.brake_release_m.zip(p.throttle_pickup_m)).present();
        let Some((places, rolled)) = places.zip(self.passes.map(|p| p.rolling_m).present()) else {
            return found;
        };
        let more_m = rolled.difference();
        let slower = -grounds.map(|g| g.least).difference();
        if more_m * slower <= 0.0 {
            return found;
        }
        let (run, (from_m, to_m)) =
            if more_m > 0.0 { (runs.lap, places.lap) } else { (runs.reference, places.reference) };
        if to_m - from_m < 1.0 {
            return found;
        }
        let per_m = ((run.at(from_m) - run.at(to_m)) / (to_m - from_m)).max(0.0);
        let drop = (per_m * more_m.abs()).min(slower.abs());
        if more_m > 0.0 {
            found.drop.lap = drop;
        } else {
            found.drop.reference = drop;
        }
        // A throttle that only holds the speed does not bring the way out forward.
        let late = (more_m.signum() * places.map(|p| p.1).difference())
            .min(2.0 * more_m.signum() * out_shift_m)
            .max(0.0);
        let early = (-more_m.signum() * places.map(|p| p.0).difference()).max(0.0);
        found.late = if late + early > 0.0 { late / (late + early) } else { 0.0 };
        found
    }
}

struct Game<'a> {
    section: &'a Section<'a>,
    /// Place of the first node and distance between nodes.
    first_m: f64,
    step_m: f64,
    /// Mean way in at the nodes.
    run: Vec<f64>,
    down_levels: [f64; LEVELS],
    out_levels: [f64; LEVELS],
    /// Means of the two passes.
    ln_base: f64,
    drop: f64,
    out_base: f64,
    slowest_m: f64,
    down: [f64; LEVELS],
    out: [f64; LEVELS],
    players: Vec<Player>,
}

impl<'a> Game<'a> {
    fn new(section: &'a Section<'a>) -> Option<Self> {
        let s = section.s_m;
        let inside = s.partition_point(|&x| x < section.begin_m)
            ..s.partition_point(|&x| x <= section.exit_end_m).min(s.len());
        if inside.len() < 3 {
            return None;
        }
        let runs = section.square.map(|square| Run { s_m: s, square });
        let grounds = runs.map(|r| Ground::find(r, inside.clone()));
        let ends = runs.zip(grounds).map(|(r, g)| r.at(section.exit_end_m.max(g.slowest_m)));
        let out_base = out_bases(grounds.map(|g| g.least), ends.difference());
        let gain = ends.zip(out_base).map(|(u, b)| u - b);
        let out_levels = side::levels(1.05 * gain.max().max(1.0));
        let out = runs.zip(grounds).zip(out_base).map(|((r, g), b)| side::way_out(r, g, b, &out_levels));
        let rolled = section.rolled(runs, grounds, out_shift(&out));
        let base = grounds.zip(rolled.drop).map(|(g, d)| g.least + d);
        let reach = grounds.zip(base).map(|(g, b)| g.highest - b);
        let down_levels = side::levels(side::cover([reach.lap, reach.reference]));
        let down = runs.zip(grounds).zip(base).map(|((r, g), b)| side::way_down(r, g, b, &down_levels));

        let mut game = Self {
            section,
            first_m: s[0],
            step_m: (s[s.len() - 1] - s[0]) / (s.len() - 1) as f64,
            run: ways_in(s, runs, grounds),
            down_levels,
            out_levels,
            ln_base: base.map(f64::ln).mean(),
            drop: rolled.drop.mean(),
            out_base: out_base.mean(),
            slowest_m: grounds.map(|g| g.slowest_m).mean(),
            down: halves(&down),
            out: halves(&out),
            players: Vec::new(),
        };
        let mut players = vec![];
        players.extend(game.of_the_base(base));
        players.extend(game.of_the_way_down(&down, runs, base, reach));
        players.extend(game.of_the_way_out(&out));
        let mut distance = Player::new(Cause::LineDistance);
        distance.distance = section.driven_m.lap != section.driven_m.reference;
        players.push(distance);
        share_rolling(&mut players, rolled);
        share_out_base(&mut players, base.mean(), out_base.difference());
        players.retain(Player::moves);
        players.sort_by_key(|p| p.cause);
        game.players = players;
        Some(game)
    }

    fn of_the_base(&self, base: Both<f64>) -> [Player; 2] {
        let (mut radius, mut speed) = (Player::new(Cause::LineRadius), Player::new(Cause::MinimumSpeed));
        let d = base.map(f64::ln).difference();
        let tighter = self.section.tightest_1pm.map_or(0.0, |k| k.map(f64::ln).difference());
        let told = tighter.signum() * (tighter.abs() - RADIUS_NOISE).max(0.0);
        // A tighter line lowers u.
        radius.ln_base = (-told).clamp(d.min(0.0), d.max(0.0));
        speed.ln_base = d - radius.ln_base;
        [radius, speed]
    }

    fn of_the_way_down(
        &self,
        down: &Both<[f64; LEVELS]>,
        runs: Both<Run<'_>>,
        base: Both<f64>,
        reach: Both<f64>,
    ) -> Vec<Player> {
        let moved: [f64; LEVELS] = std::array::from_fn(|k| down.lap[k] - down.reference[k]);
        let passes = self.section.passes;
        let braked = passes.map(|p| p.brake_onset_m.is_some());
        let with = |cause, down| Player { down, ..Player::new(cause) };
        if !(braked.lap || braked.reference) && self.section.brake_known {
            let lifted = passes.map(|p| p.least_throttle.is_some_and(|t| t < LIFTED));
            let cause = if lifted.lap || lifted.reference { Cause::Lift } else { Cause::MinimumSpeed };
            return vec![with(cause, moved)];
        }
        let releases = passes.map(|p| p.release_start_m.zip(p.brake_release_m)).present();
        let Some(releases) = releases else { return vec![with(Cause::BrakePoint, moved)] };

        // The plateau: levels above the higher of the two begins of the release, below the build-up.
        let begins = releases.zip(runs).zip(base).map(|(((m, _), r), b)| r.at(m) - b);
        let top = reach.min();
        let h = &self.down_levels;
        let from = h.partition_point(|&x| x < begins.max()).min(LEVELS - 1);
        let to = h.partition_point(|&x| x <= 0.9 * top).clamp(1, LEVELS) - 1;
        let mut effort = Player::new(Cause::BrakeEffort);
        if begins.max() < PLATEAU * top && from < to {
            let lengths = down.as_ref().map(|x| x[from] - x[to]);
            let softer = lengths.map(|l| l.max(0.1).ln()).difference();
            let told = softer.signum() * (softer.abs() - EFFORT_NOISE).max(0.0);
            let ends = releases.zip(runs).zip(base).map(|(((_, m), r), b)| (r.at(m) - b).max(0.0));
            let end = h.partition_point(|&x| x < ends.max()).min(LEVELS - 1);
            for k in end..LEVELS {
                let length_m = down.as_ref().map(|x| x[end] - x[k]).mean();
                effort.down[k] = (-told * length_m).clamp(moved[k].min(0.0), moved[k].max(0.0));
            }
        }
        // Earlier is positive, as in the text above.
        let x = effort.down[to] - moved[to];
        let r = -releases.map(|(_, m)| m).difference();
        let rolled = passes.map(|p| p.rolling_m).present().map_or(0.0, Both::difference);
        let beyond = |y: f64| if y * x >= 0.0 { (y.abs() - x.abs()).max(0.0) } else { y.abs() };
        let idles = if rolled * x >= 0.0 { beyond(rolled) } else { 0.0 };
        let excess = beyond(r).max(idles);
        let point = if x == 0.0 { 0.0 } else { (1.0 - excess / x.abs()).clamp(0.0, 1.0) };
        // The pass that is off the brake sooner: did it brake into the corner at all?
        let sooner = if r > 0.0 { passes.lap } else { passes.reference };
        let into_m = sooner.brake_release_m.map_or(0.0, |m| m - sooner.entry_m);
        let idle =
            if r == 0.0 { 0.0 } else { (rolled / r).clamp(0.0, 1.0) * (into_m / INTO_M).clamp(0.0, 1.0) };
        let share = |of: f64| std::array::from_fn(|k| of * (moved[k] - effort.down[k]));
        vec![
            with(Cause::BrakePoint, share(point)),
            with(Cause::Coasting, share((1.0 - point) * idle)),
            with(Cause::Release, share((1.0 - point) * (1.0 - idle))),
            effort,
        ]
    }

    fn of_the_way_out(&self, out: &Both<[f64; LEVELS]>) -> [Player; 3] {
        let moved: [f64; LEVELS] = std::array::from_fn(|k| out.lap[k] - out.reference[k]);
        let passes = self.section.passes;
        let told = out_shift(out);
        let pickups = passes.map(|p| p.throttle_pickup_m);
        let shift = match pickups.present() {
            Some(p) => told.clamp(p.difference().min(0.0), p.difference().max(0.0)),
            None if pickups.lap.is_none() && pickups.reference.is_none() => 0.0,
            None => told,
        };
        let other_gear = self.section.gear.is_some_and(|g| (g.difference()).abs() >= 0.5);
        let mut pickup = Player::new(Cause::ThrottlePickup);
        pickup.out = [shift; LEVELS];
        let rest = std::array::from_fn(|k| moved[k] - shift);
        let (mut drive, mut gear) = (Player::new(Cause::DriveOut), Player::new(Cause::Gear));
        if other_gear {
            gear.out = rest;
        } else {
            drive.out = rest;
        }
        [pickup, drive, gear]
    }

    /// `T(S)` for the coalition that has taken over from the reference.
    fn time(&self, taken: u32) -> f64 {
        let mut mean = Player {
            ln_base: self.ln_base,
            drop: self.drop,
            out_base: self.out_base,
            down: self.down,
            out: self.out,
            ..Player::new(Cause::Unexplained)
        };
        let mut of_reference = false;
        for (i, p) in self.players.iter().enumerate() {
            let half = if taken >> i & 1 == 1 { -0.5 } else { 0.5 };
            mean.ln_base += half * p.ln_base;
            mean.drop += half * p.drop;
            mean.out_base += half * p.out_base;
            if p.distance {
                of_reference = half < 0.0;
                continue;
            }
            mean.down.iter_mut().zip(&p.down).for_each(|(a, b)| *a += half * b);
            mean.out.iter_mut().zip(&p.out).for_each(|(a, b)| *a += half * b);
        }
        let driven = self.section.driven_m;
        let driven = if of_reference { driven.reference } else { driven.lap };
        let base = mean.ln_base.exp();
        let least = (base - mean.drop).max(0.05 * base);
        let mut march = March::start(self, driven, self.section.begin_m, self.section.exit_end_m);
        for k in (0..LEVELS).rev() {
            march.down(mean.down[k], base + self.down_levels[k]);
        }
        march.to(self.slowest_m.min(mean.out[0] - 0.5), least);
        for k in 0..LEVELS {
            march.to(mean.out[k], mean.out_base + self.out_levels[k]);
        }
        march.finish()
    }

    /// Value of a column of the section at a place, straight line between nodes.
    fn read(&self, column: &[f64], s_m: f64) -> f64 {
        let x = ((s_m - self.first_m) / self.step_m).clamp(0.0, (column.len() - 1) as f64);
        let i = (x as usize).min(column.len() - 2);
        column[i] + (column[i + 1] - column[i]) * (x - i as f64)
    }
}

/// Mean of the ways in of both laps. Beyond its own top, a lap goes on as the other did, then at constant speed.
fn ways_in(s: &[f64], runs: Both<Run<'_>>, grounds: Both<Ground>) -> Vec<f64> {
    let way = |run: Run<'_>, own: Ground, other: Run<'_>, its: Ground, i: usize| {
        if i <= own.top {
            return run.square[i];
        }
        let on = other.square[i.min(its.top).max(own.top)] - other.square[own.top];
        run.square[own.top] + on.max(0.0)
    };
    let mean = |i: usize| {
        let lap = way(runs.lap, grounds.lap, runs.reference, grounds.reference, i);
        let reference = way(runs.reference, grounds.reference, runs.lap, grounds.lap, i);
        0.5 * (lap + reference)
    };
    (0..s.len()).map(mean).collect()
}

/// Bases of the way out. What a lap is slower at the slowest place by counts on the way out as far as it still is at the
/// end of the exit; the lap that regains the rest begins its way out where it has done so.
fn out_bases(least: Both<f64>, at_the_end: f64) -> Both<f64> {
    let apart = least.difference();
    let kept = apart.clamp(at_the_end.min(0.0), at_the_end.max(0.0));
    if apart < 0.0 {
        Both { lap: least.reference + kept, ..least }
    } else {
        Both { reference: least.lap - kept, ..least }
    }
}

fn share_rolling(players: &mut Vec<Player>, rolled: Rolled) {
    let drop = rolled.drop.difference();
    for (cause, part) in [(Cause::ThrottlePickup, rolled.late), (Cause::Coasting, 1.0 - rolled.late)] {
        match players.iter_mut().find(|p| p.cause == cause) {
            Some(p) => p.drop = part * drop,
            None => players.push(Player { drop: part * drop, ..Player::new(cause) }),
        }
    }
}

/// What is kept of a slower corner on the way out goes to those who made it slower.
fn share_out_base(players: &mut [Player], base: f64, apart: f64) {
    let made = |p: &Player| p.ln_base * base - p.drop;
    let all: f64 = players.iter().map(made).sum();
    if all.abs() > 1e-9 {
        for p in players {
            p.out_base = made(p) / all * apart;
        }
    }
}

/// How much later the lap comes out of the corner than the reference \[m\].
fn out_shift(out: &Both<[f64; LEVELS]>) -> f64 {
    SHIFT_LEVELS.map(|k| out.lap[k] - out.reference[k]).sum::<f64>() / SHIFT_LEVELS.len() as f64
}

fn halves(both: &Both<[f64; LEVELS]>) -> [f64; LEVELS] {
    std::array::from_fn(|k| 0.5 * (both.lap[k] + both.reference[k]))
}

/// Adds up the time along a profile, piece by piece of constant acceleration: `dt = 2 dσ/(v₁ + v₂)`.
struct March<'a> {
    game: &'a Game<'a>,
    driven: &'a [f64],
    end_m: f64,
    s_m: f64,
    driven_m: f64,
    square: f64,
    speed_mps: f64,
    seconds: f64,
    /// The level before the begin of the section.
    before: Option<(f64, f64)>,
    started: bool,
    ended: bool,
}

impl<'a> March<'a> {
    fn start(game: &'a Game<'a>, driven: &'a [f64], begin_m: f64, end_m: f64) -> Self {
        let square = game.read(&game.run, begin_m);
        Self {
            game,
            driven,
            end_m,
            s_m: begin_m,
            driven_m: game.read(driven, begin_m),
            square,
            speed_mps: square.sqrt(),
            seconds: 0.0,
            before: None,
            started: false,
            ended: false,
        }
    }

    /// To a level of the way down, no faster than the way in.
    fn down(&mut self, s_m: f64, square: f64) {
        if s_m <= self.s_m {
            if !self.started {
                self.before = Some((s_m, square));
            }
            return;
        }
        if !self.started {
            self.started = true;
            if let Some((from_m, from)) = self.before {
                let w = (self.s_m - from_m) / (s_m - from_m);
                self.square = self.square.min(from + (square - from) * w);
                self.speed_mps = self.square.sqrt();
            }
        }
        self.to(s_m, square.min(self.game.read(&self.game.run, s_m)));
    }

    fn to(&mut self, s_m: f64, square: f64) {
        if self.ended || s_m <= self.s_m {
            return;
        }
        if s_m >= self.end_m {
            self.ended = true;
            let w = (self.end_m - self.s_m) / (s_m - self.s_m);
            self.piece(self.end_m, self.square + (square - self.square) * w);
        } else {
            self.piece(s_m, square);
        }
    }

    fn piece(&mut self, s_m: f64, square: f64) {
        let driven_m = self.game.read(self.driven, s_m);
        let speed_mps = square.sqrt();
        self.seconds += 2.0 * (driven_m - self.driven_m) / (self.speed_mps + speed_mps);
        (self.s_m, self.driven_m, self.square, self.speed_mps) = (s_m, driven_m, square, speed_mps);
    }

    fn finish(mut self) -> f64 {
        if !self.ended && self.end_m > self.s_m {
            self.piece(self.end_m, self.square);
        }
        self.seconds + self.game.section.carry_spm * self.square
    }
}
