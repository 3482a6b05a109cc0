//! The delay estimator on a real drive: `shared/datasets/race_car_track`, beside the repository (its README names source and
//! licence). Tolerance: half a sample of that log, 0.02 s. The yaw rate of that log is 0.38 s behind the yaw rate of the path, found there with another program.

mod shared;

use rig::signal::{Signal, delay};

#[test]
fn the_late_yaw_rate_of_a_real_log_is_found() {
    let Some(folder) = shared::folder("datasets/race_car_track") else { return };
    let text = std::fs::read_to_string(folder.join("road_course.csv")).unwrap();
    let rows: Vec<Vec<f64>> =
        text.lines().skip(1).map(|l| l.split(',').map(|v| v.parse().unwrap()).collect()).collect();
    let column = |k: usize| rows.iter().map(|r| r[k]).collect::<Vec<f64>>();
    let (t, heading, delta, omega) = (column(0), column(5), column(6), column(7));
    // The car at rest shows no course: 5 m/s and more. Yaw rate of the path: heading by central differences, along the shorter way round.
    let turn = |a: f64, b: f64| (b - a).sin().atan2((b - a).cos());
    let yaw: Vec<f64> = (0..t.len())
        .map(|i| {
            if rows[i][3] < 5.0 {
                return f64::NAN;
            }
            let (a, b) = (i.saturating_sub(1), (i + 1).min(t.len() - 1));
            turn(heading[a], heading[b]) / (t[b] - t[a])
        })
        .collect();
    let found = |early: &[f64], late: &[f64]| {
        delay(Signal { time_s: &t, values: early }, Signal { time_s: &t, values: late }, 1.0, 1.0).unwrap()
    };
    let late = found(&yaw, &omega);
    println!("yaw rate behind the path's: {late:?}");
    assert!((late.delay_s - 0.38).abs() < 0.02, "{late:?}");
    assert!(late.correlation > 0.99, "{late:?}");
    // The README: the road wheels follow the path's curvature with 0.07 s; so the logged yaw rate follows them with the rest.
    let steered = found(&delta, &omega);
    println!("yaw rate behind the road wheels: {steered:?}");
    assert!((0.25..0.50).contains(&steered.delay_s), "{steered:?}");
}
