//! Circuit files of all kinds of badness: a message or a circuit, never a panic, and what is accepted is usable.

use limit::{Circuit, minimum_curvature_line};
use proptest::prelude::*;

const HEADER: &str = "x [m],y [m],width_left [m],width_right [m]\n";

proptest! {
    #[test]
    fn any_text_is_answered(text in "\\PC*") {
        let _ = Circuit::from_csv(&text);
        let _ = Circuit::from_csv(&format!("{HEADER}{text}"));
    }

    #[test]
    fn any_numbers_are_answered(rows in prop::collection::vec((-1e3f64..1e3, -1e3f64..1e3, -1.0f64..30.0, 0.0f64..30.0), 0..40)) {
        let text: String = rows.iter().map(|(x, y, l, r)| format!("{x},{y},{l},{r}\n")).collect();
        match Circuit::from_csv(&format!("{HEADER}{text}")) {
            Ok(circuit) => prop_assert!(circuit.length_m() > 0.0),
            Err(error) => prop_assert!(!error.to_string().is_empty()),
        }
    }

    /// A good circuit with one row spoilt: refused or mended, and what is accepted can be solved.
    #[test]
    fn a_spoilt_row_is_refused_or_mended(row in 0usize..90, kind in 0usize..7, size in 0.0f64..60.0) {
        let mut rows: Vec<[String; 4]> = (0..90)
            .map(|i| {
                let t = std::f64::consts::TAU * f64::from(i) / 90.0;
                let r = 80.0 + 15.0 * (2.0 * t).cos();
                [format!("{:.3}", r * t.cos()), format!("{:.3}", r * t.sin()), "5".to_owned(), "5".to_owned()]
            })
            .collect();
        match kind {
            0 => rows[row][0] = format!("{:.3}", rows[row][0].parse::<f64>().unwrap_or(0.0) + size),
            1 => rows[row][2] = String::new(),
            2 => rows[row][3] = format!("{size:.2}"),
            3 => rows[row] = rows[(row + 1) % 90].clone(),
            4 => rows.swap(row, (row + 2) % 90),
            5 => { rows.remove(row); }
            _ => rows[row][1] = "1e9999".to_owned(),
        }
        let text: String = rows.iter().map(|r| r.join(",") + "\n").collect();
        match Circuit::from_csv(&format!("{HEADER}{text}")) {
            Err(error) => prop_assert!(error.to_string().contains("row"), "{error}"),
            Ok(circuit) => {
                let mesh = circuit.mesh(3.0).expect("a usable step");
                match minimum_curvature_line(&mesh, 2.0) {
                    Ok(line) => prop_assert!(line.converged, "{:?}", circuit.mends()),
                    Err(error) => prop_assert!(error.to_string().contains("row"), "{error}"),
                }
            }
        }
    }
}
