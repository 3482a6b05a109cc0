use super::*;

fn gt() -> Car {
    Car::from_toml_str(crate::examples::GT).unwrap()
}

fn flat() -> SimulationOptions {
    SimulationOptions {
        roughness_m3: 0.0,
        tyre_temp_k: Some(353.0),
        disc_temp_k: Some(600.0),
        ..Default::default()
    }
}

fn drive(simulation: &mut Simulation, seconds: f64, controls: &Controls) -> State {
    for _ in 0..(seconds / simulation.options.step_s).round() as usize {
        simulation.step(controls, &Road::default());
    }
    simulation.state()
}

#[test]
fn a_parked_car_stays_where_it_is() {
    let mut simulation = Simulation::new(&gt(), flat()).unwrap();
    let state = drive(
        &mut simulation,
        5.0,
        &Controls { brake: 0.3, gear: GearRequest::Gear(0), ..Default::default() },
    );
    assert!(state.distance_m < 0.01 && state.speed_mps < 1e-3, "{state:?}");
    let sum = state.wheels.map(|w| w.load_n).sum();
    let weight = gt().mass_kg(gt().fuel.mass_kg) * GRAVITY_MPS2;
    assert!((sum - weight).abs() < 1e-3 * weight, "{sum} against {weight}");
}

#[test]
fn full_throttle_reaches_a_credible_top_speed_and_full_brake_stops() {
    let mut simulation = Simulation::new(&gt(), flat()).unwrap();
    let mut hundred_s = None;
    for _ in 0..60_000 {
        simulation.step(&Controls { throttle: 1.0, ..Default::default() }, &Road::default());
        if simulation.state().speed_mps > 100.0 / 3.6 && hundred_s.is_none() {
            hundred_s = Some(simulation.state().time_s);
        }
    }
    let top_kmh = 3.6 * simulation.state().speed_mps;
    assert!((255.0..290.0).contains(&top_kmh), "top speed {top_kmh} km/h");
    assert!((2.8..4.5).contains(&hundred_s.unwrap()), "0-100 km/h in {hundred_s:?} s");
    simulation.place(0.0, 0.0, 0.0, 100.0 / 3.6);
    let start_m = simulation.state().distance_m;
    let state = drive(&mut simulation, 5.0, &Controls { brake: 1.0, ..Default::default() });
    let braking_m = state.distance_m - start_m;
    assert!(state.speed_mps < 0.05 && (27.0..36.0).contains(&braking_m), "{braking_m} m from 100 km/h");
}

fn assert_finite(state: &State) {
    let text = format!("{state:?}");
    assert!(!text.contains("NaN") && !text.contains("inf"), "{text}");
    assert!(state.speed_mps < 200.0);
    for wheel in state.wheels.to_array() {
        assert!(wheel.load_n >= 0.0 && (200.0..600.0).contains(&wheel.tyre_core_temp_k));
    }
}

proptest::proptest! {
    #![proptest_config(proptest::prelude::ProptestConfig::with_cases(60))]

    /// Any pedals, any steering, even ones that are no numbers, on any road.
    #[test]
    fn random_pedals_and_steering_never_make_a_number_that_is_none(
        speed in 0.0..95.0_f64,
        inputs in proptest::collection::vec(
            (-0.5..1.5_f64, -0.5..1.5_f64, 0.0..1.0_f64, -9.0..9.0_f64, 0_u8..9, -0.3..0.3_f64, 0.0..0.08_f64, 0.2..1.2_f64),
            20,
        ),
        broken in 0_usize..60,
        which in 0_usize..3,
        step_s in proptest::sample::select(vec![2e-4, 5e-4, 1e-3, 2e-3]),
    ) {
        let options =
            SimulationOptions { step_s, roughness_m3: RoadClass::C.density_m3(), ..Default::default() };
        let car = Car::from_toml_str(crate::examples::ALL[which].1).unwrap();
        let mut simulation = Simulation::new(&car, options).unwrap();
        simulation.place(0.0, 0.0, 0.0, speed);
        for (k, &(throttle, brake, clutch, steer, gear, slope, kerb, grip)) in inputs.iter().enumerate() {
            let mut controls = Controls {
                throttle,
                brake,
                clutch,
                steering_wheel_angle_rad: steer,
                gear: if gear > 7 { GearRequest::Automatic } else { GearRequest::Gear(gear) },
            };
            if k == broken {
                controls.throttle = f64::NAN;
                controls.steering_wheel_angle_rad = f64::INFINITY;
            }
            let road = Road {
                grade_rad: slope,
                bank_rad: -slope,
                vertical_curvature_pm: 0.05 * slope,
                grip: Wheels { fl: grip, fr: 1.0, rl: grip, rr: 1.0 },
                height_m: Wheels { fl: kerb, fr: 0.0, rl: kerb, rr: 0.0 },
                station_m: None,
            };
            for _ in 0..200 {
                simulation.step(&controls, &road);
            }
            assert_finite(&simulation.state());
        }
    }
}

#[test]
fn a_mirrored_drive_mirrors_the_car() {
    let run = |sign: f64| {
        let mut simulation = Simulation::new(&gt(), flat()).unwrap();
        simulation.place(0.0, 0.0, 0.0, 35.0);
        drive(
            &mut simulation,
            3.0,
            &Controls { throttle: 0.3, steering_wheel_angle_rad: sign * 0.5, ..Default::default() },
        )
    };
    let (left, right) = (run(1.0), run(-1.0));
    assert!(left.yaw_rate_radps > 0.1 && left.accel_y_mps2 > 3.0, "a left turn is positive: {left:?}");
    assert!(left.force_feedback_torque_nm < 0.0, "the wheel pushes back to the right in a left turn");
    assert!(left.roll_rad > 0.0 && left.wheels.fr.load_n > left.wheels.fl.load_n);
    assert!((left.yaw_rate_radps + right.yaw_rate_radps).abs() < 1e-9);
    assert!((left.y_m + right.y_m).abs() < 1e-6);
    assert!((left.wheels.fl.load_n - right.wheels.fr.load_n).abs() < 1e-6);
    assert!((left.wheels.rr.tyre_temp_outer_k - right.wheels.rl.tyre_temp_outer_k).abs() < 1e-9);
}

/// A car without load transfer, aero, trail and nearly without tyre lag is the linear single-track car: same step
/// response.
#[test]
fn a_small_step_steer_follows_the_linear_single_track_car() {
    let mut car = gt();
    car.body.cg_height_m = 0.05;
    car.aero = crate::car::Aero { drag_area_m2: 0.05, duct_drag_area_m2: 0.0, ..Default::default() };
    car.differential = crate::car::Differential::Open;
    car.steering.ackermann = 0.0;
    for axle in [&mut car.front, &mut car.rear] {
        axle.camber_rad = 0.0;
        axle.camber_per_roll = 0.0;
        axle.toe_rad = 0.0;
        axle.roll_centre_height_m = 0.0;
        axle.tyre.lateral_relaxation_m = 0.05;
        axle.tyre.rolling_resistance = 0.0;
        axle.tyre.grip_loss_50k = 0.0;
        axle.tyre.magic_formula.qdz1 = 0.0;
        axle.tyre.magic_formula.qdz2 = 0.0;
    }
    let speed = 80.0 / 3.6;
    let linear = crate::steady::linearised(&car, speed);
    let core_k = car.front.tyre.best_temp_k - 15.0;
    let options = SimulationOptions { tyre_temp_k: Some(core_k), cold_temp_k: Some(293.15), ..flat() };
    let mut simulation = Simulation::new(&car, options).unwrap();
    simulation.place(0.0, 0.0, 0.0, speed);
    let steer = 0.004;
    let controls = Controls {
        steering_wheel_angle_rad: steer * car.steering.ratio,
        gear: GearRequest::Gear(0),
        ..Default::default()
    };
    let end = steer * linear.yaw_gain_ps(speed);
    let mut peak = (0.0_f64, 0.0);
    for _ in 0..1500 {
        simulation.step(&controls, &Road::default());
        let state = simulation.state();
        if state.yaw_rate_radps > peak.0 {
            peak = (state.yaw_rate_radps, state.time_s);
        }
        let expected = steer * linear.yaw_step(speed, state.time_s);
        let off = (state.yaw_rate_radps - expected).abs();
        assert!(off < 0.04 * end, "{} against {expected} at {} s", state.yaw_rate_radps, state.time_s);
    }
    let settled = simulation.state().yaw_rate_radps;
    assert!((settled - end).abs() < 0.01 * end, "{settled} against {end}");
}

/// Quarter car of 300 and 40 kg on 30 and 200 kN/m: natural frequencies 1.4824 and 12.0824 Hz (eigenvalues by SciPy).
/// The ride model's body is dropped and its heave counted.
#[test]
fn the_body_heaves_at_the_quarter_cars_frequency() {
    let mut car = gt();
    car.body.mass_kg = 4.0 * 340.0;
    car.fuel.mass_kg = 0.0;
    car.body.front_axle_to_cg_m = 0.5 * car.body.wheelbase_m;
    for axle in [&mut car.front, &mut car.rear] {
        axle.wheel_rate_npm = 30e3;
        axle.unsprung_mass_kg = 40.0;
        axle.tyre.vertical_stiffness_npm = 200e3;
        axle.bump_travel_m = 0.2;
        axle.ride_height_m = 0.3;
        axle.damper = crate::car::Damper {
            bump_slow_nspm: 150.0,
            bump_fast_nspm: 150.0,
            rebound_slow_nspm: 150.0,
            rebound_fast_nspm: 150.0,
            knee_mps: 0.05,
        };
    }
    let mut simulation = Simulation::new(&car, flat()).unwrap();
    let controls = Controls { brake: 0.2, gear: GearRequest::Gear(0), ..Default::default() };
    // A bump under all wheels, then let it swing.
    let bump = Road { height_m: Wheels::splat(0.02), ..Default::default() };
    for _ in 0..50 {
        simulation.step(&controls, &bump);
    }
    let mut crossings = Vec::new();
    let mut before = 0.0;
    for k in 0..6000 {
        simulation.step(&controls, &Road::default());
        let w = simulation.state().wheels;
        let travel = w.map(|s| s.damper_travel_m).sum();
        if k > 1500 && before < 0.0 && travel >= 0.0 {
            crossings.push(k);
        }
        before = travel;
    }
    let periods = (crossings.len() - 1) as f64;
    let frequency = periods / ((crossings[crossings.len() - 1] - crossings[0]) as f64 * 1e-3);
    assert!((frequency - 1.482421).abs() < 0.03, "{frequency} Hz");
}

/// Each fault that the demo plants is a change of the car's fields; each must show in the channels where a driver or
/// an engineer would look for it.
#[test]
fn planted_faults_show_where_one_would_look() {
    let run = |change: fn(&mut Car)| {
        let mut car = gt();
        change(&mut car);
        let mut simulation = Simulation::new(&car, flat()).unwrap();
        simulation.place(0.0, 0.0, 0.0, 40.0);
        let controls = Controls { throttle: 0.4, steering_wheel_angle_rad: 0.35, ..Default::default() };
        drive(&mut simulation, 4.0, &controls)
    };
    let base = run(|_| {});
    let soft = run(|car| car.front.cold_pressure_pa[1] -= 0.3e5);
    assert!(soft.wheels.fr.tyre_pressure_pa < base.wheels.fr.tyre_pressure_pa - 0.3e5);
    assert!(soft.yaw_rate_radps < base.yaw_rate_radps, "less front grip, less turning");
    let wing = run(|car| car.aero.wing_rad += 6_f64.to_radians());
    assert!(wing.wheels.rr.load_n > base.wheels.rr.load_n && wing.yaw_rate_radps < base.yaw_rate_radps);
    let low = run(|car| car.front.ride_height_m -= 0.008);
    assert!(low.wheels.fl.ride_height_m < base.wheels.fl.ride_height_m - 0.006);
    assert!(low.wheels.fr.load_n > base.wheels.fr.load_n, "a low nose loads the front");
    let toe = run(|car| car.rear.toe_rad += 1_f64.to_radians());
    let rear = |s: &State| s.wheels.rl.tyre_temp_middle_k + s.wheels.rr.tyre_temp_middle_k;
    assert!(rear(&toe) > rear(&base), "toe-in rubs the rear tyres");
    let camber = run(|car| car.front.camber_rad -= 2_f64.to_radians());
    let spread = |s: &State| s.wheels.fl.tyre_temp_inner_k - s.wheels.fl.tyre_temp_outer_k;
    assert!(spread(&camber) > spread(&base), "more camber heats the inside");
    let gain = run(|car| car.steering.force_feedback_gain = 3.0);
    assert_eq!(gain.force_feedback_command, -1.0, "clips in the corner");
    assert!(base.force_feedback_command > -1.0 && base.force_feedback_command < -0.2);
    let bar = run(|car| car.rear.anti_roll_bar_nmprad *= 2.0);
    assert!(bar.yaw_rate_radps > base.yaw_rate_radps, "a stiffer rear turns more");
}

#[test]
fn brake_bias_and_ducts_do_what_a_driver_expects() {
    let stop = |change: fn(&mut Car)| {
        let mut car = gt();
        change(&mut car);
        let mut simulation = Simulation::new(&car, flat()).unwrap();
        simulation.place(0.0, 0.0, 0.0, 60.0);
        drive(&mut simulation, 2.0, &Controls { brake: 0.5, ..Default::default() })
    };
    let (base, rear) = (stop(|_| {}), stop(|car| car.brakes.front_share = 0.5));
    assert!(rear.brake_pressure_rear_pa > base.brake_pressure_rear_pa);
    assert!(rear.wheels.rl.brake_temp_k > base.wheels.rl.brake_temp_k);
    let cool = |opening: f64| {
        let mut car = gt();
        car.front.disc.duct_opening = opening;
        let mut simulation = Simulation::new(&car, flat()).unwrap();
        simulation.place(0.0, 0.0, 0.0, 50.0);
        drive(&mut simulation, 20.0, &Controls { throttle: 0.4, ..Default::default() }).wheels.fl.brake_temp_k
    };
    assert!(cool(1.0) < cool(0.0) - 20.0, "{} {}", cool(1.0), cool(0.0));
}

#[test]
fn traction_control_and_antilock_hold_the_slip() {
    let slip = |level: f64, controls: Controls, speed: f64| {
        let mut car = gt();
        car.assists.traction_control = level;
        car.assists.antilock = level;
        let mut simulation = Simulation::new(&car, flat()).unwrap();
        simulation.place(0.0, 0.0, 0.0, speed);
        let road = Road { grip: Wheels::splat(0.7), ..Default::default() };
        let mut worst = 0.0_f64;
        let mut active = 0.0_f64;
        for _ in 0..1500 {
            simulation.step(&controls, &road);
            let state = simulation.state();
            worst = state.wheels.to_array().iter().map(|w| w.slip_ratio.abs()).fold(worst, f64::max);
            active = active.max(state.traction_control_active).max(state.antilock_active);
        }
        (worst, active)
    };
    let brake = Controls { brake: 1.0, ..Default::default() };
    let launch = Controls { throttle: 1.0, ..Default::default() };
    for (controls, speed) in [(brake, 40.0), (launch, 12.0)] {
        let (free, off) = slip(0.0, controls, speed);
        let (held, on) = slip(6.0, controls, speed);
        assert!(free > 0.6 && off == 0.0, "without help the wheels lock or spin: {free}");
        assert!(held < 0.6 * free && on > 0.1, "{held} of {free}, active {on}");
    }
}

#[test]
fn the_automatic_box_uses_every_gear_and_never_over_revs() {
    let car = gt();
    let mut simulation = Simulation::new(&car, flat()).unwrap();
    let mut seen = [false; 8];
    let mut most = 0.0_f64;
    for k in 0..60_000 {
        let controls = if k < 40_000 {
            Controls { throttle: 1.0, ..Default::default() }
        } else {
            Controls { brake: 0.6, ..Default::default() }
        };
        simulation.step(&controls, &Road::default());
        let state = simulation.state();
        seen[usize::from(state.gear)] = true;
        most = most.max(state.engine_speed_radps);
    }
    assert!(seen[1..=6].iter().all(|s| *s), "{seen:?}");
    assert!(most < 1.06 * car.engine.limit_radps, "{most}");
    assert!(simulation.state().speed_mps < 0.1 && simulation.state().gear == 1);
}

#[test]
fn the_same_seed_drives_the_same_way() {
    let run = |seed: u64| {
        let mut simulation =
            Simulation::new(&gt(), SimulationOptions { seed, ..Default::default() }).unwrap();
        simulation.place(0.0, 0.0, 0.0, 50.0);
        drive(
            &mut simulation,
            3.0,
            &Controls { throttle: 0.5, steering_wheel_angle_rad: 0.1, ..Default::default() },
        )
    };
    assert_eq!(run(3), run(3));
    assert_ne!(run(3).wheels.fl.damper_travel_m, run(4).wheels.fl.damper_travel_m);
}

/// Steering in slowly at steady speed the car reaches what the envelope promises, less what heat and the falling speed
/// take.
#[test]
fn the_simulation_reaches_the_envelopes_limit() {
    for (name, text) in crate::examples::ALL {
        let car = Car::from_toml_str(text).unwrap();
        let core_k = car.front.tyre.best_temp_k - 15.0;
        let options = SimulationOptions {
            roughness_m3: 0.0,
            air_temp_k: 293.15,
            tyre_temp_k: Some(core_k),
            cold_temp_k: Some(293.15),
            ..Default::default()
        };
        for speed in [25.0, 45.0] {
            let mut simulation = Simulation::new(&car, options).unwrap();
            simulation.place(0.0, 0.0, 0.0, speed);
            let mut most = (0.0_f64, speed);
            for k in 0..8000 {
                let state = simulation.state();
                if state.speed_mps < 0.95 * speed || state.sideslip_rad.abs() > 0.25 {
                    break;
                }
                if state.accel_y_mps2 > most.0 {
                    most = (state.accel_y_mps2, state.speed_mps);
                }
                let controls = Controls {
                    throttle: (0.3 + 0.6 * (speed - state.speed_mps)).clamp(0.0, 1.0),
                    steering_wheel_angle_rad: f64::from(k) * 1e-3 * 0.25,
                    ..Default::default()
                };
                simulation.step(&controls, &Road::default());
            }
            let promised = crate::steady::limit_balance(&car, most.1).accel_y_mps2;
            let share = most.0 / promised;
            assert!((0.9..1.04).contains(&share), "{name} at {speed} m/s: {share} of {promised} m/s²");
        }
    }
}

/// Rolling freely down a slope a car gains g sin(slope), less what its spinning wheels store; in a dip it carries
/// V² times the curvature more, on a banking g cos(bank).
#[test]
fn slope_banking_and_dips_act_through_gravity() {
    let mut car = gt();
    car.aero = crate::car::Aero { drag_area_m2: 0.05, duct_drag_area_m2: 0.0, ..Default::default() };
    for axle in [&mut car.front, &mut car.rear] {
        axle.tyre.rolling_resistance = 0.0;
        axle.toe_rad = 0.0;
        axle.camber_rad = 0.0;
    }
    let controls = Controls { gear: GearRequest::Gear(0), ..Default::default() };
    let run = |road: &Road| {
        let mut simulation = Simulation::new(&car, flat()).unwrap();
        simulation.place(0.0, 0.0, 0.0, 30.0);
        for _ in 0..2000 {
            simulation.step(&controls, road);
        }
        simulation.state()
    };
    let mass = car.mass_kg(car.fuel.mass_kg);
    let wheels = 2.0 * (car.front.wheel_inertia_kgm2 + car.rear.wheel_inertia_kgm2) / 0.335_f64.powi(2);
    let down = run(&Road { grade_rad: -0.1, ..Default::default() });
    let level = run(&Road::default());
    let gained = (down.speed_mps - level.speed_mps) / 2.0;
    let expected = GRAVITY_MPS2 * 0.1_f64.sin() * mass / (mass + wheels);
    assert!((gained - expected).abs() < 0.02 * expected, "{gained} against {expected}");

    let loads = |state: &State| state.wheels.map(|w| w.load_n).sum();
    let dip = run(&Road { vertical_curvature_pm: 0.004, ..Default::default() });
    let more = (loads(&dip) - loads(&level)) / mass;
    let expected = 0.004 * dip.speed_mps * dip.speed_mps;
    assert!((more - expected).abs() < 0.03 * expected, "{more} against {expected}");

    let banked = run(&Road { bank_rad: 0.1, ..Default::default() });
    assert!(banked.velocity_y_mps < 0.0 && banked.y_m < 0.0, "a higher left side lets it slide to the right");
}
