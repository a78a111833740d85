//! Fits against certified data, published segmented-regression data and other libraries.
//! Data sets in `data/` (where they come from: docs/sources.md); those that reach us through
//! a copyleft package are read beside the checkout and skipped where they are not.
#![allow(
    clippy::unwrap_used,
    reason = "helpers of tests, not only tests, unwrap"
)]

use std::path::{Path, PathBuf};

use loopwork::fits::{FitSettings, Points, Segmented, aicc, bic, fit, segmented};
use loopwork::statistics::f_upper_tail;

use crate::support::{in_tree, reference};

fn data(name: &str) -> PathBuf {
    in_tree("tests/suite/data").join(name)
}

/// Two columns of a CSV with one header line.
fn columns(path: &Path, x: usize, y: usize) -> (Vec<f64>, Vec<f64>) {
    let mut reader = csv::Reader::from_path(path).unwrap();
    reader
        .records()
        .map(|row| {
            let row = row.unwrap();
            let number = |i: usize| row[i].trim().parse::<f64>().unwrap();
            (number(x), number(y))
        })
        .unzip()
}

#[track_caller]
fn close(what: &str, found: f64, expected: f64, relative: f64) {
    assert!(
        (found - expected).abs() <= relative * expected.abs(),
        "{what}: found {found:.15e}, expected {expected:.15e}"
    );
}

fn points<'a>(x: &'a [f64], y: &'a [f64]) -> Points<'a> {
    Points {
        speed: x,
        force: y,
        se: None,
    }
}

fn line(x: &[f64], y: &[f64]) -> Segmented {
    segmented(&points(x, y), 0, &FitSettings::default()).unwrap()
}

/// NIST StRD Norris, certified values.
#[test]
fn norris_is_certified_to_nine_digits() {
    let (x, y) = columns(&data("nist_norris.csv"), 1, 0);
    let fit = line(&x, &y);
    close("B0", fit.intercept, -0.262323073774029, 1e-9);
    close("B1", fit.slopes[0], 1.00211681802045, 1e-12);
    close(
        "sd B0",
        fit.intercept_se().unwrap(),
        0.232818234301152,
        1e-9,
    );
    close(
        "sd B1",
        fit.slope_se(0).unwrap(),
        0.429796848199937e-3,
        1e-9,
    );
    close("residual sd", fit.sigma.unwrap(), 0.884796396144373, 1e-9);
    close("residual SS", fit.rss, 26.6173985294224, 1e-9);
}

/// NIST StRD NoInt1, certified values (the residual sd from memory): y = B1 x, x = 60…70,
/// y = 130…140.
#[test]
fn a_line_through_a_given_force_at_zero_speed_is_certified() {
    let x: Vec<f64> = (60..=70).map(f64::from).collect();
    let y: Vec<f64> = (130..=140).map(f64::from).collect();
    let settings = FitSettings {
        through: Some(0.0),
        ..FitSettings::default()
    };
    let fit = segmented(&points(&x, &y), 0, &settings).unwrap();
    close("B1", fit.slopes[0], 2.07438016528926, 1e-12);
    close("sd B1", fit.slope_se(0).unwrap(), 0.0165289256198347, 1e-12);
    close("residual sd", fit.sigma.unwrap(), 3.56753034006338, 1e-12);
    assert_eq!(fit.residual_df(), 10);
    // The same data raised by 50, through 50: nothing but the level changes.
    let raised: Vec<f64> = y.iter().map(|y| y + 50.0).collect();
    let settings = FitSettings {
        through: Some(50.0),
        ..FitSettings::default()
    };
    let fit = segmented(&points(&x, &raised), 0, &settings).unwrap();
    close("B1 raised", fit.slopes[0], 2.07438016528926, 1e-12);
    close("intercept", fit.intercept, 50.0, 1e-15);
}

/// JCGM 100:2008 (GUM) annex H.3, table H.6 and eqs H.14–H.16 (printed results from memory;
/// longer ones statsmodels).
#[test]
fn gum_calibration_line() {
    let (t, b) = columns(&data("gum_h3.csv"), 0, 1);
    let from_20: Vec<f64> = t.iter().map(|t| t - 20.0).collect();
    let fit = line(&from_20, &b);
    close("y1", fit.intercept, -0.1712037901313499, 1e-9);
    close(
        "s(y1)",
        fit.intercept_se().unwrap(),
        0.0028775978351599603,
        1e-9,
    );
    close("y2", fit.slopes[0], 0.0021826977398872738, 1e-9);
    close(
        "s(y2)",
        fit.slope_se(0).unwrap(),
        0.0006679387732278333,
        1e-9,
    );
    close("s", fit.sigma.unwrap(), 0.0034975639635052925, 1e-9);
    close("b(30)", fit.value(10.0), -0.1494, 5e-4);
    close(
        "u(b(30))",
        fit.se_at(10.0).unwrap(),
        0.004138595752854957,
        1e-9,
    );
}

/// Henderson & Velleman (1981), Biometrics 37:391–411; R 4.2.2 `lm`, `predict`, `anova`.
#[test]
fn two_lines_and_a_prediction_agree_with_r() {
    let (wt, mpg) = columns(&data("mtcars_mpg_wt_am.csv"), 1, 0);
    let (am, _) = columns(&data("mtcars_mpg_wt_am.csv"), 2, 0);
    let whole = line(&wt, &mpg);
    close("intercept", whole.intercept, 37.285126167342, 1e-10);
    close("slope", whole.slopes[0], -5.34447157272268, 1e-10);
    close(
        "se slope",
        whole.slope_se(0).unwrap(),
        0.559101045099323,
        1e-10,
    );
    close("rss", whole.rss, 278.321937543344, 1e-10);
    let t = whole.quantile(0.95).unwrap();
    let half = t * whole.slope_se(0).unwrap();
    close("slope low", whole.slopes[0] - half, -6.48630823741826, 1e-9);
    close(
        "at 3, low",
        whole.value(3.0) - t * whole.se_at(3.0).unwrap(),
        20.1244355874084,
        1e-9,
    );
    // Two lines of their own: the residual sum of squares of the interaction model.
    let of = |group: f64| {
        let pick = |v: &[f64]| -> Vec<f64> {
            v.iter()
                .zip(&am)
                .filter(|(_, a)| **a == group)
                .map(|(v, _)| *v)
                .collect()
        };
        line(&pick(&wt), &pick(&mpg))
    };
    let (zero, one) = (of(0.0), of(1.0));
    close("rss of both", zero.rss + one.rss, 188.007665865751, 1e-10);
    // Do they share one line? R `anova`: F 6.7253 on 2 and 28 degrees of freedom.
    let both = zero.rss + one.rss;
    let f = ((whole.rss - both) / 2.0) / (both / 28.0);
    close("F, equal lines", f, 6.72525664133908, 1e-9);
    let p = f_upper_tail(f, 2.0, 28.0).unwrap();
    close("p, equal lines", p, 0.00411901771355477, 1e-8);
    close("slope, group 0", zero.slopes[0], -3.78590753278136, 1e-10);
    close(
        "slope, group 1",
        one.slopes[0],
        -3.78590753278136 - 5.29836049197173,
        1e-10,
    );
}

/// Ezekiel (1930), R data set `cars`; R 4.2.2 `logLik`, `AIC`, `BIC` (sigma counted).
#[test]
fn information_criteria_count_as_r_does() {
    let (x, y) = columns(&data("cars.csv"), 0, 1);
    let fit = line(&x, &y);
    close("logLik", fit.log_likelihood(0.0), -206.578431513677, 1e-10);
    let aic = -2.0 * fit.log_likelihood(0.0) + 2.0 * 3.0;
    close("AIC", aic, 419.156863027353, 1e-10);
    close("BIC", bic(&fit, 0.0), 424.892932043638, 1e-10);
    // AICc = AIC + 2K(K+1)/(n−K−1), K = 3, n = 50 (Hurvich & Tsai 1989).
    close("AICc", aicc(&fit, 0.0).unwrap(), aic + 24.0 / 46.0, 1e-12);
}

/// Anscombe (1973), Am. Statistician 27:17–21; R 4.2.2 `lm`.
#[test]
fn anscombe_gives_the_same_line_four_times() {
    for (x, y, expected) in [
        (
            0,
            1,
            [
                3.00009090909091,
                0.500090909090909,
                1.12474679080864,
                0.117905500595634,
                1.23660332272632,
            ],
        ),
        (
            0,
            2,
            [
                3.00090909090909,
                0.5,
                1.12530241624523,
                0.117963745967641,
                1.23721420534158,
            ],
        ),
        (
            0,
            3,
            [
                3.00245454545454,
                0.499727272727273,
                1.12448122963999,
                0.117877662221002,
                1.23631135139,
            ],
        ),
        (
            4,
            5,
            [
                3.00172727272727,
                0.499909090909091,
                1.12392107185406,
                0.117818941729686,
                1.23569548568138,
            ],
        ),
    ] {
        let (x, y) = columns(&data("anscombe.csv"), x, y);
        let fit = line(&x, &y);
        let found = [
            fit.intercept,
            fit.slopes[0],
            fit.intercept_se().unwrap(),
            fit.slope_se(0).unwrap(),
            fit.sigma.unwrap(),
        ];
        for (found, expected) in found.iter().zip(expected) {
            close("anscombe", *found, expected, 1e-9);
        }
    }
}

/// What other software says of a segmented data set.
struct Known<'a> {
    file: PathBuf,
    breaks: &'a [f64],
    rss: f64,
    intercept: f64,
    slopes: &'a [f64],
    break_se: &'a [f64],
    slope_se: &'a [f64],
    at_breaks: &'a [f64],
    /// AICc of line and segmented fit with the variance counted, as R's AIC() counts.
    aicc: [f64; 2],
    /// Profile interval from the F quantile, where there is one knee.
    profile: Option<[f64; 2]>,
}

fn check(known: &Known<'_>) {
    let (x, y) = columns(&known.file, 0, 1);
    let name = known.file.display().to_string();
    let settings = FitSettings {
        // The data sets repeat and crowd speeds at will: nothing is to be counted as one.
        same_speed_within: 0.0,
        ..FitSettings::default()
    };
    let best = segmented(&points(&x, &y), known.breaks.len(), &settings).unwrap();
    let range = best.range[1] - best.range[0];
    for (i, expected) in known.breaks.iter().enumerate() {
        let miss = (best.knees[i] - expected).abs();
        assert!(
            miss < 1e-7 * range,
            "{name}: break {} off by {miss:e}",
            best.knees[i]
        );
        close(&name, best.knee_se(i).unwrap(), known.break_se[i], 1e-6);
        close(&name, best.knee_forces[i], known.at_breaks[i], 1e-8);
    }
    close(&name, best.rss, known.rss, 1e-9);
    close(&name, best.intercept, known.intercept, 1e-8);
    for (i, expected) in known.slopes.iter().enumerate() {
        close(&name, best.slopes[i], *expected, 1e-8);
        close(&name, best.slope_se(i).unwrap(), known.slope_se[i], 1e-6);
    }
    // The choice: both criteria, and the segmented model taken.
    let all = fit(&points(&x, &y), &settings).unwrap();
    let aicc = |i: usize| all.candidates[i].aicc.unwrap();
    close(&name, aicc(0), known.aicc[0], 1e-8);
    close(&name, aicc(known.breaks.len()), known.aicc[1], 1e-8);
    if let Some([low, high]) = known.profile {
        let one = FitSettings {
            max_knees: 1,
            ..settings
        };
        let one = fit(&points(&x, &y), &one).unwrap();
        let found = one.knees[0].ci95_m_s;
        assert!(
            (found[0] - low).abs() < 1e-4 * range && (found[1] - high).abs() < 1e-4 * range,
            "{name}: profile interval {found:?}, expected {low} to {high}"
        );
    } else {
        assert_eq!(all.knees.len(), known.breaks.len(), "{name}");
    }
}

/// Bacon & Watts (1971), 28 of the 29 points, as R package segmented 1.6-2 holds them.
#[test]
fn stagnant_band() {
    let file = data("stagnant.csv");
    check(&Known {
        file,
        breaks: &[0.041105784592115197],
        rss: 0.009140197232088212,
        intercept: 0.5446610783869509,
        slopes: &[-0.4220768144140302, -1.020567545010135],
        break_se: &[0.02283480676692858],
        slope_se: &[0.011487306573022087, 0.015067938655605361],
        at_breaks: &[0.5273112797723216],
        aicc: [-32.92597257334981, -132.57594851105412],
        profile: Some([-0.02817633009711628, 0.08799128091931004]),
    });
}

/// Bacon & Watts (1971), Biometrika 58:525–534, all 29 points.
#[test]
fn bacon_and_watts() {
    let file = data("bacon_watts_29.csv");
    check(&Known {
        file,
        breaks: &[0.03591199686643222],
        rss: 0.009381362697619678,
        intercept: 0.5446610783869507,
        slopes: &[-0.42207681441403044, -1.016592652535993],
        break_se: &[0.021886058190712748],
        slope_se: &[0.011402734383278807, 0.014111253973269403],
        at_breaks: &[0.5295034571503203],
        aicc: [-34.02169953213798, -138.14632572949708],
        profile: Some([-0.03212696434989132, 0.08094281654155136]),
    });
}

/// Data set `plant`, group RKV, of R package segmented; Muggeo, R News 8/1 (2008).
#[test]
fn plant_rkv() {
    let Some(file) = reference("data-from-gpl-package/plant_RKV.csv") else {
        return;
    };
    check(&Known {
        file,
        breaks: &[383.7651384060614],
        rss: 0.02791978909914991,
        intercept: 0.11789025520811464,
        slopes: &[0.002232733671423397, -0.00036389783704271483],
        break_se: &[8.23475588438934],
        slope_se: &[0.00010141915648061838, 8.164384523306734e-05],
        at_breaks: &[0.9747356016457882],
        aicc: [-40.53837024557347, -122.29321621269976],
        profile: Some([362.8656158319331, 400.8306551273554]),
    });
}

/// Data set `plant`, group RKW, of R package segmented.
#[test]
fn plant_rkw() {
    let Some(file) = reference("data-from-gpl-package/plant_RKW.csv") else {
        return;
    };
    check(&Known {
        file,
        breaks: &[469.1006201933517],
        rss: 0.043470755163833245,
        intercept: -0.20886986687167858,
        slopes: &[0.0022619015699974496, 0.00038245963444038687],
        break_se: &[13.614342627999113],
        slope_se: &[8.06912688083835e-05, 0.0001092895694105032],
        at_breaks: &[0.8521895624304408],
        aicc: [-64.73646362056596, -132.68670133607122],
        profile: Some([440.3625742889352, 497.5811524680909]),
    });
}

/// Data set `plant`, group RWC: the optimum lies exactly on a data value, where the sum of
/// squares has a corner; descents from a guess miss it.
#[test]
fn plant_rwc_with_its_optimum_on_a_data_value() {
    let Some(file) = reference("data-from-gpl-package/plant_RWC.csv") else {
        return;
    };
    check(&Known {
        file,
        breaks: &[331.4],
        rss: 0.052511705838478126,
        intercept: 0.2230508895560314,
        slopes: &[0.0021679782272753627, -0.001258278114997684],
        break_se: &[8.346004394641023],
        slope_se: &[0.00018834043231342952, 7.246338920530865e-05],
        at_breaks: &[0.9415188740750865],
        aicc: [-29.062421064436773, -111.45403207631027],
        profile: Some([316.16829752189267, 347.3148241464759]),
    });
}

/// A deterministic series; R segmented 1.6-2 and two other programs side by side.
#[test]
fn two_breaks() {
    let file = data("two_breaks_deterministic.csv");
    check(&Known {
        file,
        breaks: &[10.342948496723658, 20.279461733987993],
        rss: 1.2345661775757528,
        intercept: 2.205518179482909,
        slopes: &[0.4604127280192002, -0.4065042428131843, 0.860804240950093],
        break_se: &[0.22534168956117562, 0.15754553298488735],
        slope_se: &[
            0.021188042747787916,
            0.024465844368073315,
            0.0244658443680734,
        ],
        at_breaks: &[6.967543312621534, 2.9283085229042136],
        aicc: [127.09970570631283, 6.922459626723656],
        profile: None,
    });
}

/// A deterministic force–velocity table; R segmented 1.6-2 and two other programs.
#[test]
fn digressive_table() {
    let file = data("digressive_table.csv");
    check(&Known {
        file,
        breaks: &[0.14211139993909092],
        rss: 788.3618759502099,
        intercept: 46.468215158924124,
        slopes: &[3212.4938875305616, 606.0384932843103],
        break_se: &[0.0027513792750608196],
        slope_se: &[67.06401430264866, 7.691244335931435],
        at_breaks: &[503.0002188116647],
        aicc: [234.2857701187623, 139.31989541275456],
        profile: Some([0.1364705243152131, 0.14822687110720045]),
    });
}
