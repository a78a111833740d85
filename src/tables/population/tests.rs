use super::*;

fn member(i: usize, force: impl Fn(f64) -> f64) -> Member {
    let read = |sign: f64| {
        SPEEDS
            .iter()
            .map(|&v| (v <= 1.0).then(|| sign * force(v)))
            .collect()
    };
    Member {
        run_id: format!("{i:03}"),
        recorded: format!("2026-01-01T00:{:02}:{:02}", i / 60, i % 60),
        path: format!("{i}.csv"),
        family: "all".into(),
        force: PerDirection {
            compression: read(1.0),
            rebound: read(-1.0),
        },
        gas_force_n: Some(200.0),
        friction_n: None,
    }
}

/// Scatter without a generator: the golden-ratio sequence, evenly spread over ±1.
fn scatter(i: usize) -> f64 {
    2.0 * ((i as f64 * 0.618_033_988_749_895).fract() - 0.5)
}

#[test]
fn one_odd_damper_is_out_and_cannot_widen_the_limits() {
    let mut members: Vec<Member> = (0..40)
        .map(|i| member(i, |v| 1000.0 * v * (1.0 + 0.02 * scatter(i))))
        .collect();
    members[17] = member(17, |v| 1200.0 * v);
    let population = Population::of(members);
    let out: Vec<&String> = population
        .judgements
        .iter()
        .filter(|(_, j)| j.out == Some(true))
        .map(|(id, _)| id)
        .collect();
    assert_eq!(out, ["017"]);
    let reason = population.judgements["017"].reason.clone().unwrap();
    assert!(reason.contains("above its family's median"), "{reason}");
    let at_half = population.families[0]
        .bands
        .compression
        .iter()
        .find(|b| SPEEDS[b.speed] == 0.5)
        .unwrap();
    let [low, high] = at_half.limits().unwrap();
    assert!(high < 540.0 && low > 460.0, "{low} {high}");
    assert!(
        population.families[0]
            .bands
            .compression
            .iter()
            .all(|b| SPEEDS[b.speed] <= 1.0)
    );
}

#[test]
fn seven_runs_give_no_limits_and_no_verdict() {
    let members: Vec<Member> = (0..7).map(|i| member(i, |v| 1000.0 * v)).collect();
    let population = Population::of(members);
    assert!(population.judgements.values().all(|j| j.out.is_none()));
    assert!(
        population
            .rows()
            .iter()
            .all(|r| r.lower_n.is_none() && r.runs == 7)
    );
}

#[test]
fn a_slow_loss_of_force_is_seen_as_drift() {
    let steady: Vec<Member> = (0..50)
        .map(|i| member(i, |v| 1000.0 * v * (1.0 + 0.01 * scatter(i))))
        .collect();
    let fading: Vec<Member> = (0..50)
        .map(|i| {
            member(i, |v| {
                1000.0 * v * (1.0 + 0.01 * scatter(i) - 0.001 * i as f64)
            })
        })
        .collect();
    let force = |members| {
        let population = Population::of(members);
        population.families[0]
            .drifts
            .iter()
            .find(|d| d.what.starts_with("rebound"))
            .cloned()
            .unwrap()
    };
    assert!(!force(steady).is_clear());
    let drift = force(fading);
    assert!(drift.is_clear());
    assert!((drift.change + 4.9).abs() < 0.5, "{}", drift.change);
}

/// Mann–Kendall worked by hand: ten rising values have S = 45, variance 10·9·25/18 = 125,
/// z = 44/√125 = 3.9354, two-sided p = 8.3e-5 (normal table).
#[test]
fn chance_of_a_trend_agrees_with_the_hand_calculation() {
    let rising: Vec<Option<f64>> = (0..10).map(|i| Some(f64::from(i) * 2.0)).collect();
    let (change, chance) = drift(&rising).unwrap();
    assert!((change - 18.0).abs() < 1e-12);
    assert!((chance / 8.3e-5 - 1.0).abs() < 0.01, "{chance}");
    let (change, chance) = drift(&[Some(3.0); 12]).unwrap();
    assert_eq!((change, chance), (0.0, 1.0));
}
