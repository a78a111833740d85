//! The small statistics against printed tables and against R, scipy and statsmodels.
//! Printed figures are the source's; longer ones were computed with the library named.

use loopwork::statistics::{
    Resampling, Summary, bca_interval, bland_altman, chi2_quantile, f_quantile, f_upper_tail,
    jackknife_se, mad, median, paired_t, percentile, percentile_interval, pooled_t, replicates,
    t_interval, t_quantile, t_two_sided_p, tost_from_summaries, tost_paired, tost_pooled,
    tost_welch, variance_ratio, weighted_mean, welch, welch_from_summaries,
};
use rand::RngExt;

/// Cushny & Peebles, in Student (1908), Biometrika 6:1–25.
const SLEEP_1: [f64; 10] = [0.7, -1.6, -0.2, -1.2, -0.1, 3.4, 3.7, 0.8, 0.0, 2.0];
const SLEEP_2: [f64; 10] = [1.9, 0.8, 1.1, 0.1, -0.1, 4.4, 5.5, 1.6, 4.6, 3.4];

#[track_caller]
fn close(found: f64, expected: f64, relative: f64) {
    let miss = (found - expected).abs();
    assert!(
        miss <= relative * expected.abs().max(1e-300),
        "found {found:.15e}, expected {expected:.15e}"
    );
}

fn summary(n: usize, mean: f64, sd: f64) -> Summary {
    Summary {
        n,
        mean,
        sd: Some(sd),
    }
}

/// NIST/SEMATECH e-Handbook 1.3.6.7.2 (printed to three places); longer values scipy 1.17.
#[test]
fn t_quantiles_are_those_of_the_handbook() {
    for (p, df, printed, value) in [
        (0.975, 1.0, 12.706, 12.706204736174694),
        (0.975, 2.0, 4.303, 4.302652729749462),
        (0.975, 3.0, 3.182, 3.1824463052837078),
        (0.975, 4.0, 2.776, 2.7764451051977934),
        (0.975, 5.0, 2.571, 2.5705818356363146),
        (0.975, 9.0, 2.262, 2.262157162798205),
        (0.975, 10.0, 2.228, 2.228138851986274),
        (0.975, 20.0, 2.086, 2.085963447265864),
        (0.975, 30.0, 2.042, 2.0422724563012378),
        (0.975, 100.0, 1.984, 1.9839715185235518),
        (0.95, 1.0, 6.314, 6.313751514675037),
        (0.95, 5.0, 2.015, 2.0150483733330233),
        (0.95, 10.0, 1.812, 1.8124611228116756),
        (0.95, 20.0, 1.725, 1.7247182429207866),
        (0.95, 30.0, 1.697, 1.697260886593957),
        (0.99, 10.0, 2.764, 2.7637694581126957),
        (0.995, 10.0, 3.169, 3.16927267261695),
    ] {
        let found = t_quantile(p, df).unwrap();
        assert!((found - printed).abs() < 5e-4, "t({p}, {df}) = {found}");
        close(found, value, 1e-9);
        close(t_quantile(1.0 - p, df).unwrap(), -value, 1e-9);
    }
}

/// NIST/SEMATECH e-Handbook 1.3.6.7.3 (table from memory); longer values scipy 1.17.
#[test]
fn f_quantiles_are_those_of_the_handbook() {
    for (df1, df2, printed, value) in [
        (1.0, 1.0, 161.448, 161.4476387975882),
        (1.0, 10.0, 4.965, 4.964602743730711),
        (2.0, 10.0, 4.103, 4.1028210151304),
        (3.0, 20.0, 3.098, 3.098391212140781),
        (5.0, 10.0, 3.326, 3.3258345304130104),
        (10.0, 10.0, 2.978, 2.9782370160823213),
        (10.0, 20.0, 2.348, 2.3478775669983114),
        (1.0, 30.0, 4.171, 4.170876785766691),
        (2.0, 30.0, 3.316, 3.3158295010135213),
    ] {
        let found = f_quantile(0.95, df1, df2).unwrap();
        assert!(
            (found - printed).abs() < 5.1e-4,
            "F({df1}, {df2}) = {found}"
        );
        close(found, value, 1e-9);
        close(f_upper_tail(value, df1, df2).unwrap(), 0.05, 1e-9);
    }
}

/// NIST/SEMATECH e-Handbook 1.3.6.7.4 (table from memory); longer values scipy 1.17.
#[test]
fn chi_square_quantiles_are_those_of_the_handbook() {
    for (p, df, printed, value) in [
        (0.95, 1.0, 3.841, 3.841458820694124),
        (0.95, 2.0, 5.991, 5.991464547107979),
        (0.95, 5.0, 11.070, 11.070497693516351),
        (0.95, 10.0, 18.307, 18.307038053275146),
        (0.95, 20.0, 31.410, 31.410432844230918),
        (0.05, 10.0, 3.940, 3.9402991361190605),
        (0.025, 10.0, 3.247, 3.2469727802368413),
        (0.975, 10.0, 20.483, 20.483177350807388),
        (0.99, 10.0, 23.209, 23.209251158954356),
    ] {
        let found = chi2_quantile(p, df).unwrap();
        assert!(
            (found - printed).abs() < 5.1e-4,
            "chi2({p}, {df}) = {found}"
        );
        close(found, value, 1e-9);
    }
}

/// NIST/SEMATECH e-Handbook 1.3.5.3, data AUTO83B (unequal-variance df from memory).
#[test]
fn two_sample_tests_agree_with_the_handbook_example() {
    let (us, japan) = (
        summary(249, 20.14458, 6.4147),
        summary(79, 30.48101, 6.10771),
    );
    let pooled = pooled_t(&us, &japan, 0.95).unwrap();
    assert!((pooled.t - -12.62059).abs() < 5e-4);
    assert!((pooled.df - 326.0).abs() < 1e-9);
    assert!((t_quantile(0.975, pooled.df).unwrap() - 1.9673).abs() < 5e-5);
    let unequal = welch_from_summaries(&us, &japan, 0.95).unwrap();
    assert!((unequal.t - -12.94627).abs() < 5e-4);
    assert!((unequal.df - 136.875).abs() < 5e-3);
}

/// NIST/SEMATECH e-Handbook 1.3.5.9 (JAHANMI2; F and limits from memory) and 1.3.5.2
/// (ZARR13; limits from memory).
#[test]
fn variance_ratio_and_mean_interval_agree_with_the_handbook() {
    let (f, _) =
        variance_ratio(&summary(240, 0.0, 65.54909), &summary(240, 0.0, 61.85425)).unwrap();
    assert!((f - 1.123037).abs() < 5e-6);
    assert!((f_quantile(0.025, 239.0, 239.0).unwrap() - 0.7756).abs() < 5e-5);
    assert!((f_quantile(0.975, 239.0, 239.0).unwrap() - 1.2894).abs() < 5e-5);
    let [low, high] = t_interval(&summary(195, 9.26146, 0.02278881), 0.95).unwrap();
    assert!((low - 9.258242).abs() < 2e-6 && (high - 9.264679).abs() < 2e-6);
}

/// Student (1908); R 4.2.2 `t.test`, `var.test`.
#[test]
fn sleep_data_give_the_answers_of_r() {
    let paired = paired_t(&SLEEP_1, &SLEEP_2, 0.95).unwrap();
    close(paired.t, -4.06212768338204, 1e-9);
    close(paired.p, 0.00283289019738427, 1e-9);
    close(paired.difference, -1.58, 1e-12);
    close(paired.ci[0], -2.45988576327698, 1e-9);
    close(paired.ci[1], -0.700114236723018, 1e-9);
    let unequal = welch(&SLEEP_1, &SLEEP_2, 0.95).unwrap();
    close(unequal.t, -1.86081346748685, 1e-9);
    close(unequal.df, 17.7764735161785, 1e-9);
    close(unequal.p, 0.0793941401873582, 1e-9);
    close(unequal.ci[0], -3.36548323071171, 1e-9);
    close(unequal.ci[1], 0.20548323071171, 1e-9);
    let (a, b) = (
        Summary::of(&SLEEP_1).unwrap(),
        Summary::of(&SLEEP_2).unwrap(),
    );
    let pooled = pooled_t(&a, &b, 0.95).unwrap();
    close(pooled.p, 0.0791867142159382, 1e-9);
    close(pooled.ci[0], -3.3638740322876, 1e-9);
    let (f, p) = variance_ratio(&a, &b).unwrap();
    close(f, 0.798342617998392, 1e-9);
    close(p, 0.742719931726045, 1e-9);
}

/// Method: Schuirmann (1987); values: statsmodels 0.15 `ttost_paired`, `ttost_ind`.
#[test]
fn equivalence_tests_give_the_answers_of_statsmodels() {
    let paired = tost_paired(&SLEEP_1, &SLEEP_2, [-3.0, 3.0], 0.05).unwrap();
    close(paired.p, 0.002655570292658671, 1e-9);
    close(paired.lower.t, 3.6507729812673997, 1e-9);
    close(paired.upper.t, -11.775028348031473, 1e-9);
    close(paired.upper.p, 4.5226949658324543e-07, 1e-8);
    close(paired.ci[0], -2.293005267029284, 1e-9);
    close(paired.ci[1], -0.8669947329707164, 1e-9);
    let (a, b) = (
        Summary::of(&SLEEP_1).unwrap(),
        Summary::of(&SLEEP_2).unwrap(),
    );
    let unequal = tost_welch(&a, &b, [-3.0, 3.0], 0.05).unwrap();
    close(unequal.p, 0.05597891453224451, 1e-9);
    close(unequal.lower.t, 1.6723766606527417, 1e-9);
    close(unequal.upper.p, 2.081149685882119e-05, 1e-8);
}

/// Lakens (2017), Soc. Psych. Pers. Sci. 8:355–362: prints t(182) = −2.69, p = 0.004 for a
/// bound of 0.43 pooled standard deviations (0.3844 instead of the 0.384 used here).
#[test]
fn equivalence_from_summaries_agrees_with_a_published_example() {
    let (a, b) = (summary(95, 5.25, 0.95), summary(89, 5.22, 0.83));
    let pooled = tost_pooled(&a, &b, [-0.384, 0.384], 0.05).unwrap();
    assert!((pooled.upper.t - -2.69).abs() < 0.01);
    assert!((pooled.p - 0.004).abs() < 5e-4);
    close(pooled.lower.t, 3.1391699259726185, 1e-9);
    close(pooled.p, 0.003970479074248553, 1e-9);
    let unequal = tost_welch(&a, &b, [-0.384, 0.384], 0.05).unwrap();
    close(unequal.df, 181.13436716050748, 1e-9);
    close(unequal.p, 0.003838994283237449, 1e-9);
}

/// Equivalent at 5 % exactly when the 90 % interval lies inside the bounds (Schuirmann 1987).
#[test]
fn equivalence_and_the_ninety_percent_interval_agree() {
    for difference in [-0.9_f64, -0.5, 0.0, 0.3, 0.7] {
        let t = tost_from_summaries(difference, 0.25, 7.0, [-1.0, 1.0], 0.05).unwrap();
        let inside = t.ci[0] > -1.0 && t.ci[1] < 1.0;
        assert_eq!(inside, t.p < 0.05, "difference {difference}");
    }
}

/// Bland & Altman (1986), Lancet i:307–310 (data and printed results from memory).
#[test]
fn agreement_of_two_meters_is_the_published_one() {
    let a = [
        494., 395., 516., 434., 476., 557., 413., 442., 650., 433., 417., 656., 267., 478., 178.,
        423., 427.,
    ];
    let b = [
        512., 430., 520., 428., 500., 600., 364., 380., 658., 445., 432., 626., 260., 477., 259.,
        350., 451.,
    ];
    let found = bland_altman(&a, &b, 2.0).unwrap();
    assert!((found.mean - -2.1).abs() < 0.05 && (found.sd - 38.8).abs() < 0.05);
    assert!((found.limits[0] - -79.7).abs() < 0.3 && (found.limits[1] - 75.5).abs() < 0.3);
    close(found.sd, 38.76512987360738, 1e-12);
}

/// NIST StRD NumAcc4 (from memory): a one-pass sum of squares fails here.
#[test]
fn spread_survives_a_large_offset() {
    let mut values = vec![10_000_000.2];
    for _ in 0..500 {
        values.extend([10_000_000.1, 10_000_000.3]);
    }
    let found = Summary::of(&values).unwrap();
    close(found.mean, 10_000_000.2, 1e-15);
    close(found.sd.unwrap(), 0.1, 1e-8);
}

/// Hyndman & Fan (1996) type 7, which is R's and numpy's default.
#[test]
fn order_statistics_follow_the_named_rule() {
    let v = [15.0, 20.0, 35.0, 40.0, 50.0];
    close(percentile(&v, 0.4).unwrap(), 29.0, 1e-15);
    close(median(&[3.0, 1.0, 2.0, 10.0]).unwrap(), 2.5, 1e-15);
    // R help page of `mad`: mad(c(1:9), constant = 1) is 2.
    close(
        mad(&[1., 2., 3., 4., 5., 6., 7., 8., 9.]).unwrap(),
        2.0,
        1e-15,
    );
    close(weighted_mean(&[1.0, 4.0], &[2.0, 1.0]).unwrap(), 2.0, 1e-15);
}

/// Law school data, Efron & Tibshirani (1993), An Introduction to the Bootstrap, ch. 6
/// (from memory: r 0.776, bootstrap SE 0.132, jackknife 0.1425); limits numpy and scipy.
#[test]
fn bootstrap_of_the_law_schools_is_the_published_one() {
    let x = [
        576., 635., 558., 578., 666., 580., 555., 661., 651., 605., 653., 575., 545., 572., 594.,
    ];
    let y = [
        3.39, 3.30, 2.81, 3.03, 3.44, 3.07, 3.00, 3.43, 3.36, 3.13, 3.12, 2.74, 2.76, 2.88, 2.96,
    ];
    let correlation = |rows: &[usize]| {
        let n = rows.len() as f64;
        let (mx, my) = rows
            .iter()
            .fold((0.0, 0.0), |(a, b), i| (a + x[*i] / n, b + y[*i] / n));
        let (mut xx, mut xy, mut yy) = (0.0, 0.0, 0.0);
        for i in rows {
            let (dx, dy) = (x[*i] - mx, y[*i] - my);
            xx += dx * dx;
            xy += dx * dy;
            yy += dy * dy;
        }
        xy / (xx * yy).sqrt()
    };
    let all: Vec<usize> = (0..15).collect();
    let estimate = correlation(&all);
    assert!((estimate - 0.776374491289407).abs() < 1e-6);
    let left_out: Vec<f64> = (0..15)
        .map(|out| {
            correlation(
                &all.iter()
                    .copied()
                    .filter(|i| *i != out)
                    .collect::<Vec<_>>(),
            )
        })
        .collect();
    assert!((jackknife_se(&left_out).unwrap() - 0.14251861860227247).abs() < 1e-6);
    let settings = Resampling {
        replicates: 20_000,
        seed: 1,
    };
    let drawn: Vec<f64> = replicates(settings, |_, rng| {
        let rows: Vec<usize> = (0..15).map(|_| rng.random_range(0..15)).collect();
        Some(correlation(&rows))
    })
    .into_iter()
    .flatten()
    .collect();
    let se = Summary::of(&drawn).unwrap().sd.unwrap();
    assert!((se - 0.13346940090770817).abs() < 0.003, "se {se}");
    let plain = percentile_interval(&drawn, 0.95).unwrap();
    assert!((plain[0] - 0.4603).abs() < 0.02 && (plain[1] - 0.9617).abs() < 0.02);
    let bca = bca_interval(&drawn, estimate, &left_out, 0.95).unwrap();
    assert!((bca[0] - 0.3150).abs() < 0.02 && (bca[1] - 0.9410).abs() < 0.02);
}

#[test]
fn resampling_does_not_depend_on_the_number_of_threads() {
    let settings = Resampling {
        replicates: 64,
        seed: 3,
    };
    let draw = || replicates(settings, |_, rng| Some(rng.random::<u64>()));
    let one = rayon::ThreadPoolBuilder::new()
        .num_threads(1)
        .build()
        .unwrap();
    let four = rayon::ThreadPoolBuilder::new()
        .num_threads(4)
        .build()
        .unwrap();
    assert_eq!(one.install(draw), four.install(draw));
}

#[test]
fn what_does_not_exist_is_none() {
    assert!(Summary::of(&[]).is_none());
    assert!(Summary::of(&[1.0, f64::NAN]).is_none());
    assert!(Summary::of(&[1.0]).unwrap().sd.is_none());
    assert!(welch(&[1.0], &[2.0, 3.0], 0.95).is_none());
    assert!(paired_t(&[1.0, 2.0], &[1.0], 0.95).is_none());
    assert!(t_quantile(0.975, 0.0).is_none() && t_quantile(1.0, 3.0).is_none());
    assert!(t_two_sided_p(f64::NAN, 3.0).is_none());
    assert!(tost_from_summaries(0.0, 1.0, 5.0, [1.0, -1.0], 0.05).is_none());
    assert!(weighted_mean(&[1.0], &[0.0]).is_none());
    // Nothing varies and the means differ: certain, not a division by zero.
    let sure = welch(&[1.0, 1.0], &[2.0, 2.0], 0.95).unwrap();
    assert!(sure.t.is_infinite() && sure.p == 0.0);
}
