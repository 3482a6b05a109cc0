//! Braking, coasting, drive and gas against closed forms.

use vehicle::car::{Car, Disc};
use vehicle::simulation::{Controls, GearRequest, Road, Simulation, SimulationOptions};

fn gt() -> Car {
    Car::from_toml_str(vehicle::examples::GT).expect("an example is a car")
}

fn level() -> SimulationOptions {
    SimulationOptions {
        roughness_m3: 0.0,
        tyre_temp_k: Some(353.15),
        disc_temp_k: Some(500.0),
        ..Default::default()
    }
}

/// Coasting in neutral without rolling resistance: 1/V grows by ρ·A/(2m) per metre, so V = V0 exp(−c s/m). The same
/// closed form gives 48.71284 m/s after 500 m from 60 m/s for 1300 kg and a drag area of 0.9 m² at 1.2041 kg/m³.
#[test]
fn coast_down_follows_the_closed_form() {
    let reference = 60.0 * (-0.5 * 1.2041 * 0.9 / 1300.0 * 500.0_f64).exp();
    assert!((reference - 48.71284).abs() < 1e-5);

    let mut car = gt();
    car.body.mass_kg = 1300.0;
    car.fuel.mass_kg = 0.0;
    for axle in [&mut car.front, &mut car.rear] {
        axle.tyre.rolling_resistance = 0.0;
        axle.toe_rad = 0.0;
        axle.camber_rad = 0.0;
        // Light wheels: what they store is not in the closed form.
        axle.wheel_inertia_kgm2 = 0.1;
    }
    car.aero.drag_area_m2 += 0.9 - car.drag_area_m2();
    let options = SimulationOptions { air_temp_k: 293.15, ..level() };
    let density = options.air_density_kgpm3();
    assert!((density - 1.2041).abs() < 1e-4);
    let mut simulation = Simulation::new(&car, options).expect("a car");
    simulation.place(0.0, 0.0, 0.0, 60.0);
    while simulation.state().distance_m < 500.0 {
        simulation.step(&Controls { gear: GearRequest::Gear(0), ..Default::default() }, &Road::default());
    }
    let state = simulation.state();
    let wheels_kg = 4.0 * 0.1 / 0.34_f64.powi(2);
    let expected = 60.0 * (-0.5 * density * 0.9 / (1300.0 + wheels_kg) * state.distance_m).exp();
    assert!((state.speed_mps - expected).abs() < 0.02, "{} against {expected}", state.speed_mps);
    assert!((state.time_s - 9.265).abs() < 0.05, "{} s", state.time_s);
}

/// From 100 km/h the car must stop within what its tyres' friction allows: not shorter than v²/(2 μ g) with the
/// largest friction, not longer than a credible 35 m.
#[test]
fn stopping_distance_from_100_kmh_lies_between_friction_and_practice() {
    let mut simulation = Simulation::new(&gt(), level()).expect("a car");
    let speed: f64 = 100.0 / 3.6;
    simulation.place(0.0, 0.0, 0.0, speed);
    while simulation.state().speed_mps > 0.1 && simulation.state().time_s < 10.0 {
        simulation.step(&Controls { brake: 0.9, ..Default::default() }, &Road::default());
    }
    let stop = simulation.state().distance_m;
    let shortest = speed * speed / (2.0 * 1.6 * 9.80665);
    assert!(stop > shortest && stop < 35.0, "{stop} m, friction alone allows {shortest} m");
}

/// `[Limpert2011]`'s single-stop form, from memory: the heat of a stop over the heat capacity. 1300 kg from 60 m/s are
/// 2.34 MJ; 62 % of it in two discs of 9.5 kg and 480 J/(kg K) is 159.08 K.
#[test]
fn a_stop_heats_the_discs_by_energy_over_heat_capacity() {
    let closed = 0.62 * 0.5 * 1300.0 * 60.0 * 60.0 / (2.0 * 9.5 * 480.0);
    assert!((closed - 159.0789_f64).abs() < 1e-3);

    let mut car = gt();
    car.assists.antilock = 0.0;
    car.aero.drag_area_m2 = 0.05;
    car.aero.drag_per_wing_deg = 0.0;
    car.brakes.front_share = 0.62;
    let sealed = Disc {
        mass_kg: 9.5,
        specific_heat_jpkgk: 480.0,
        radiating_area_m2: 0.0,
        still_cooling_wpk: 0.0,
        closed_duct_cooling_wspkm: 0.0,
        open_duct_cooling_wspkm: 0.0,
        working_temp_k: 280.0,
        ..car.front.disc
    };
    car.front.disc = sealed;
    car.rear.disc = sealed;
    let mut simulation = Simulation::new(&car, level()).expect("a car");
    simulation.place(0.0, 0.0, 0.0, 60.0);
    let start = simulation.state();
    while simulation.state().speed_mps > 0.2 && simulation.state().time_s < 30.0 {
        // Gentle enough that tyres hardly slip: rubbing takes heat from the discs.
        let controls = Controls { brake: 0.35, gear: GearRequest::Gear(0), ..Default::default() };
        simulation.step(&controls, &Road::default());
    }
    let end = simulation.state();
    let heat = |w: fn(&vehicle::simulation::State) -> f64| (w(&end) - w(&start)) * 9.5 * 480.0;
    let discs = 2.0 * heat(|s| s.wheels.fl.brake_temp_k) + 2.0 * heat(|s| s.wheels.rl.brake_temp_k);
    let mass = car.mass_kg(start.fuel_kg);
    let energy = 0.5 * mass * 3600.0;
    let share = discs / energy;
    assert!(
        (0.86..1.02).contains(&share),
        "discs took {share} of the energy; drag, rolling and slip take the rest"
    );
    let front = heat(|s| s.wheels.fl.brake_temp_k)
        / (heat(|s| s.wheels.fl.brake_temp_k) + heat(|s| s.wheels.rl.brake_temp_k));
    assert!((front - 0.62).abs() < 0.01, "front share {front}");
}

/// Ideal gas: 27.5 psi gauge at 85 °C is 19.84193 psi at 20 °C; read the other way here, from cold to hot.
#[test]
fn hot_pressure_follows_the_ideal_gas_law() {
    const PSI: f64 = 6894.757;
    let mut car = gt();
    car.front.cold_pressure_pa = [19.84193 * PSI; 2];
    let options = SimulationOptions { cold_temp_k: Some(293.15), tyre_temp_k: Some(358.15), ..level() };
    let state = Simulation::new(&car, options).expect("a car").state();
    assert!((state.wheels.fl.tyre_pressure_pa / PSI - 27.5).abs() < 1e-4);
    // 1.80 bar at 15 °C: 2.434604 bar at 80 °C at sea level, 2.396777 in the air of 84556 Pa.
    car.front.cold_pressure_pa = [1.8e5; 2];
    for (air, expected) in [(101_325.0, 2.434604), (84_556.0, 2.396777)] {
        let options = SimulationOptions {
            cold_temp_k: Some(288.15),
            tyre_temp_k: Some(353.15),
            air_pressure_pa: air,
            ..level()
        };
        let state = Simulation::new(&car, options).expect("a car").state();
        assert!((state.wheels.fr.tyre_pressure_pa * 1e-5 - expected).abs() < 1e-6);
    }
}

/// With grip to spare and no drag the car gains P/m: 1300 kg and 300 kW from 20 to 60 m/s take 6.93333 s. A flat torque
/// curve geared so that power is constant is not at hand, so work is compared: the engine's work is kinetic energy.
#[test]
fn drive_turns_the_engines_work_into_speed() {
    let closed: f64 = 0.5 * 1300.0 * (60.0 * 60.0 - 20.0 * 20.0) / 300e3;
    assert!((closed - 6.93333).abs() < 1e-5);

    let mut car = gt();
    car.aero.drag_area_m2 = 0.05;
    car.aero.drag_per_wing_deg = 0.0;
    car.gearbox.efficiency = 1.0;
    car.gearbox.shift_time_s = 0.0;
    car.fuel.idle_kgps = 0.0;
    for axle in [&mut car.front, &mut car.rear] {
        axle.tyre.rolling_resistance = 0.0;
        axle.toe_rad = 0.0;
    }
    let mut simulation = Simulation::new(&car, level()).expect("a car");
    simulation.place(0.0, 0.0, 0.0, 35.0);
    let start = simulation.state();
    let gear = GearRequest::Gear(start.gear + 1);
    for _ in 0..3000 {
        simulation.step(&Controls { throttle: 0.7, gear, ..Default::default() }, &Road::default());
    }
    let end = simulation.state();
    let work = (start.fuel_kg - end.fuel_kg) / car.fuel.use_kgpmj * 1e6;
    let spinning = |s: &vehicle::simulation::State| {
        let wheels = s.wheels.map(|w| 0.5 * w.speed_radps * w.speed_radps).to_array();
        car.front.wheel_inertia_kgm2 * (wheels[0] + wheels[1])
            + car.rear.wheel_inertia_kgm2 * (wheels[2] + wheels[3])
            + 0.5 * car.engine.inertia_kgm2 * s.engine_speed_radps * s.engine_speed_radps
            + 0.5 * car.mass_kg(s.fuel_kg) * s.speed_mps * s.speed_mps
    };
    let gained = spinning(&end) - spinning(&start);
    // Slip of the driven tyres and the little drag take a few per cent.
    assert!((0.90..1.0).contains(&(gained / work)), "{gained} J of {work} J");
}
