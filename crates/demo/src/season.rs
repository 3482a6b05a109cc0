//! Who drives when: a season of the learner, and the coach's reference.

use crate::DemoError;
use crate::driver::Hands;
use crate::faults::{CarFault, DriverFault, Owner, RigFault};
use crate::feel::Feel;
use crate::layout::{Layout, quillmarsh, tarnbrook};
use crate::line::{Road, racing_line};
use crate::plan::{Capability, GripUse, Planner};
use crate::price::{self, Drive};
use crate::record::Log;
use crate::stint::{Ground, Habit, Setting, Skill, spoil_car};
use crate::truth::{DrivenCorner, Fault, Planted, TrueCar, TrueCorner, TrueLap, TrueLapKind, TrueRig, Truth};
use channels::Samples;
use serde::Serialize;
use std::sync::Mutex;
use std::sync::atomic::{AtomicUsize, Ordering};
use track::CentrePoint;
use vehicle::car::Car;
use vehicle::ggv::{GgvOptions, GgvTable};

/// What a driver is in the story.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Role {
    /// Wants to get faster.
    Learner,
    /// Shows how.
    Coach,
}

/// How far the demo is.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Progress {
    /// Simulations done.
    pub done: usize,
    /// Of how many.
    pub total: usize,
    /// Name of the recording that the last one belongs to.
    pub recording: String,
}

/// One recording with its story and its truth.
#[derive(Debug, Clone)]
pub struct Recording {
    /// Unique, a slug.
    pub name: String,
    /// First name of the driver.
    pub driver: String,
    /// What the driver is.
    pub role: Role,
    /// Name of the car.
    pub car: String,
    /// Name of the circuit.
    pub circuit: String,
    /// When the recording began, local time without zone, RFC 3339 form `2031-03-04T19:30:00`.
    pub recorded_at: String,
    /// What the driver would write beside it.
    pub note: String,
    /// All channels.
    pub samples: Samples,
    /// What was planted, and what it cost.
    pub truth: Truth,
}

/// A made-up library.
#[derive(Debug, Clone)]
pub struct Season {
    /// The circuit, from segments.
    pub circuit: Layout,
    /// Its centre line about every metre, the first point on the start line, not closed.
    pub centre_line: Vec<CentrePoint>,
    /// The car in its healthy setup.
    pub car: Car,
    /// Recordings in the order in which they were driven.
    pub recordings: Vec<Recording>,
}

const LEARNER: &str = "Tavin";
const COACH: &str = "Orsel";
/// Distance of stations \[m\].
const STEP_M: f64 = 2.0;
/// Fuel that the drivers' feel for the car is learned with \[kg\].
const FEEL_FUEL_KG: f64 = 40.0;

const COACH_SKILL: Skill = Skill {
    grip: GripUse { lateral: 0.975, brake: 0.955, drive: 0.98, caution: 0.08 },
    hands: Hands {
        steer_noise_rad: 0.005,
        speed_noise: 0.0025,
        foot_noise: 0.006,
        brake_rates_ps: (9.0, 4.5),
        throttle_rates_ps: (6.0, 12.0),
    },
    margin_m: 1.4,
    brake_point_sd_m: 0.9,
    mid_sd: 0.0025,
    throttle_sd_m: 0.8,
    line_sd_m: 0.10,
};

const LEARNER_SKILL: Skill = Skill {
    grip: GripUse { lateral: 0.935, brake: 0.89, drive: 0.94, caution: 0.3 },
    hands: Hands {
        steer_noise_rad: 0.010,
        speed_noise: 0.005,
        foot_noise: 0.012,
        brake_rates_ps: (7.0, 4.0),
        throttle_rates_ps: (4.5, 10.0),
    },
    margin_m: 1.6,
    brake_point_sd_m: 2.2,
    mid_sd: 0.006,
    throttle_sd_m: 2.2,
    line_sd_m: 0.22,
};

fn skill(role: Role) -> Skill {
    match role {
        Role::Learner => LEARNER_SKILL,
        Role::Coach => COACH_SKILL,
    }
}

/// One entry of the story.
struct Entry {
    name: &'static str,
    role: Role,
    recorded_at: &'static str,
    note: &'static str,
    rate_hz: u32,
    timed_laps: u32,
    fuel_kg: f64,
    air_temp_c: f64,
    track_temp_c: f64,
    habits: Vec<Habit>,
    car_faults: Vec<CarFault>,
    rig_faults: Vec<RigFault>,
}

impl Entry {
    fn setting(&self, seed: u64, index: u64) -> Setting {
        Setting {
            seed: seed.wrapping_mul(1_000_003).wrapping_add(index),
            skill: skill(self.role),
            habits: self.habits.clone(),
            car_faults: self.car_faults.clone(),
            rig_faults: self.rig_faults.clone(),
            timed_laps: self.timed_laps,
            fuel_kg: self.fuel_kg,
            air_temp_k: 273.15 + self.air_temp_c,
            track_temp_k: 273.15 + self.track_temp_c,
        }
    }
}

/// Corners by index, as drawn in [`tarnbrook`].
mod corner {
    pub(super) const TOLLGATE: usize = 0;
    pub(super) const LANTERN: usize = 2;
    pub(super) const CINDER: usize = 4;
    pub(super) const WEIR: usize = 6;
    pub(super) const THISTLE: usize = 8;
    pub(super) const COPPICE: usize = 9;
    pub(super) const HOMESTEAD: usize = 11;
}

fn at(corner: usize, fault: DriverFault) -> Habit {
    Habit { corner: Some(corner), fault }
}

fn coach_entry() -> Entry {
    Entry {
        name: "coach-reference",
        role: Role::Coach,
        recorded_at: "2031-03-03T18:40:00",
        note: "Reference stint of the coach, healthy setup.",
        rate_hz: 100,
        timed_laps: 5,
        fuel_kg: 40.0,
        air_temp_c: 20.0,
        track_temp_c: 27.0,
        habits: vec![],
        car_faults: vec![],
        rig_faults: vec![],
    }
}

fn first_look_entries() -> Vec<Entry> {
    let learner = Entry {
        name: "first-look",
        role: Role::Learner,
        recorded_at: "2031-03-03T20:10:00",
        note: "Three habits to find.",
        timed_laps: 3,
        habits: vec![
            at(corner::TOLLGATE, DriverFault::BrakesEarly { size_m: 16.0 }),
            at(corner::COPPICE, DriverFault::WideOfApex { size_m: 2.0 }),
            at(corner::HOMESTEAD, DriverFault::LateThrottle { size_m: 16.0 }),
        ],
        ..coach_entry()
    };
    vec![Entry { timed_laps: 3, ..coach_entry() }, learner]
}

fn away_entries() -> Vec<Entry> {
    // Corners of Quillmarsh by index.
    const SALTPAN: usize = 1;
    const CAUSEWAY: usize = 6;
    let coach = Entry {
        name: "away-coach",
        recorded_at: "2031-03-20T18:50:00",
        note: "The coach at Quillmarsh.",
        air_temp_c: 16.0,
        track_temp_c: 19.0,
        ..coach_entry()
    };
    let learner = Entry {
        name: "away-learner",
        role: Role::Learner,
        recorded_at: "2031-03-20T19:40:00",
        note: "First time here. The wheel goes numb on the long corners.",
        rate_hz: 50,
        habits: vec![
            at(SALTPAN, DriverFault::BrakesEarly { size_m: 12.0 }),
            at(CAUSEWAY, DriverFault::LateThrottle { size_m: 12.0 }),
        ],
        car_faults: vec![CarFault::Pressure { wheel: 1, size_pa: 45e3 }],
        rig_faults: vec![RigFault::ForceFeedbackGain { factor: 2.0 }],
        air_temp_c: 16.0,
        track_temp_c: 19.0,
        ..coach_entry()
    };
    vec![coach, learner]
}

/// The learner's habits, each at a share of its first size; 0 is cured.
fn habits(brake: f64, trail: bool, throttle: f64, apex: f64, coast: f64) -> Vec<Habit> {
    let mut habits = Vec::new();
    if brake > 0.0 {
        habits.push(at(corner::TOLLGATE, DriverFault::BrakesEarly { size_m: 20.0 * brake }));
    }
    if trail {
        habits.push(at(corner::WEIR, DriverFault::NoTrailBraking));
    }
    if throttle > 0.0 {
        habits.push(at(corner::HOMESTEAD, DriverFault::LateThrottle { size_m: 18.0 * throttle }));
    }
    if apex > 0.0 {
        habits.push(at(corner::COPPICE, DriverFault::WideOfApex { size_m: 2.2 * apex }));
    }
    if coast > 0.0 {
        habits.push(at(corner::LANTERN, DriverFault::Coasts { size_m: 14.0 * coast }));
    }
    habits
}

fn season_entries() -> Vec<Entry> {
    let base = coach_entry;
    let learner = || Entry { role: Role::Learner, rate_hz: 50, ..base() };
    let first = || habits(1.0, true, 1.0, 1.0, 1.0);
    let stiff = || vec![CarFault::RollBalance { front_share: 0.12 }, CarFault::Wing { size_rad: 0.05 }];
    let trial = |name, recorded_at, note, car_faults, track_temp_c, fuel_kg| Entry {
        name,
        recorded_at,
        note,
        car_faults,
        track_temp_c,
        fuel_kg,
        habits: habits(0.8, false, 0.8, 0.0, 0.0),
        ..learner()
    };
    vec![
        base(),
        Entry {
            name: "evening-one-first-run",
            recorded_at: "2031-03-03T19:30:00",
            note: "First run. The wheel goes numb in fast corners, and the brake is all or nothing.",
            habits: first(),
            rig_faults: vec![
                RigFault::ForceFeedbackGain { factor: 2.0 },
                RigFault::BrakeSaturates { at: 0.6 },
            ],
            rate_hz: 100,
            ..learner()
        },
        Entry {
            name: "evening-one-after-rig-check",
            recorded_at: "2031-03-03T21:05:00",
            note: "Force feedback turned down, brake pedal calibrated.",
            habits: first(),
            rate_hz: 100,
            ..learner()
        },
        trial(
            "trial-a1",
            "2031-03-06T19:15:00",
            "Trial, setup A: front bar and wing as delivered.",
            stiff(),
            26.0,
            40.0,
        ),
        trial(
            "trial-b1",
            "2031-03-06T19:40:00",
            "Trial, setup B: front bar softer, wing back to where the coach runs it.",
            vec![],
            25.0,
            40.0,
        ),
        trial("trial-b2", "2031-03-06T20:05:00", "Trial, setup B again.", vec![], 24.0, 40.0),
        trial("trial-a2", "2031-03-06T20:30:00", "Trial, setup A again.", stiff(), 23.0, 40.0),
        Entry {
            name: "technique-one-before",
            recorded_at: "2031-03-10T19:20:00",
            note: "Before the drill: brake point at T1, throttle in the last corner.",
            habits: habits(0.9, true, 0.9, 0.9, 0.6),
            ..learner()
        },
        Entry {
            name: "technique-one-after",
            recorded_at: "2031-03-10T20:25:00",
            note: "After the drill.",
            habits: habits(0.35, true, 0.5, 0.9, 0.6),
            ..learner()
        },
        Entry {
            name: "technique-two-long",
            recorded_at: "2031-03-13T19:10:00",
            note: "A long stint. The last laps felt slow.",
            timed_laps: 8,
            fuel_kg: 50.0,
            habits: {
                let mut habits = habits(0.25, false, 0.4, 0.5, 0.0);
                habits.push(at(corner::THISTLE, DriverFault::SlowMidCorner { share: 0.05 }));
                habits.push(Habit {
                    corner: None,
                    fault: DriverFault::Tired { from_lap: 6, share_per_lap: 0.008 },
                });
                habits
            },
            ..learner()
        },
        Entry {
            name: "last-evening",
            recorded_at: "2031-03-17T19:45:00",
            note: "Everything together.",
            habits: vec![
                at(corner::TOLLGATE, DriverFault::BrakesEarly { size_m: 4.0 }),
                at(corner::CINDER, DriverFault::BrakesSoftly { share: 0.12 }),
                at(corner::HOMESTEAD, DriverFault::LateThrottle { size_m: 5.0 }),
            ],
            ..learner()
        },
    ]
}

/// The car as it is when nothing is wrong with it: stable under braking, force feedback with room above the loaded
/// corners.
fn healthy_car() -> Result<Car, DemoError> {
    Ok(Car::from_toml_str(include_str!("../cars/cup.toml"))?)
}

/// A season of the learner over five days, and a reference stint of the coach on the first.
///
/// First the rig, then a setup trial (A, B, B, A), then technique, with habits that fade as they are worked on.
/// `progress` is called from several threads.
///
/// # Errors
/// [`DemoError`], which no seed should give; [`DemoError::Lost`] if a driver spins and does not come back.
pub fn season(seed: u64, progress: &(dyn Fn(Progress) + Sync)) -> Result<Season, DemoError> {
    make(seed, tarnbrook()?, &season_entries(), progress)
}

/// A quick subset: a stint of the coach, and one of the learner with three habits.
///
/// # Errors
/// As [`season`].
pub fn first_look(seed: u64, progress: &(dyn Fn(Progress) + Sync)) -> Result<Season, DemoError> {
    make(seed, tarnbrook()?, &first_look_entries(), progress)
}

/// A day on another, smaller circuit: a stint of the coach, and one of the learner with two habits, a tyre that is too
/// hard and force feedback that clips.
///
/// # Errors
/// As [`season`].
pub fn away_day(seed: u64, progress: &(dyn Fn(Progress) + Sync)) -> Result<Season, DemoError> {
    make(seed, quillmarsh()?, &away_entries(), progress)
}

/// A simulation to be done.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Job {
    /// The recorded drive, with the habits of single corners.
    Recorded,
    /// Without any fault.
    Clean,
    /// Without this habit that acts in all corners.
    Habit(usize),
    /// Without this fault of the car.
    Car(usize),
    /// Without this fault of the rig.
    Rig(usize),
}

enum Outcome {
    Drive(Box<Drive>),
    Passed(Vec<f64>),
}

fn jobs(setting: &Setting) -> Vec<Job> {
    let mut jobs = vec![Job::Recorded];
    let faults = setting.habits.len() + setting.car_faults.len() + setting.rig_faults.len();
    if faults > 0 {
        jobs.push(Job::Clean);
    }
    // With a single fault, 'without it' is 'without any'.
    if faults > 1 {
        let everywhere = |h: &Habit| h.corner.is_none();
        jobs.extend((0..setting.habits.len()).filter(|&i| everywhere(&setting.habits[i])).map(Job::Habit));
        jobs.extend((0..setting.car_faults.len()).map(Job::Car));
        jobs.extend((0..setting.rig_faults.len()).map(Job::Rig));
    }
    jobs
}

/// The setting that a job drives, and which of its habits act.
fn changed(job: Job, setting: &Setting) -> (Setting, Vec<bool>) {
    let (mut setting, mut active) = (setting.clone(), vec![true; setting.habits.len()]);
    match job {
        Job::Recorded => {}
        Job::Clean => {
            active.fill(false);
            setting.car_faults.clear();
            setting.rig_faults.clear();
        }
        Job::Habit(i) => active[i] = false,
        Job::Car(i) => drop(setting.car_faults.remove(i)),
        Job::Rig(i) => drop(setting.rig_faults.remove(i)),
    }
    (setting, active)
}

/// Planners for every driver and car of the story. Drivers plan with the grip of the car they sit in; the places of the
/// corners are those of the healthy car.
struct Planners<'a> {
    of: Vec<(Role, Vec<CarFault>, Planner<'a>)>,
}

impl<'a> Planners<'a> {
    fn new(
        circuit: &Layout,
        road: &'a Road,
        car: &Car,
        wanted: impl Iterator<Item = (Role, Vec<CarFault>)>,
    ) -> Result<Self, DemoError> {
        let options = GgvOptions { speeds: 32, directions: 48, ..GgvOptions::default() };
        let mut planners = Self { of: Vec::new() };
        for role in [Role::Learner, Role::Coach] {
            let skill = skill(role);
            let line = racing_line(circuit, road, skill.margin_m)?;
            let healthy = GgvTable::new(car, &options);
            let planner = Planner::new(road, &healthy, circuit.bends(), line, skill.margin_m, skill.grip);
            planners.of.push((role, Vec::new(), planner));
        }
        for (role, faults) in wanted {
            if planners.find(role, &faults).is_none() {
                let envelope = GgvTable::new(&spoil_car(car, &faults, &[]), &options);
                let healthy = planners.get(role, &[]);
                let planner = Planner { capability: Capability::new(&envelope), ..healthy.clone() };
                planners.of.push((role, faults, planner));
            }
        }
        Ok(planners)
    }

    fn find(&self, role: Role, faults: &[CarFault]) -> Option<&Planner<'a>> {
        self.of.iter().find(|(r, f, _)| *r == role && f == faults).map(|(_, _, p)| p)
    }

    /// The planner of a driver and car; the healthy car's when nobody asked for that one.
    fn get(&self, role: Role, faults: &[CarFault]) -> &Planner<'a> {
        self.find(role, faults).unwrap_or(&self.of[usize::from(role == Role::Coach)].2)
    }
}

fn make(
    seed: u64,
    circuit: Layout,
    entries: &[Entry],
    progress: &(dyn Fn(Progress) + Sync),
) -> Result<Season, DemoError> {
    let car = healthy_car()?;
    let road = Road::new(&circuit, STEP_M);
    let feel = Feel::new(&car, FEEL_FUEL_KG);
    let settings: Vec<Setting> = entries.iter().zip(0..).map(|(entry, i)| entry.setting(seed, i)).collect();
    let work: Vec<(usize, Job)> =
        settings.iter().enumerate().flat_map(|(i, s)| jobs(s).into_iter().map(move |j| (i, j))).collect();
    let cars = work.iter().map(|&(i, job)| (entries[i].role, changed(job, &settings[i]).0.car_faults));
    let planners = Planners::new(&circuit, &road, &car, cars)?;
    let run_job = |k: usize| -> Result<Outcome, DemoError> {
        let (i, job) = work[k];
        let (setting, active) = changed(job, &settings[i]);
        let planner = planners.get(entries[i].role, &setting.car_faults);
        let ground = Ground { road: &road, planner, feel: &feel, car: &car };
        if job == Job::Recorded {
            let log = Log::new(entries[i].rate_hz, &setting);
            price::recorded(&ground, &setting, log).map(|drive| Outcome::Drive(Box::new(drive)))
        } else {
            price::again(&ground, &setting, active).map(Outcome::Passed)
        }
    };
    let outcomes = in_parallel(work.len(), &run_job, &|done, k| {
        progress(Progress { done, total: work.len(), recording: entries[work[k].0].name.to_owned() });
    });
    let mut by_entry: Vec<Vec<(Job, Outcome)>> = entries.iter().map(|_| Vec::new()).collect();
    for (&(i, job), outcome) in work.iter().zip(outcomes) {
        by_entry[i].push((job, outcome?));
    }
    let mut recordings = Vec::new();
    for ((entry, setting), outcomes) in entries.iter().zip(&settings).zip(by_entry) {
        let planner = planners.get(entry.role, &[]);
        let ground = Ground { road: &road, planner, feel: &feel, car: &car };
        recordings.push(assemble(entry, setting, &ground, &circuit, outcomes)?);
    }
    let centre_line = circuit.centre_line(1.0);
    Ok(Season { circuit, centre_line, car, recordings })
}

/// Results of `work(0..n)` in order, whoever computed them; `done(how many, which)` after each.
fn in_parallel<T: Send>(
    n: usize,
    work: &(dyn Fn(usize) -> T + Sync),
    done: &(dyn Fn(usize, usize) + Sync),
) -> Vec<T> {
    let threads = std::thread::available_parallelism().map_or(1, usize::from).min(n.max(1));
    let next = AtomicUsize::new(0);
    let finished = AtomicUsize::new(0);
    let results: Mutex<Vec<(usize, T)>> = Mutex::new(Vec::with_capacity(n));
    std::thread::scope(|scope| {
        for _ in 0..threads {
            scope.spawn(|| {
                loop {
                    let k = next.fetch_add(1, Ordering::Relaxed);
                    if k >= n {
                        return;
                    }
                    let result = work(k);
                    results.lock().unwrap_or_else(std::sync::PoisonError::into_inner).push((k, result));
                    done(finished.fetch_add(1, Ordering::Relaxed) + 1, k);
                }
            });
        }
    });
    let mut results = results.into_inner().unwrap_or_else(std::sync::PoisonError::into_inner);
    results.sort_by_key(|(k, _)| *k);
    results.into_iter().map(|(_, result)| result).collect()
}

/// Begin of each corner's section \[station\]: before its braking or turning, not before the corner ahead of it ends.
fn section_begins(planner: &Planner<'_>) -> Vec<usize> {
    let lead = (60.0 / planner.road.step_m) as usize;
    let corners = &planner.corners;
    (0..corners.len())
        .map(|c| {
            let own = corners[c].brake_on.unwrap_or(corners[c].turn_in).min(corners[c].turn_in);
            let before = if c == 0 { 0 } else { corners[c - 1].exit };
            own.saturating_sub(lead).max(before.min(own))
        })
        .collect()
}

/// Sums of a loss per station: per timed lap, and mean per section.
struct Sums {
    per_lap: Vec<f64>,
    mean: f64,
    by_section: Vec<f64>,
}

fn sums(losses: &[f64], laps: u32, stations: usize, begins: &[usize]) -> Sums {
    let part =
        |from: usize, to: usize| losses.get(from..to.min(losses.len())).map_or(0.0, |p| p.iter().sum());
    let per_lap: Vec<f64> = (1..=laps)
        .map(|lap| {
            let lap = price::lap_stations(stations, lap);
            part(lap.start, lap.end)
        })
        .collect();
    let mean = per_lap.iter().sum::<f64>() / f64::from(laps);
    let by_section = (0..begins.len())
        .map(|c| {
            // The last section runs on over the line to the first corner's.
            let to = begins.get(c + 1).copied().unwrap_or(stations + begins[0]);
            let lap_begin = |lap: u32| lap as usize * stations;
            (1..=laps).map(|lap| part(lap_begin(lap) + begins[c], lap_begin(lap) + to)).sum::<f64>()
                / f64::from(laps)
        })
        .collect();
    Sums { per_lap, mean, by_section }
}

fn assemble(
    entry: &Entry,
    setting: &Setting,
    ground: &Ground<'_>,
    circuit: &Layout,
    outcomes: Vec<(Job, Outcome)>,
) -> Result<Recording, DemoError> {
    let stations = ground.road.len();
    let begins = section_begins(ground.planner);
    let laps = setting.timed_laps;
    let mut drive = None;
    let mut again: Vec<(Job, Vec<f64>)> = Vec::new();
    for (job, outcome) in outcomes {
        match outcome {
            Outcome::Drive(d) => drive = Some(d),
            Outcome::Passed(p) => again.push((job, p)),
        }
    }
    let mut drive = drive.ok_or(DemoError::Lost { lap: 0, at_m: 0.0 })?;
    let without = |job: Job| {
        again.iter().find(|(j, _)| *j == job).or_else(|| again.iter().find(|(j, _)| *j == Job::Clean))
    };
    let price_of = |job: Job, own: Option<&Vec<f64>>| {
        let losses = match (own, without(job)) {
            (Some(own), _) => own.clone(),
            (None, Some((_, passed))) => price::losses(&drive.passed_s, passed),
            (None, None) => vec![0.0; drive.passed_s.len()],
        };
        sums(&losses, laps, stations, &begins)
    };
    let planted_as = |owner, corner: Option<usize>, fault, sums: Sums| Planted {
        owner,
        corner: corner.map(|c| c + 1),
        fault,
        cost_s_mean: sums.mean,
        cost_s_in_own_section: corner.map(|c| sums.by_section[c]),
        cost_s_per_lap: sums.per_lap,
    };
    let mut planted = Vec::new();
    for (i, habit) in setting.habits.iter().enumerate() {
        let sums = price_of(Job::Habit(i), drive.habits[i].as_ref());
        planted.push(planted_as(Owner::Driver, habit.corner, Fault::Driver(habit.fault), sums));
    }
    for (i, fault) in setting.car_faults.iter().enumerate() {
        planted.push(planted_as(Owner::Car, None, Fault::Car(*fault), price_of(Job::Car(i), None)));
    }
    for (i, fault) in setting.rig_faults.iter().enumerate() {
        planted.push(planted_as(Owner::Rig, None, Fault::Rig(*fault), price_of(Job::Rig(i), None)));
    }
    let total = price_of(Job::Clean, None);
    let lap_times: Vec<f64> = (1..=laps as usize)
        .map(|lap| drive.passed_s[(lap + 1) * stations] - drive.passed_s[lap * stations])
        .collect();
    let truth = Truth {
        recording: entry.name.to_owned(),
        circuit: circuit.name().to_owned(),
        seed: setting.seed,
        rate_hz: f64::from(entry.rate_hz),
        laps: true_laps(&drive, laps, stations),
        corners: true_corners(circuit, ground.planner, &begins),
        planted,
        lap_times_without_faults_s: lap_times.iter().zip(&total.per_lap).map(|(t, c)| t - c).collect(),
        total_cost_s_per_lap: total.per_lap,
        total_cost_s_mean: total.mean,
        total_cost_by_section_s: total.by_section,
        car: true_car(ground.car, setting),
        rig: true_rig(ground.car, setting, &drive, ground.road.length_m()),
        driven: driven(&drive, ground, &begins, laps),
    };
    let log = drive.log.take().ok_or(DemoError::Lost { lap: 0, at_m: 0.0 })?;
    Ok(Recording {
        name: entry.name.to_owned(),
        driver: if entry.role == Role::Coach { COACH } else { LEARNER }.to_owned(),
        role: entry.role,
        car: ground.car.name.clone(),
        circuit: circuit.name().to_owned(),
        recorded_at: entry.recorded_at.to_owned(),
        note: entry.note.to_owned(),
        samples: log.into_samples()?,
        truth,
    })
}

fn true_laps(drive: &Drive, timed: u32, stations: usize) -> Vec<TrueLap> {
    (0..=timed + 1)
        .map(|lap| {
            let crossing = |lap: u32| drive.passed_s.get(lap as usize * stations).copied();
            let kind = match lap {
                0 => TrueLapKind::Out,
                l if l <= timed => TrueLapKind::Timed,
                _ => TrueLapKind::Incomplete,
            };
            let start_s = if lap == 0 { 0.0 } else { crossing(lap).unwrap_or(drive.end_s) };
            let lap_time_s =
                (kind == TrueLapKind::Timed).then(|| crossing(lap + 1).map(|end| end - start_s)).flatten();
            let off_track_m = drive.beyond_m.get(lap as usize).copied().unwrap_or(0.0);
            TrueLap { lap, kind, start_s, lap_time_s, off_track_m }
        })
        .collect()
}

fn true_corners(circuit: &Layout, planner: &Planner<'_>, begins: &[usize]) -> Vec<TrueCorner> {
    // To a decimetre: stations are two metres apart.
    let at = |station: usize| (station as f64 * planner.road.step_m * 10.0).round() / 10.0;
    circuit
        .bends()
        .iter()
        .zip(&planner.corners)
        .enumerate()
        .map(|(i, (bend, place))| TrueCorner {
            number: i + 1,
            name: bend.name.clone(),
            direction: bend.direction,
            section_begin_m: at(begins[i]),
            brake_on_m: place.brake_on.map(at),
            turn_in_m: at(place.turn_in),
            apex_m: at(place.apex),
            slowest_m: at(place.slowest),
            throttle_pickup_m: at(place.pickup),
            exit_m: at(place.exit),
        })
        .collect()
}

fn true_car(healthy: &Car, setting: &Setting) -> TrueCar {
    let car = spoil_car(healthy, &setting.car_faults, &setting.rig_faults);
    let [front, rear] = [&car.front, &car.rear].map(Car::roll_stiffness_nmprad);
    let ([fl, fr], [rl, rr]) = (car.front.cold_pressure_pa, car.rear.cold_pressure_pa);
    TrueCar {
        wheelbase_m: car.body.wheelbase_m,
        front_axle_to_cg_m: car.body.front_axle_to_cg_m,
        mass_kg: car.body.mass_kg,
        cg_height_m: car.body.cg_height_m,
        steering_ratio: car.steering.ratio,
        front_roll_share: front / (front + rear),
        brake_bias_front: car.brakes.front_share,
        wing_rad: car.aero.wing_rad,
        cold_pressure_pa: [fl, fr, rl, rr],
        name: car.name,
    }
}

fn true_rig(healthy: &Car, setting: &Setting, drive: &Drive, length_m: f64) -> TrueRig {
    let car = spoil_car(healthy, &setting.car_faults, &setting.rig_faults);
    let end_m = f64::from(setting.timed_laps + 1) * length_m;
    let timed: Vec<_> = drive.steps.iter().filter(|s| s.stint_m >= length_m && s.stint_m < end_m).collect();
    let clipped = timed.iter().filter(|s| s.force_feedback.abs() >= 0.999).count();
    let most_nm = timed.iter().map(|s| s.torque_nm.abs()).fold(0.0, f64::max);
    let mut rig = TrueRig {
        force_feedback_gain: car.steering.force_feedback_gain,
        full_scale_nm: car.steering.force_feedback_full_scale_nm,
        share_of_time_clipped: clipped as f64 / timed.len().max(1) as f64,
        highest_gain_without_clipping: car.steering.force_feedback_full_scale_nm / most_nm.max(1e-6),
        steering_shown_over_true: 1.0,
        brake_full_at: 1.0,
        brake_levels: 0,
    };
    for fault in &setting.rig_faults {
        match *fault {
            RigFault::ForceFeedbackGain { .. } => {}
            RigFault::SteeringMismatch { factor } => rig.steering_shown_over_true = factor,
            RigFault::BrakeSaturates { at } => rig.brake_full_at = at,
            RigFault::BrakeCoarse { levels } => rig.brake_levels = levels,
        }
    }
    rig
}

/// What the feet did, section by section.
fn driven(drive: &Drive, ground: &Ground<'_>, begins: &[usize], laps: u32) -> Vec<Vec<DrivenCorner>> {
    let (step_m, stations) = (ground.road.step_m, ground.road.len());
    (1..=laps)
        .map(|lap| {
            let line_m = f64::from(lap) * ground.road.length_m();
            (0..begins.len())
                .map(|c| {
                    let to = begins.get(c + 1).copied().unwrap_or(stations + begins[0]);
                    let (from_m, to_m) = (line_m + begins[c] as f64 * step_m, line_m + to as f64 * step_m);
                    let exit_m = line_m + ground.planner.corners[c].exit as f64 * step_m;
                    let a = drive.steps.partition_point(|s| s.stint_m < from_m);
                    let b = drive.steps.partition_point(|s| s.stint_m < to_m);
                    corner_driven(c + 1, &drive.steps[a..b], line_m, exit_m)
                })
                .collect()
        })
        .collect()
}

fn corner_driven(corner: usize, steps: &[price::Step], line_m: f64, exit_m: f64) -> DrivenCorner {
    let in_corner = steps.iter().take_while(|s| s.stint_m <= exit_m);
    let slowest =
        in_corner.enumerate().min_by(|a, b| a.1.speed_mps.total_cmp(&b.1.speed_mps)).map_or(0, |(i, _)| i);
    let place = |s: &price::Step| s.stint_m - line_m;
    let braked = |s: &&price::Step| s.brake_travel > 0.04;
    let upto = &steps[..(slowest + 1).min(steps.len())];
    let after = &steps[slowest.min(steps.len())..];
    DrivenCorner {
        corner,
        lowest_speed_mps: steps.get(slowest).map_or(f64::NAN, |s| s.speed_mps),
        lowest_speed_at_m: steps.get(slowest).map_or(f64::NAN, place),
        brake_on_m: upto.iter().find(braked).map(place),
        brake_off_m: upto.iter().rev().find(braked).map(place),
        brake_peak: upto.iter().map(|s| s.brake).fold(0.0, f64::max),
        throttle_on_m: after.iter().find(|s| s.throttle > 0.1).map(place),
        throttle_full_m: after.iter().find(|s| s.throttle > 0.98).map(place),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;
    use std::collections::BTreeSet;

    #[test]
    fn the_story_is_in_order_and_its_names_are_slugs() {
        let entries = season_entries();
        let names: BTreeSet<&str> = entries.iter().map(|e| e.name).collect();
        assert_eq!(names.len(), entries.len());
        let slug = |c: char| c.is_ascii_lowercase() || c.is_ascii_digit() || c == '-';
        assert!(names.iter().all(|n| n.chars().all(slug)));
        assert!(entries.windows(2).all(|p| p[0].recorded_at < p[1].recorded_at));
        let days: BTreeSet<&str> = entries.iter().map(|e| &e.recorded_at[..10]).collect();
        assert!(days.len() >= 5);
    }

    #[test]
    fn every_owner_has_a_fault_and_every_fault_a_place() {
        let corners = tarnbrook().unwrap().bends().len();
        let entries = season_entries();
        assert!(entries.iter().flat_map(|e| &e.habits).all(|h| h.corner.is_none_or(|c| c < corners)));
        assert!(entries.iter().any(|e| !e.rig_faults.is_empty()));
        assert!(entries.iter().any(|e| !e.car_faults.is_empty()));
        let car = healthy_car().unwrap();
        for entry in &entries {
            spoil_car(&car, &entry.car_faults, &entry.rig_faults).validate().unwrap();
        }
    }

    #[test]
    fn faults_of_the_car_change_what_they_name_and_nothing_else() {
        let car = healthy_car().unwrap();
        let share = |c: &Car| {
            let [f, r] = [&c.front, &c.rear].map(Car::roll_stiffness_nmprad);
            (f / (f + r), f + r)
        };
        let moved = spoil_car(&car, &[CarFault::RollBalance { front_share: -0.05 }], &[]);
        assert!((share(&moved).0 - share(&car).0 + 0.05).abs() < 1e-12);
        assert!((share(&moved).1 - share(&car).1).abs() < 1e-6);
        let soft = spoil_car(&car, &[CarFault::Pressure { wheel: 3, size_pa: -2e4 }], &[]);
        assert_eq!(soft.rear.cold_pressure_pa[1], car.rear.cold_pressure_pa[1] - 2e4);
        assert_eq!(soft.rear.cold_pressure_pa[0], car.rear.cold_pressure_pa[0]);
        let back = spoil_car(&soft, &[CarFault::Pressure { wheel: 3, size_pa: 2e4 }], &[]);
        assert_eq!(back, car);
    }

    fn one_lap(habits: Vec<Habit>, car_faults: Vec<CarFault>, rig_faults: Vec<RigFault>) -> Entry {
        Entry {
            role: Role::Learner,
            timed_laps: 1,
            rate_hz: 50,
            habits,
            car_faults,
            rig_faults,
            ..coach_entry()
        }
    }

    fn costs(entry: Entry) -> Vec<f64> {
        let season = make(3, tarnbrook().unwrap(), &[entry], &|_| {}).unwrap();
        season.recordings[0].truth.planted.iter().map(|p| p.cost_s_mean).collect()
    }

    /// The cures of the setup trial and of the rig check are worth something, each by itself.
    #[test]
    fn faults_of_car_and_rig_cost_time() {
        let car = vec![CarFault::RollBalance { front_share: 0.12 }, CarFault::Wing { size_rad: 0.06 }];
        let rig = vec![RigFault::BrakeSaturates { at: 0.6 }, RigFault::ForceFeedbackGain { factor: 2.0 }];
        for cost in costs(one_lap(vec![], car, rig)) {
            assert!((0.02..1.5).contains(&cost), "{cost} s");
        }
    }

    #[test]
    fn every_habit_costs_time_where_it_can_act() {
        let habits = vec![
            at(corner::TOLLGATE, DriverFault::EarlyTurnIn { size_m: 10.0 }),
            at(corner::LANTERN, DriverFault::Coasts { size_m: 12.0 }),
            at(corner::CINDER, DriverFault::BrakesSoftly { share: 0.2 }),
            at(corner::THISTLE, DriverFault::SlowMidCorner { share: 0.06 }),
            at(corner::COPPICE, DriverFault::NoTrailBraking),
            at(corner::HOMESTEAD, DriverFault::LateThrottle { size_m: 14.0 }),
        ];
        let found = costs(one_lap(habits.clone(), vec![], vec![]));
        for (habit, cost) in habits.iter().zip(found) {
            assert!((0.01..1.2).contains(&cost), "{habit:?}: {cost} s");
        }
    }

    proptest! {
        // Each case drives some nine minutes.
        #![proptest_config(ProptestConfig::with_cases(6))]
        #[test]
        fn any_seed_and_fault_is_driven_to_the_end_in_numbers(
            seed in any::<u64>(),
            corner in 0..12_usize,
            size_m in 0.0..20.0_f64,
            factor in 1.0..3.0_f64,
            front_share in -0.08..0.08_f64,
            levels in 6..40_u32,
        ) {
            let entry = one_lap(
                vec![
                    at(corner, DriverFault::Inconsistent { factor }),
                    at(corner, DriverFault::LateThrottle { size_m }),
                    at((corner + 3) % 12, DriverFault::WideOfApex { size_m: 0.12 * size_m }),
                    at((corner + 6) % 12, DriverFault::Coasts { size_m }),
                ],
                vec![CarFault::RollBalance { front_share }],
                vec![RigFault::BrakeCoarse { levels }, RigFault::SteeringMismatch { factor: 1.2 }],
            );
            let season = make(seed, tarnbrook().unwrap(), &[entry], &|_| {}).unwrap();
            let recording = &season.recordings[0];
            for channel in recording.samples.channels() {
                let view = recording.samples.get(channel).unwrap();
                prop_assert!(view.values.iter().all(|v| v.is_finite()), "{channel}");
            }
            prop_assert!(recording.truth.laps[1].lap_time_s.is_some_and(|t| (85.0..110.0).contains(&t)));
            let cost = |p: &Planted| p.cost_s_mean;
            prop_assert!(recording.truth.planted.iter().all(|p| cost(p).is_finite()));
        }
    }
}
