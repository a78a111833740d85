//! Several files as one damper's run: each must add speeds and not repeat those of another.

use crate::ingest::SEVERAL_DAMPERS_HELP;
use crate::notice::{Error, Place};
use crate::recording::{Segment, SourceFile};
use crate::steps::Step;

/// Speeds, and strokes, that differ by less than this share are one rung of a ladder: drives
/// repeat within 2 strokes in 100 a minute (the tolerance the trade's standards allow), and
/// ladders have wider rungs.
const SAME: f64 = 0.03;

/// Top speed and stroke.
type Rung = (f64, f64);

fn is_same(a: Rung, b: Rung) -> bool {
    let close = |x: f64, y: f64| (x - y).abs() <= SAME * x.abs().max(y.abs());
    close(a.0, b.0) && close(a.1, b.1)
}

fn holds(ladder: &[Rung], rung: Rung) -> bool {
    ladder.iter().any(|r| is_same(*r, rung))
}

/// Refuses files that are several runs.
///
/// # Errors
/// [`crate::notice::Fault::Input`] if one file's ladder of two speeds or more is another's,
/// or every file has one speed and every speed as many files, two or more.
pub(super) fn check(
    steps: &[Step],
    segments: &[Segment],
    sources: &[SourceFile],
) -> Result<(), Error> {
    if sources.len() < 2 {
        return Ok(());
    }
    let mut ladders: Vec<Vec<Rung>> = vec![Vec::new(); sources.len()];
    for step in steps {
        let file = segments.get(step.segment as usize).map(|s| s.file as usize);
        let Some(ladder) = file.and_then(|f| ladders.get_mut(f)) else {
            continue;
        };
        let rung = (step.top_speed(), step.stroke_m);
        if !holds(ladder, rung) {
            ladder.push(rung);
        }
    }
    match repeated(&ladders) {
        None => Ok(()),
        Some((first, again)) => {
            let name = |i: usize| sources.get(i).map_or("", |s| s.path.as_str());
            Err(Error::input(
                "not-one-damper",
                format!(
                    "these files are not one damper's speeds: {} repeats the speeds of {}",
                    name(again),
                    name(first)
                ),
            )
            .at(Place {
                path: Some(name(again).to_owned()),
                ..Place::default()
            })
            .help(SEVERAL_DAMPERS_HELP))
        }
    }
}

/// Two files of which one repeats the other.
fn repeated(ladders: &[Vec<Rung>]) -> Option<(usize, usize)> {
    let within = |a: &[Rung], b: &[Rung]| a.len() > 1 && a.iter().all(|r| holds(b, *r));
    for (j, later) in ladders.iter().enumerate() {
        let earlier = ladders.iter().take(j);
        let found = earlier
            .enumerate()
            .find(|(_, earlier)| within(later, earlier) || within(earlier, later));
        if let Some((i, _)) = found {
            return Some((i, j));
        }
    }
    // A ladder up and down has its top once; several dampers at one speed each have every
    // speed equally often.
    let single: Vec<Rung> = ladders
        .iter()
        .map(|l| match l.as_slice() {
            [only] => Some(*only),
            _ => None,
        })
        .collect::<Option<_>>()?;
    let times = |rung: Rung| single.iter().filter(|r| is_same(**r, rung)).count();
    let first = *single.first()?;
    let often = times(first);
    if often < 2 || single.iter().any(|r| times(*r) != often) {
        return None;
    }
    let again = single.iter().skip(1).position(|r| is_same(*r, first))? + 1;
    Some((0, again))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn ladder(speeds: &[f64]) -> Vec<Rung> {
        speeds.iter().map(|v| (*v, 0.05)).collect()
    }

    #[test]
    fn a_ladder_in_pieces_is_one_run_and_a_ladder_again_is_not() {
        let runs = |speeds: &[&[f64]]| {
            let ladders: Vec<Vec<Rung>> = speeds.iter().map(|s| ladder(s)).collect();
            repeated(&ladders)
        };
        assert_eq!(runs(&[&[0.1], &[0.2], &[0.4]]), None);
        assert_eq!(runs(&[&[0.1], &[0.2], &[0.4], &[0.2], &[0.1]]), None);
        assert_eq!(runs(&[&[0.1, 0.2], &[0.4, 0.8]]), None);
        assert_eq!(runs(&[&[0.1, 0.2], &[0.2, 0.4]]), None);
        assert_eq!(runs(&[&[0.1, 0.2], &[0.4], &[0.101, 0.199]]), Some((0, 2)));
        assert_eq!(runs(&[&[0.1, 0.2, 0.4], &[0.2, 0.4]]), Some((0, 1)));
        assert_eq!(runs(&[&[0.1], &[0.1]]), Some((0, 1)));
        assert_eq!(runs(&[&[0.1], &[0.2], &[0.1], &[0.2]]), Some((0, 2)));
    }
}
