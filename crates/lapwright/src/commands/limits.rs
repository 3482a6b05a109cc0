//! `lapwright car`, `limit` and `whatif`: what a car can do.

use super::{folder, json, text};
use crate::args::{Car, CarTask, Circuit, CircuitTask, Limit, LimitMethod, WhatIf};
use crate::{print, progress};
use anyhow::Result;
use serde_json::json;
use workshop::{LimitOptions, Method, Workshop};

/// Clicks that are listed on a terminal; `--json` has all.
const NAMED: usize = 20;

pub(crate) fn car(a: &Car) -> Result<()> {
    let file = match &a.task {
        CarTask::Check { file } => file,
        CarTask::Keep { file, name } => {
            let workshop = Workshop::create_or_open(&folder(&a.place, "library")?)?;
            let name = workshop.keep_car(file, name.as_deref())?;
            return if a.json.json {
                json(&json!({ "car": name }))
            } else {
                text(&format!("The library has the car file of '{name}' now."))
            };
        }
    };
    let report = workshop::check_car(file)?;
    if a.json.json {
        return json(&report);
    }
    let number =
        |v: Option<f64>, unit: &str| v.map_or_else(|| "none".to_owned(), |v| format!("{v:.2} {unit}"));
    let mut lines = vec![
        format!("{}: {}", file.display(), if report.ok { "credible" } else { "not credible" }),
        format!("  understeer gradient   {}", number(report.understeer_gradient_deg_per_g, "deg/g")),
        format!("  characteristic speed  {}", number(report.characteristic_speed_mps.map(kmh), "km/h")),
        format!("  critical speed        {}", number(report.critical_speed_mps.map(kmh), "km/h")),
        format!("  top speed             {:.0} km/h", kmh(report.top_speed_mps)),
    ];
    for at in &report.max_lateral_g {
        lines.push(format!("  lateral at {:>3.0} km/h    {:.2} g", kmh(at.speed_mps), at.g));
    }
    let w = &report.wheel_loads_n;
    lines.push(format!(
        "  wheel loads at rest   {:.0}, {:.0}, {:.0}, {:.0} N (fl, fr, rl, rr)",
        w.fl, w.fr, w.rl, w.rr
    ));
    lines.extend(report.warnings.iter().map(|w| format!("  {w}")));
    text(&lines.join("\n"))
}

pub(crate) fn circuit(a: &Circuit) -> Result<()> {
    let CircuitTask::Keep { file, name } = &a.task;
    let workshop = Workshop::create_or_open(&folder(&a.place, "library")?)?;
    let found = workshop.keep_circuit_file(file, name)?;
    if a.json.json {
        return json(&found);
    }
    text(&format!(
        "Circuit '{}', {:.0} m, {} corners, with borders.",
        found.name, found.length_m, found.corners
    ))
}

fn kmh(mps: f64) -> f64 {
    mps * 3.6
}

pub(crate) fn limit(a: &Limit) -> Result<()> {
    let circuit = workshop::limit_circuit(&a.on.circuit, &folder(&a.on.place, "library")?)?;
    let options = LimitOptions {
        method: match a.method {
            LimitMethod::Fixed => Method::Fixed,
            LimitMethod::Curvature => Method::Curvature,
            LimitMethod::Time => Method::Time,
        },
        step_m: a.on.step,
        line: a.line.as_deref(),
    };
    let lap = workshop::limit_lap(&circuit, &a.on.circuit, &a.car, &options)?;
    if a.on.json.json {
        return json(&lap);
    }
    let slowest = lap.samples.iter().map(|s| s.speed_mps).fold(f64::INFINITY, f64::min);
    let fastest = lap.samples.iter().map(|s| s.speed_mps).fold(0.0, f64::max);
    let mut lines = vec![
        format!("{} on {}", print::lap_time(Some(lap.lap_time_s)), a.on.circuit),
        format!(
            "  {:.0} m driven on a circuit of {:.0} m, {:.0} to {:.0} km/h",
            lap.line_length_m,
            lap.length_m,
            kmh(slowest),
            kmh(fastest)
        ),
        format!("  found in {:.1} ms, {} steps, {} nodes", lap.solve_ms, lap.iterations, lap.nodes),
    ];
    if !lap.converged {
        lines.push("  not converged: this is the best lap found, not the limit".to_owned());
    }
    if let Some(check) = &lap.certificate {
        lines.push(format!(
            "  driven again on a finer mesh: {}, {:.3} m beyond a border, {:.2} % beyond the grip",
            print::lap_time(Some(check.lap_time_s)),
            check.violation.border_m,
            100.0 * check.violation.grip_share
        ));
    }
    lines.extend(lap.warnings.iter().map(|w| format!("  {w}")));
    text(&lines.join("\n"))
}

pub(crate) fn what_if(a: &WhatIf) -> Result<()> {
    let circuit = workshop::limit_circuit(&a.on.circuit, &folder(&a.on.place, "library")?)?;
    let bar = progress::steps("solving each click");
    let answer = workshop::what_if(&circuit, &a.on.circuit, &a.car, a.on.step, &|done, total| {
        bar.set_length(total as u64);
        bar.set_position(done as u64);
    });
    bar.finish_and_clear();
    let answer = answer?;
    if a.on.json.json {
        return json(&answer);
    }
    text(&format!("The limit lap of the car as it is: {}", print::lap_time(Some(answer.lap_time_s))))?;
    let way = |s: Option<f64>| s.map_or_else(|| "not solved".to_owned(), print::seconds);
    let rows: Vec<_> = answer
        .levers
        .iter()
        .take(NAMED)
        .map(|l| {
            let corners: Vec<_> =
                l.corners.iter().map(|c| format!("{} {}", c.corner, print::seconds(c.seconds))).collect();
            vec![
                l.lever.clone(),
                format!("{} {}", l.value, l.unit),
                l.click.to_string(),
                way(l.more_s),
                way(l.less_s),
                corners.join(", "),
            ]
        })
        .collect();
    text(&print::table(
        &["lever", "now", "click", "more, s", "less, s", "where the better click acts"],
        &rows,
    ))
}
