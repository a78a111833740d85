//! How often the intervals of force against setting hold a law the fit does not know.

use loopwork::clicks::{Design, Observed, Sampling, fit};
use loopwork::statistics::{percentile_interval, replicate_stream};
use rand_distr::{Distribution as _, StandardNormal};

/// Run to run, share of the force: twice what is usual, as it must be learnt.
const RUN_TO_RUN: f64 = 0.01;
const SWEEPS: usize = 40;

/// Laws of the trade's adjusters, share of the travel to N.
/// Its name, and force over setting.
type Law = (&'static str, fn(f64) -> f64);

const LAWS: [Law; 4] = [
    ("needle", |u| 400.0 + 600.0 * (-3.0 * u).exp()),
    ("dead end", |u| 500.0 + 500.0 * (0.6 - u).max(0.0) / 0.6),
    ("bunched", |u| {
        500.0 + 500.0 / (1.0 + (-12.0 * (u - 0.5)).exp())
    }),
    ("even", |u| 500.0 + 300.0 * u),
];

/// Share of settings, run and not run, whose 95 % interval holds the law.
fn coverage(law: fn(f64) -> f64, runs: usize) -> f64 {
    let grid: Vec<f64> = (0..=24).map(|i| f64::from(i) / 24.0).collect();
    let (mut held, mut all) = (0, 0);
    for sweep in 0..SWEEPS {
        let mut random = replicate_stream(77, sweep * 100 + runs);
        let mut normal = || -> f64 { StandardNormal.sample(&mut random) };
        let rows: Vec<Vec<f64>> = (0..runs)
            .map(|i| vec![i as f64 / (runs - 1) as f64])
            .collect();
        let force: Vec<f64> = rows
            .iter()
            .map(|u| law(u[0]) * (1.0 + RUN_TO_RUN * normal()) + 2.0 * normal())
            .collect();
        let observed = Observed {
            own_sd: vec![2.0; runs],
            usual_sd: force.iter().map(|f| (0.005 * f).hypot(2.0)).collect(),
            force,
        };
        let design = Design {
            rows,
            grids: vec![grid.clone()],
            pairs: Vec::new(),
        };
        let mut random = replicate_stream(78, sweep);
        let found = fit(&design, &observed, Sampling::default(), &mut random).unwrap();
        for (place, u) in grid.iter().enumerate() {
            let draws: Vec<f64> = (0..found.draws()).map(|k| found.at(k, &[place])).collect();
            let ends = percentile_interval(&draws, 0.95).unwrap();
            held += usize::from(ends[0] <= law(*u) && law(*u) <= ends[1]);
            all += 1;
        }
    }
    held as f64 / all as f64
}

/// 90 % or more of the settings, for each law and length of sweep. Few runs leave the
/// shape open, and intervals that say so hold nearly always: no upper bound is set.
#[test]
fn intervals_between_clicks_hold_the_law() {
    println!("law        6 runs  9 runs");
    for (name, law) in LAWS {
        let (six, nine) = (coverage(law, 6), coverage(law, 9));
        println!("{name:9} {:6.1} % {:6.1} %", 100.0 * six, 100.0 * nine);
        assert!(six >= 0.9 && nine >= 0.9, "{name}: {six} {nine}");
    }
}
