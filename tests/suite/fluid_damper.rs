//! Measured loops of a field-controlled fluid damper, driven at one speed a run (A. N. Vargas
//! 2021, mr-damper, MIT licence; figures of `measured.csv` kept beside the data: heat, stroke and
//! frequency by cubic splines over whole periods, an integration apart from ours). Read in
//! place; skipped where they are not.
#![allow(clippy::unwrap_used, reason = "helpers of tests")]

use loopwork::run::Run;

use super::support::{loopwork, reference};

struct Measured {
    file: String,
    cycles: f64,
    heat_j: f64,
    stroke_m: f64,
    frequency_hz: f64,
}

/// The runs that stand in `measured.csv`, each with what stands there.
fn measured() -> Option<Vec<(Run, Measured)>> {
    let folder = reference("mr-damper")?;
    let table = std::fs::read_to_string(folder.join("measured.csv")).unwrap();
    let runs = table.lines().skip(1).map(|line| {
        let cells: Vec<&str> = line.split(',').collect();
        let number = |i: usize| cells[i].trim().parse::<f64>().unwrap();
        let out = loopwork()
            .args(["analyze", "--no-report", "--quiet", "--json", "-"])
            .arg(folder.join(cells[0]))
            .output()
            .unwrap();
        let said = String::from_utf8_lossy(&out.stderr).into_owned();
        assert_eq!(out.status.code(), Some(0), "{}: {said}", cells[0]);
        let of = Measured {
            file: cells[0].into(),
            cycles: number(1),
            heat_j: number(2),
            stroke_m: number(3) * 1e-3,
            frequency_hz: number(4),
        };
        (serde_json::from_slice(&out.stdout).unwrap(), of)
    });
    Some(runs.collect())
}

#[test]
fn a_run_at_one_speed_is_one_step_with_the_measured_heat() {
    let Some(runs) = measured() else { return };
    assert_eq!(runs.len(), 8);
    for (run, of) in &runs {
        let steps: Vec<(u64, f64)> = run.steps.iter().map(|s| (s.cycles, s.stroke_m)).collect();
        assert_eq!(run.steps.len(), 1, "{}: {steps:?}", of.file);
        let step = &run.steps[0];
        let near = |what: &str, ours: f64, theirs: f64, within: f64| {
            let off = ours / theirs - 1.0;
            assert!(
                off.abs() < within,
                "{} {what}: {ours} for {theirs}",
                of.file
            );
        };
        near("heat", step.energy_per_cycle_j.mean, of.heat_j, 0.01);
        near("stroke", step.stroke_m, of.stroke_m, 0.01);
        near("frequency", step.frequency_hz, of.frequency_hz, 0.01);
        assert!(
            step.cycles as f64 >= 0.6 * of.cycles,
            "{}: {steps:?}",
            of.file
        );
    }
}

#[test]
fn measured_fluid_has_no_cavitation_no_leak_and_no_high_friction() {
    let Some(runs) = measured() else { return };
    for (run, of) in &runs {
        let alarms: Vec<&str> = run
            .findings
            .iter()
            .filter(|f| ["cavitation", "leaking-check", "high-friction"].contains(&f.kind.as_str()))
            .filter(|f| f.is_there())
            .map(|f| f.kind.as_str())
            .collect();
        assert!(alarms.is_empty(), "{}: {alarms:?}", of.file);
    }
}
