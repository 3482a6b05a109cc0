//! One stint: a car, a driver and a plan per lap, simulated from a rolling start to somewhere after the last line.
//!
//! A [`Run`] can be cloned at any moment and driven on with another set of faults: that is how a fault is priced.

use crate::driver::{Action, CONTROL_S, Driver, Hands, Pedal, Place};
use crate::faults::{CarFault, DriverFault, RigFault};
use crate::feel::Feel;
use crate::line::Road;
use crate::noise::{Wander, normal};
use crate::plan::{Deviation, GripUse, Plan, Planner};
use vehicle::CarError;
use vehicle::car::Car;
use vehicle::simulation::{Road as Surface, Simulation, SimulationOptions, State};
use vehicle::wheels::Wheels;

/// Steps of the simulation between two decisions of the driver.
const STEPS: usize = 10;

/// How well somebody drives.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Skill {
    pub(crate) grip: GripUse,
    pub(crate) hands: Hands,
    /// Distance that the middle of the car keeps to the borders on the racing line \[m\].
    pub(crate) margin_m: f64,
    /// Standard deviations from lap to lap: brake point \[m\], speed in the middle \[share\], throttle \[m\], line \[m\].
    pub(crate) brake_point_sd_m: f64,
    pub(crate) mid_sd: f64,
    pub(crate) throttle_sd_m: f64,
    pub(crate) line_sd_m: f64,
}

/// A planted driver fault: in one corner (index), or in all.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Habit {
    pub(crate) corner: Option<usize>,
    pub(crate) fault: DriverFault,
}

/// Everything that decides how a stint goes.
#[derive(Debug, Clone)]
pub(crate) struct Setting {
    pub(crate) seed: u64,
    pub(crate) skill: Skill,
    pub(crate) habits: Vec<Habit>,
    pub(crate) car_faults: Vec<CarFault>,
    pub(crate) rig_faults: Vec<RigFault>,
    pub(crate) timed_laps: u32,
    pub(crate) fuel_kg: f64,
    pub(crate) air_temp_k: f64,
    pub(crate) track_temp_k: f64,
}

/// The parts that all runs of one circuit and car share.
pub(crate) struct Ground<'a> {
    pub(crate) road: &'a Road,
    pub(crate) planner: &'a Planner<'a>,
    pub(crate) feel: &'a Feel,
    pub(crate) car: &'a Car,
}

/// Where the car is put down after the line \[m\], and how fast it rolls \[m/s\].
const START_M: f64 = 40.0;
const START_MPS: f64 = 22.0;
/// Share of the grip use on the out-lap, with tyres and brakes still cold.
const OUT_LAP_USE: f64 = 0.86;
/// Share of the grip use after the last timed lap.
const IN_LAP_USE: f64 = 0.75;
/// How far beyond the border the surface still grips, and what grips beyond: a flat kerb, then grass \[m\], \[-\].
/// Common practice, no source.
const KERB_M: f64 = 1.0;
const GRASS_GRIP: f64 = 0.55;

/// The car as the faults leave it.
pub(crate) fn spoil_car(car: &Car, car_faults: &[CarFault], rig_faults: &[RigFault]) -> Car {
    let mut car = car.clone();
    for fault in car_faults {
        match *fault {
            CarFault::RollBalance { front_share } => move_roll_stiffness(&mut car, front_share),
            CarFault::FrontToe { size_rad } => car.front.toe_rad += size_rad,
            CarFault::RearToe { size_rad } => car.rear.toe_rad += size_rad,
            CarFault::BrakeBias { front_share } => car.brakes.front_share += front_share,
            CarFault::Wing { size_rad } => car.aero.wing_rad += size_rad,
            CarFault::Pressure { wheel, size_pa } => {
                let axle = if wheel < 2 { &mut car.front } else { &mut car.rear };
                axle.cold_pressure_pa[wheel % 2] += size_pa;
            }
            CarFault::FrontCamber { size_rad } => car.front.camber_rad += size_rad,
            CarFault::FrontDamper { factor } => {
                let damper = &mut car.front.damper;
                damper.bump_slow_nspm *= factor;
                damper.bump_fast_nspm *= factor;
                damper.rebound_slow_nspm *= factor;
                damper.rebound_fast_nspm *= factor;
            }
            CarFault::RearRideHeight { size_m } => car.rear.ride_height_m += size_m,
            CarFault::RideHeight { size_m } => {
                car.front.ride_height_m += size_m;
                car.rear.ride_height_m += size_m;
            }
            CarFault::Ducts { opening } => {
                for disc in [&mut car.front.disc, &mut car.rear.disc] {
                    disc.duct_opening = (disc.duct_opening + opening).clamp(0.0, 1.0);
                }
            }
        }
    }
    for fault in rig_faults {
        if let RigFault::ForceFeedbackGain { factor } = fault {
            car.steering.force_feedback_gain *= factor;
        }
    }
    car
}

/// Moves roll stiffness from one anti-roll bar to the other; a bar ends at nothing.
fn move_roll_stiffness(car: &mut Car, front_share: f64) {
    let [front, rear] = [&car.front, &car.rear].map(Car::roll_stiffness_nmprad);
    let moved = front_share * (front + rear);
    let moved = moved.clamp(-car.front.anti_roll_bar_nmprad, car.rear.anti_roll_bar_nmprad);
    car.front.anti_roll_bar_nmprad += moved;
    car.rear.anti_roll_bar_nmprad -= moved;
}

fn pedal(rig_faults: &[RigFault]) -> Pedal {
    let mut pedal = Pedal::HEALTHY;
    for fault in rig_faults {
        match *fault {
            RigFault::BrakeSaturates { at } => pedal.full_at = at,
            RigFault::BrakeCoarse { levels } => pedal.levels = levels,
            RigFault::ForceFeedbackGain { .. } | RigFault::SteeringMismatch { .. } => {}
        }
    }
    pedal
}

/// A stint being driven.
#[derive(Clone)]
pub(crate) struct Run<'a> {
    ground: &'a Ground<'a>,
    setting: &'a Setting,
    /// Which of the habits act.
    pub(crate) active: Vec<bool>,
    simulation: Simulation,
    driver: Driver,
    plan: Plan,
    /// Speed when the present lap's plan was made \[m/s\].
    plan_from_mps: f64,
    /// 0 is the out-lap.
    pub(crate) lap: u32,
    /// Along the centre line since the line of the out-lap \[m\].
    pub(crate) stint_m: f64,
    pub(crate) offset_m: f64,
    before: Action,
    pub(crate) state: State,
    /// Time \[s\] at which each station was passed, from station 0 of the out-lap on; NaN before the start.
    pub(crate) passed_s: Vec<f64>,
    /// Farthest that the outer wheels were beyond a border on each lap \[m\].
    pub(crate) beyond_m: Vec<f64>,
}

impl<'a> Run<'a> {
    pub(crate) fn start(ground: &'a Ground<'a>, setting: &'a Setting) -> Result<Self, CarError> {
        let car = spoil_car(ground.car, &setting.car_faults, &setting.rig_faults);
        let mut simulation = Simulation::new(
            &car,
            SimulationOptions {
                seed: 1,
                roughness_length_m: ground.road.length_m(),
                air_temp_k: setting.air_temp_k,
                track_temp_k: setting.track_temp_k,
                // Pressures are set to the day's air; tyres and discs have rolled a little.
                tyre_temp_k: Some(setting.air_temp_k + 32.0),
                disc_temp_k: Some(473.0),
                fuel_kg: Some(setting.fuel_kg),
                ..SimulationOptions::default()
            },
        )?;
        let road = ground.road;
        let k = road.station(START_M);
        let offset_m = ground.planner.line_m[k];
        let heading = road.heading_rad[k];
        let (x, y) = (road.x_m[k] - offset_m * heading.sin(), road.y_m[k] + offset_m * heading.cos());
        simulation.place(x, y, heading, START_MPS);
        let driver = Driver::new(setting.skill.hands, pedal(&setting.rig_faults), setting.seed);
        let state = simulation.state();
        let active = vec![true; setting.habits.len()];
        let plan = lap_plan(ground, setting, &active, 0, START_MPS + 10.0);
        let stations = k + 1;
        Ok(Self {
            ground,
            setting,
            active,
            simulation,
            driver,
            plan,
            plan_from_mps: START_MPS + 10.0,
            lap: 0,
            stint_m: k as f64 * road.step_m,
            offset_m,
            before: Action::default(),
            state,
            passed_s: vec![f64::NAN; stations],
            beyond_m: vec![0.0],
        })
    }

    /// The present plan with another set of active habits, from the same line on.
    pub(crate) fn plan_with(&self, active: &[bool]) -> Plan {
        lap_plan(self.ground, self.setting, active, self.lap, self.plan_from_mps)
    }

    pub(crate) fn plan(&self) -> &Plan {
        &self.plan
    }

    /// Changes which habits act, from here on.
    pub(crate) fn set_active(&mut self, active: Vec<bool>) {
        self.plan = self.plan_with(&active);
        self.active = active;
    }

    /// Abscissa since the line of the present lap \[m\].
    pub(crate) fn lap_m(&self) -> f64 {
        self.stint_m - f64::from(self.lap) * self.ground.road.length_m()
    }

    pub(crate) fn time_s(&self) -> f64 {
        self.state.time_s
    }

    pub(crate) fn action(&self) -> Action {
        self.before
    }

    /// Drives on for [`CONTROL_S`].
    pub(crate) fn advance(&mut self) {
        let (road, feel) = (self.ground.road, self.ground.feel);
        let place = Place { s_m: self.lap_m(), offset_m: self.offset_m, stint_m: self.stint_m };
        let action = self.driver.act(feel, road, &self.plan, &self.state, place);
        let surface = self.surface();
        for step in 1..=STEPS {
            let controls = action.controls(&self.before, step as f64 / STEPS as f64);
            let station_m = Some(self.stint_m + self.state.speed_mps * 1e-3 * step as f64);
            self.simulation.step(&controls, &Surface { station_m, ..surface });
        }
        self.before = action;
        self.state = self.simulation.state();
        let from_m = self.stint_m;
        let reach = from_m + self.state.speed_mps * CONTROL_S;
        (self.stint_m, self.offset_m) = road.project(self.state.x_m, self.state.y_m, reach);
        // Times at the stations on the way, on the straight line between two decisions.
        while (self.passed_s.len() as f64) * road.step_m <= self.stint_m {
            let s = self.passed_s.len() as f64 * road.step_m;
            let w = (s - from_m) / (self.stint_m - from_m);
            self.passed_s.push(self.state.time_s - CONTROL_S * (1.0 - w));
        }
        let (left, right) = road.widths_m[road.station(self.stint_m)];
        let half = 0.5 * self.ground.car.body.width_m;
        let beyond = (self.offset_m + half - left).max(half - self.offset_m - right).max(0.0);
        if let Some(worst) = self.beyond_m.last_mut() {
            *worst = worst.max(beyond);
        }
        if self.lap_m() >= road.length_m() {
            self.lap += 1;
            self.beyond_m.push(0.0);
            self.plan_from_mps = self.state.speed_mps;
            self.plan = self.plan_with(&self.active);
        }
    }

    /// Grip under each wheel: road, kerb, grass.
    fn surface(&self) -> Surface {
        let (left, right) = self.ground.road.widths_m[self.ground.road.station(self.stint_m)];
        let half = 0.5 * self.ground.car.front.track_m;
        let grip =
            |offset: f64| if offset > left + KERB_M || -offset > right + KERB_M { GRASS_GRIP } else { 1.0 };
        let (l, r) = (grip(self.offset_m + half), grip(self.offset_m - half));
        Surface { grip: Wheels { fl: l, fr: r, rl: l, rr: r }, ..Surface::default() }
    }
}

/// The plan of a lap: skill, scatter of this lap, active habits.
fn lap_plan(ground: &Ground<'_>, setting: &Setting, active: &[bool], lap: u32, from_mps: f64) -> Plan {
    let skill = &setting.skill;
    let timed = (1..=setting.timed_laps).contains(&lap);
    let mut grip = skill.grip;
    let mut scatter = 1.0;
    let mut uses = if timed {
        1.0
    } else if lap == 0 {
        OUT_LAP_USE
    } else {
        IN_LAP_USE
    };
    let acting = || setting.habits.iter().zip(active).filter(|(_, on)| **on && timed).map(|(h, _)| *h);
    for habit in acting() {
        if let DriverFault::Tired { from_lap, share_per_lap } = habit.fault
            && lap >= from_lap
        {
            let laps = f64::from(lap - from_lap + 1);
            uses *= 1.0 - share_per_lap * laps;
            scatter *= 1.0 + 0.35 * laps;
        }
    }
    grip = GripUse { lateral: grip.lateral * uses, brake: grip.brake * uses, ..grip };
    let deviations: Vec<Deviation> = (0..ground.planner.corners.len())
        .map(|corner| {
            let draw = |stream: u64| normal(setting.seed, stream, i64::from(lap), corner as i64);
            let mut scatter = scatter;
            for habit in acting() {
                if let DriverFault::Inconsistent { factor } = habit.fault
                    && habit.corner.is_none_or(|c| c == corner)
                {
                    scatter *= factor;
                }
            }
            // Nobody can brake later than the car allows: the scatter lies on the early side of a driver's best.
            let early = skill.brake_point_sd_m * scatter * (1.5 + draw(1));
            let mut deviation = Deviation {
                brake_early_m: early.max(0.0),
                slow_mid: (skill.mid_sd * scatter * (1.2 + draw(2))).max(0.0),
                throttle_late_m: (skill.throttle_sd_m * scatter * (1.0 + draw(3))).max(0.0),
                ..Deviation::default()
            };
            for habit in acting() {
                if habit.corner.is_none_or(|c| c == corner) {
                    deviation.add(habit.fault);
                }
            }
            deviation
        })
        .collect();
    let road = ground.road;
    let wander = Wander { seed: setting.seed, stream: 21, knot_m: 70.0 };
    let begin_m = f64::from(lap) * road.length_m();
    let line_sd_m = skill.line_sd_m;
    ground.planner.lap(
        grip,
        &deviations,
        &|station| line_sd_m * wander.at(begin_m + station as f64 * road.step_m),
        from_mps,
    )
}

#[cfg(test)]
mod tests {
    use super::*;
    use vehicle::simulation::Controls;

    /// Eight seconds at 55 m/s: straight, a bend, then hard on the brake; the state at the end of each third, and the
    /// mean size of the front left damper's speed.
    fn manoeuvre(fault: Option<CarFault>) -> ([State; 3], f64) {
        let car = Car::from_toml_str(vehicle::examples::GT).unwrap();
        let car = spoil_car(&car, fault.as_slice(), &[]);
        let mut simulation = Simulation::new(&car, SimulationOptions::default()).unwrap();
        simulation.place(0.0, 0.0, 0.0, 55.0);
        let mut damper_mps = 0.0;
        let thirds = [(3000, 0.55, 0.0, 0.0), (3000, 0.6, 0.0, 0.5), (2000, 0.0, 0.5, 0.0)];
        let states = thirds.map(|(steps, throttle, brake, steering_wheel_angle_rad)| {
            for _ in 0..steps {
                let controls = Controls { throttle, brake, steering_wheel_angle_rad, ..Default::default() };
                simulation.step(&controls, &Surface::default());
                damper_mps += simulation.state().wheels.fl.damper_speed_mps.abs() / 8000.0;
            }
            simulation.state()
        });
        (states, damper_mps)
    }

    /// Each fault of the car shows in the channel that a race engineer would look at, with the sign of common practice.
    #[test]
    fn every_fault_of_the_car_shows_where_one_would_look() {
        let (healthy, damper_mps) = manoeuvre(None);
        let rear_n = |s: &State| s.wheels.rl.load_n + s.wheels.rr.load_n;
        let turn = |s: &[State; 3]| s[1].yaw_rate_radps / s[1].speed_mps;
        let with = |fault| manoeuvre(Some(fault)).0;

        // More front roll stiffness, or less front camber towards the bend's inside: the car turns less for the same wheel.
        assert!(turn(&with(CarFault::RollBalance { front_share: 0.12 })) < turn(&healthy));
        // Rear toe-in calms: less yaw for the same wheel. Front toe-in at speed rolls with slip angles of its own.
        assert!(turn(&with(CarFault::RearToe { size_rad: 0.006 })) < turn(&healthy));
        let toe = with(CarFault::FrontToe { size_rad: 0.006 });
        let spread = |s: &State| s.wheels.fr.slip_angle_rad - s.wheels.fl.slip_angle_rad;
        assert!(
            (spread(&toe[0]) - spread(&healthy[0])).abs() > 0.005,
            "{} {}",
            spread(&toe[0]),
            spread(&healthy[0])
        );

        let share =
            |s: &State| s.brake_pressure_front_pa / (s.brake_pressure_front_pa + s.brake_pressure_rear_pa);
        assert!(share(&with(CarFault::BrakeBias { front_share: 0.05 })[2]) > share(&healthy[2]) + 0.01);
        assert!(rear_n(&with(CarFault::Wing { size_rad: 0.05 })[0]) > rear_n(&healthy[0]) + 50.0);
        let soft = with(CarFault::Pressure { wheel: 1, size_pa: -20e3 });
        let lost_pa = healthy[0].wheels.fr.tyre_pressure_pa - soft[0].wheels.fr.tyre_pressure_pa;
        assert!((15e3..30e3).contains(&lost_pa), "{lost_pa}");
        let camber = with(CarFault::FrontCamber { size_rad: 0.03 });
        assert!((turn(&camber) / turn(&healthy) - 1.0).abs() > 1e-3);
        let stiff_mps = manoeuvre(Some(CarFault::FrontDamper { factor: 2.5 })).1;
        assert!(stiff_mps < damper_mps, "{stiff_mps} {damper_mps}");
        let high = with(CarFault::RearRideHeight { size_m: 0.006 });
        assert!(high[0].wheels.rl.ride_height_m > healthy[0].wheels.rl.ride_height_m + 0.003);
        let both = with(CarFault::RideHeight { size_m: 0.006 });
        assert!(both[0].wheels.fl.ride_height_m > healthy[0].wheels.fl.ride_height_m + 0.003);
        let shut = with(CarFault::Ducts { opening: -0.5 });
        assert!(shut[2].wheels.fl.brake_temp_k > healthy[2].wheels.fl.brake_temp_k);
    }
}
