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
    ) {
        let options = SimulationOptions { roughness_m3: RoadClass::C.density_m3(), ..Default::default() };
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
