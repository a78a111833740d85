//! What the valves, the gas, the cell's zero and the seals did, each changed alone. The truth
//! is in the descriptions: one number of a simulated damper is changed at a time.
#![expect(clippy::unwrap_used, reason = "a test may fail loudly")]

use std::sync::OnceLock;

use loopwork::compare::{
    Against, Cause, CompareSettings, Comparison, Moved, Named, Purpose, SheetData, Target, Verdict,
    check, compare,
};
use loopwork::pipeline::{Settings, analyse};
use loopwork::recording::{Recording, SourceFile};
use loopwork::run::Run;
use loopwork::simulate::{self, Spec};
use loopwork::steps::{Direction, PerDirection};
use loopwork::units::display::Shown;

const NAMES: [&str; 5] = ["base", "charge", "zero", "seals", "valves"];

fn made(name: &str) -> Run {
    let of = |word: &str, changed: f64, usual: f64| if name == word { changed } else { usual };
    let valves = of("valves", 0.8, 1.0);
    let text = format!(
        "seed = {}\n[damper]\ncharge_bar = {}\n[damper.rebound]\nbleed_area_mm2 = 11.0\n\
         bleed_bar_per_l_min = {}\nopening_bar = {}\nrate_bar_per_l_min = {}\nport_area_mm2 = 110.0\n\
         [motion]\nspeeds_mm_s = [30.0, 60.0, 130.0, 300.0, 600.0]\ncycles_of_each = [3, 3, 5, 5, 5]\n\
         slow_mm_s = 10.0\nslow_cycles = 4\nrate_hz = 400.0\n[friction]\nsliding_n = {}\n\
         [sensors]\nforce_noise_percent = 0.08\nforce_offset_n = {}\n",
        1 + NAMES.iter().position(|n| *n == name).unwrap(),
        of("charge", 20.0, 16.0),
        0.70 * valves,
        7.5 * valves,
        0.165 * valves,
        of("seals", 75.0, 30.0),
        of("zero", 25.0, 0.0),
    );
    let spec: Spec = toml::from_str(&text).unwrap();
    let stream = simulate::run(&spec).unwrap().stream();
    let mut run = analyse(Recording::Samples(Box::new(stream)), &Settings::default()).unwrap();
    run.name = name.to_owned();
    run.source = vec![SourceFile {
        path: format!("{name}.csv"),
        sha256: name.to_owned(),
        bytes: 0,
        rows: 0,
        encoding: "UTF-8".into(),
        delimiter: ",".into(),
        decimal_mark: ".".into(),
        layout: loopwork::recording::Layout::TimeSeries,
    }];
    run
}

fn run(name: &str) -> Run {
    static RUNS: OnceLock<Vec<Run>> = OnceLock::new();
    let all = RUNS.get_or_init(|| NAMES.iter().map(|n| made(n)).collect());
    all.iter().find(|r| r.name == name).unwrap().clone()
}

fn of(other: Run, purpose: Purpose) -> Comparison {
    compare(
        &run("base"),
        &[other],
        &[],
        purpose,
        &CompareSettings::default(),
    )
}

fn said(c: &Comparison) -> String {
    c.overall[0].answer.shown(Shown::Si)
}

/// Charge, zero and seals move no valve and spoil no pair; each is told by its own name, with
/// its size inside its interval.
#[test]
fn gas_zero_and_seals_are_told_and_spoil_no_pair() {
    for (name, cause, word) in [
        ("charge", Some(Cause::Gas), "gas: its stiffness"),
        ("zero", Some(Cause::Zero), "load cell's zero"),
        ("seals", None, "friction (seals) +"),
    ] {
        let pair = of(run(name), Purpose::Pair);
        let story = &pair.stories[0];
        let quiet = story.valves.iter().all(|z| z.moved != Moved::Moved);
        assert!(quiet, "{name}: {:?}", story.valves);
        // The error of another friction is more than slow speeds leave room for.
        let verdict = pair.overall[0].verdict;
        let wanted = match name {
            "seals" => verdict != Some(Verdict::Outside),
            _ => verdict == Some(Verdict::Within),
        };
        assert!(wanted, "{name}: {}", said(&pair));
        assert!(said(&pair).contains(word), "{name}: {}", said(&pair));
        assert_eq!(story.at_rest_is, cause, "{name}");
        let moved = [story.force_at_rest_n.moved(), story.friction_n.moved()];
        assert_eq!(
            moved,
            [Some(name != "seals"), Some(name == "seals")],
            "{name}"
        );
        let (change, truth) = match name {
            "zero" => (story.force_at_rest_n, 25.0),
            "seals" => (story.friction_n, 45.0),
            _ => continue,
        };
        let [low, high] = change.ci95.unwrap();
        assert!(low < truth && truth < high, "{name}: {low} to {high}");
    }
}

/// Rebound valves a fifth softer, nothing else.
#[test]
fn valves_are_told_as_valves() {
    let pair = of(run("valves"), Purpose::Pair);
    assert_eq!(pair.overall[0].verdict, Some(Verdict::Outside));
    let story = &pair.stories[0];
    for zone in &story.valves {
        let rebound = zone.direction == Direction::Rebound;
        assert_eq!(zone.moved == Moved::Moved, rebound, "{zone:?}");
        assert!(!rebound || zone.delta_n < 0.0, "{zone:?}");
    }
    assert_eq!(story.force_at_rest_n.moved(), Some(false));
    assert_eq!(story.friction_n.moved(), Some(false));
    let worn = of(run("valves"), Purpose::Wear);
    let part = &worn.rebound[0];
    let most = |x: &[Option<f64>]| x.iter().flatten().fold(0.0f64, |a, d| a.max(d.abs()));
    let largest = most(&part.hydraulic.as_ref().unwrap().delta_n);
    let answer = said(&worn);
    assert!(answer.contains("rebound is softer by up to "), "{answer}");
    assert!(
        answer.contains(&format!("{largest:.0} N")),
        "{largest}: {answer}"
    );
    assert!(!answer.contains("firmer"), "{answer}");
}

/// Verdicts stand at driven speeds only; the standards' speeds are shown without one.
#[test]
fn speeds_that_nobody_drove_decide_nothing() {
    let pair = of(run("valves"), Purpose::Pair);
    let part = &pair.rebound[0];
    let mut between = 0;
    for (k, v) in pair.grid_m_s.iter().enumerate() {
        if part.delta_n[k].is_some() {
            assert_eq!(part.verdicts[k].is_some(), part.driven[k], "{v}");
            between += usize::from(!part.driven[k]);
        }
    }
    assert!(between >= 3);
}

/// A fault of the measurement in the second file is no wear; a fault of the damper is.
#[test]
fn measurement_faults_are_no_wear() {
    let with = |kind: &str| {
        let mut other = run("base");
        other.name = "again".into();
        other.source[0].sha256 = "again".into();
        let finding = other.findings.iter_mut().find(|f| f.kind == kind).unwrap();
        finding.verdict = loopwork::findings::Verdict::Developed;
        of(other, Purpose::Wear)
    };
    for kind in ["sensor", "unsettled"] {
        let c = with(kind);
        assert_eq!(c.overall[0].verdict, Some(Verdict::Within), "{}", said(&c));
        assert!(c.findings[0].gained.iter().any(|f| f.kind == kind));
        assert!(c.cautions.iter().any(|x| x.code == "measurement"), "{kind}");
    }
    let c = with("cavitation");
    assert_eq!(c.overall[0].verdict, Some(Verdict::Outside));
    assert!(said(&c).contains("new: cavitation"), "{}", said(&c));
}

fn swap<T>(x: &mut PerDirection<T>) {
    std::mem::swap(&mut x.compression, &mut x.rebound);
}

/// A file read with its signs the wrong way round: compression and rebound change places.
fn turned(run: &Run) -> Run {
    let mut out = run.clone();
    out.name = "turned".into();
    out.source[0].sha256 = "turned".into();
    let curve = &mut out.curve;
    swap(&mut curve.peaks);
    swap(&mut curve.peak_cycles);
    std::mem::swap(&mut curve.compression, &mut curve.rebound);
    for direction in Direction::BOTH {
        let points = curve.peaks.get_mut(direction);
        points.iter_mut().for_each(|p| p.force_n = -p.force_n);
        let cycles = curve.peak_cycles.get_mut(direction).iter_mut().flatten();
        cycles.for_each(|c| c.1 = -c.1);
    }
    for p in curve.compression.iter_mut().chain(&mut curve.rebound) {
        (p.force_n, p.total_force_n) = (-p.force_n, -p.total_force_n);
    }
    let statics = out.statics.as_mut().unwrap();
    statics.gas_force_n = statics.gas_force_n.map(|n| -n);
    statics.ci95.gas_force_n = statics.ci95.gas_force_n.map(|[a, b]| [-b, -a]);
    out
}

#[test]
fn opposite_signs_and_serial_numbers_are_said_first() {
    let c = of(turned(&run("base")), Purpose::Pair);
    assert!(said(&c).contains("signs"), "{}", said(&c));
    assert_eq!(c.overall[0].verdict, Some(Verdict::Undecided));
    assert!(c.cautions.iter().any(|x| x.kind == "signs-differ"));
    let other = of(run("valves"), Purpose::Revalve);
    assert!(other.cautions.iter().all(|x| x.kind != "signs-differ"));
    for (a, b, purpose, first) in [
        ("7", "8", Purpose::Revalve, true),
        ("7", "7", Purpose::Pair, true),
        ("7", "8", Purpose::Pair, false),
        ("7", "7", Purpose::Revalve, false),
    ] {
        let (mut base, mut other) = (run("base"), run("zero"));
        base.metadata.insert("Serial number".into(), a.into());
        other.metadata.insert("serial".into(), b.into());
        let c = compare(&base, &[other], &[], purpose, &CompareSettings::default());
        let top = c.overall[0].reasons[0].shown(Shown::Si);
        assert_eq!(top.contains("serial number"), first, "{a} {b}: {top}");
    }
}

/// Repeats that differ at rest widen what is told of gas; repeats that do not narrow it.
#[test]
fn repeats_teach_how_well_gas_repeats() {
    let width = |repeats: &[Run]| {
        let settings = CompareSettings {
            temperature_range_k: 0.0,
            ..CompareSettings::default()
        };
        let c = compare(
            &run("base"),
            &[run("charge")],
            repeats,
            Purpose::Pair,
            &settings,
        );
        let [low, high] = c.stories[0].force_at_rest_n.ci95.unwrap();
        high - low
    };
    let stated = width(&[]);
    assert!(width(&[run("zero")]) > 2.0 * stated);
    assert!(width(&[run("seals")]) < stated);
}

/// What nobody recorded is said, with what it may be worth in % and N.
#[test]
fn unknown_temperature_is_said_with_its_worth() {
    let c = of(run("zero"), Purpose::Pair);
    let mut all = c.cautions.iter();
    let text = all.find(|x| x.kind == "temperature-unknown").unwrap();
    let text = text.text.shown(Shown::Si);
    // 10 K at 0.25 % a kelvin (common practice).
    assert!(
        text.contains("10 K") && text.contains("2.50 %") && text.contains(" N "),
        "{text}"
    );
}

/// The headline of a check parts what fails from what is open, and names the worst with its
/// distance; the target's rebound may be written as our own tables print it.
#[test]
fn a_check_says_what_failed_worst() {
    let base = run("base");
    let at = |v: f64| {
        let peaks = &base.curve.peaks.rebound;
        let near = peaks.iter().min_by(|a, b| {
            let apart = |p: f64| (p - v).abs();
            apart(a.velocity_m_s).total_cmp(&apart(b.velocity_m_s))
        });
        near.map(|p| (p.velocity_m_s, -p.force_n)).unwrap()
    };
    let ((v1, f1), (v2, f2)) = (at(0.3), at(0.6));
    let judged = |text: &str| {
        let target = Target::parse(text, 10.0).unwrap();
        let settings = CompareSettings::default();
        check(
            &base,
            &Against::Spec(&target),
            Named::default(),
            SheetData::default(),
            &settings,
        )
    };
    let dead_on = |sign: f64| {
        judged(&format!(
            "[[rebound]]\nvelocity = {v1}\nforce = {}\n[[rebound]]\nvelocity = {v2}\nforce = {}\n",
            sign * f1,
            sign * f2
        ))
    };
    for sign in [1.0, -1.0] {
        let found = dead_on(sign);
        assert_eq!(
            found.answer.shown(Shown::Si),
            "pass: all 2 criteria are met"
        );
    }
    let found = judged(&format!(
        "[[rebound]]\nvelocity = {v1}\nforce = {}\n[[rebound]]\nvelocity = {v2}\nmin = {}\n\
         [[rebound]]\nvelocity = 1.9\nforce = 4000\n",
        1.3 * f1,
        1.5 * f2
    ));
    let said = found.answer.shown(Shown::Si);
    assert!(
        said.starts_with("fail: 2 of 3 criteria, and 1 undecided; worst: rebound at 0.6"),
        "{said}"
    );
    let short = loopwork::compare::three_digits(0.5 * f2);
    assert!(
        said.contains(&format!("is {short} N below the least allowed")),
        "{said}"
    );
}
