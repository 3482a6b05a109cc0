//! Limit laps of full cars, by their g-g-V tables.

use limit::{Circuit, lap_on_minimum_curvature, minimum_time};
use vehicle::car::Car;
use vehicle::ggv::{GgvOptions, GgvTable};

#[test]
fn the_example_cars_find_their_limit_laps() {
    for circuit_text in
        [include_str!("../testdata/vellmoor.csv"), include_str!("../testdata/quarrin_quay.csv")]
    {
        let circuit = Circuit::from_csv(circuit_text).unwrap();
        for (name, text) in vehicle::examples::ALL {
            let car = Car::from_toml_str(text).unwrap();
            let table = GgvTable::new(&car, &GgvOptions::default());
            let bent = lap_on_minimum_curvature(&circuit, &table, 3.0).unwrap();
            let first = minimum_time(&circuit, &table, 3.0, None).unwrap();
            assert!(first.lap.converged, "{name}: {:?}", first.lap.warnings);
            assert!(first.lap.lap_time_s < bent.lap_time_s, "{name}");
            let drive = first.lap.certificate.expect("the drive holds the line");
            assert!((drive.lap_time_s / first.lap.lap_time_s - 1.0).abs() < 2e-3, "{name}: {drive:?}");
            // 2 % less grip: slower, and quickly found from the lap before.
            let slippery = GgvTable::new(&car, &GgvOptions { grip: 0.98, ..GgvOptions::default() });
            let warm = minimum_time(&circuit, &slippery, 3.0, first.warm.as_ref()).unwrap().lap;
            let cold = minimum_time(&circuit, &slippery, 3.0, None).unwrap().lap;
            assert!(warm.converged && warm.lap_time_s > first.lap.lap_time_s, "{name}");
            // A dented envelope has neighbouring optima: 2 to 15 ms apart were seen.
            let apart = warm.lap_time_s / cold.lap_time_s - 1.0;
            assert!(apart.abs() < 5e-4, "{name}: {} {}", warm.lap_time_s, cold.lap_time_s);
        }
    }
}
