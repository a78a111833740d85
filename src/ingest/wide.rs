//! Tables whose speeds stand side by side, and reduced sweep tables. Both are read whole:
//! they hold loops and curves, not records.

use super::assemble::{Assembler, Places};
use super::file::File;
use super::groups::Stroke;
use super::rows::Rows;
use crate::notice::{Error, Notice};
use crate::recording::{Polarity, SweepTable};

/// Most numbers held of such a table: 64 MB.
const MOST_NUMBERS: usize = 8 << 20;

/// All rows of a file, column by column; cells that are no numbers are NaN.
pub(super) fn read_whole(file: &mut File) -> Result<Rows, Error> {
    let width = file.shape.slots.len();
    let mut all = Rows {
        columns: vec![Vec::new(); width],
        ..Rows::default()
    };
    while let Some(parsed) = file.next_rows()? {
        let mut from = 0;
        for odd in &parsed.rows.odd {
            all.append(&parsed.rows, from, odd.rows_before as usize);
            from = odd.rows_before as usize;
            let text = String::from_utf8_lossy(odd.of(&parsed.block));
            patient(file, text.trim_end_matches(['\r', '\n']), &mut all);
        }
        all.append(&parsed.rows, from, parsed.rows.len());
        if all.len() * width > MOST_NUMBERS {
            return Err(Error::input(
                "wide-too-large",
                format!("the table holds more than {MOST_NUMBERS} numbers side by side"),
            )
            .help("export one file per speed, or one long table over time; those are read in any length")
            .in_file(&file.source.path));
        }
    }
    file.assembler.rows = all.len() as u64;
    Ok(all)
}

fn patient(file: &File, text: &str, all: &mut Rows) {
    let cells = file.plan.dialect.split(text);
    let values: Vec<Option<f64>> = file
        .shape
        .slots
        .iter()
        .map(|slot| {
            let cell = cells.get(slot.field)?;
            file.cell(slot, cell)
        })
        .collect();
    if values.iter().any(Option::is_some) {
        for (into, value) in all.columns.iter_mut().zip(values) {
            into.push(value.unwrap_or(f64::NAN));
        }
    }
}

/// Puts the groups of a wide table one after another into the assembler.
pub(super) fn unfold(file: &mut File) -> Result<(), Error> {
    let all = read_whole(file)?;
    let interval = file.assembler.interval;
    let assumed = file.assembler.time_is_assumed;
    let groups: Vec<(Places, Option<String>)> = file
        .places
        .iter()
        .cloned()
        .zip(file.plan.groups.iter().map(|g| g.label.clone()))
        .collect();
    let mut assembler = Assembler::new(Places::default(), interval, assumed);
    assembler.expect_interval(file.base.typical);
    for (places, label) in groups {
        // Its own columns only: of thousands side by side each group has a few.
        let mut own: Vec<usize> = places.all().into_iter().flatten().collect();
        own.sort_unstable();
        own.dedup();
        let finite = |place: usize, i: usize| {
            all.columns
                .get(place)
                .and_then(|c| c.get(i))
                .is_some_and(|v| v.is_finite())
        };
        let mut rows = Rows {
            columns: vec![Vec::new(); own.len()],
            ..Rows::default()
        };
        for i in 0..all.len() {
            let timed = places.time.is_none_or(|p| finite(p, i));
            if !(finite(places.travel, i) && finite(places.force, i) && timed) {
                continue;
            }
            for (into, place) in rows.columns.iter_mut().zip(&own) {
                let value = all.columns.get(*place).and_then(|c| c.get(i));
                into.push(value.copied().unwrap_or(f64::NAN));
            }
        }
        assembler.places = places.among(&own);
        if assembler.has_rows() {
            assembler.seam();
        }
        assembler.name_segment(label);
        assembler.push(&rows, 0, rows.len());
        assembler.flush();
    }
    assembler.rows = all.len() as u64;
    file.plan.notices.push(Notice::note(
        "wide-table",
        format!(
            "{} speeds stand side by side and are read one after another",
            file.plan.groups.len()
        ),
    ));
    file.assembler = assembler;
    Ok(())
}

/// Makes the sweep table: speeds positive, rebound forces negative.
pub(super) fn sweep(file: &mut File) -> Result<SweepTable, Error> {
    let all = read_whole(file)?;
    let mut table = SweepTable::default();
    let mut used = 0;
    for (group, places) in file.plan.groups.iter().zip(&file.places) {
        let column = |place: usize| all.columns.get(place).map_or(&[][..], Vec::as_slice);
        let velocity = places.velocity.map_or(&[][..], column);
        let pairs: Vec<(f64, f64)> = velocity
            .iter()
            .zip(column(places.force))
            .filter(|(v, f)| v.is_finite() && f.is_finite())
            .map(|(v, f)| (*v, *f))
            .collect();
        used += pairs.len();
        match group.direction {
            Some(Stroke::Compression) => table.compression.extend(resisting(&pairs, 1.0)),
            Some(Stroke::Rebound) => table.rebound.extend(resisting(&pairs, -1.0)),
            None => signed(&pairs, file, &mut table),
        }
    }
    if used == 0 {
        return Err(
            Error::input("no-rows", "the table has no usable row of numbers")
                .help("give velocity and force in every row")
                .in_file(&file.source.path),
        );
    }
    table.compression.sort_by(|a, b| a.0.total_cmp(&b.0));
    table.rebound.sort_by(|a, b| a.0.total_cmp(&b.0));
    Ok(table)
}

/// Speed and force of one direction; the column's own sign, or none, becomes `sign`. A gas
/// force may leave single values of the other sign at low speed: the largest value decides.
fn resisting(pairs: &[(f64, f64)], sign: f64) -> impl Iterator<Item = (f64, f64)> + '_ {
    let largest = pairs
        .iter()
        .map(|(_, f)| *f)
        .fold(0.0, |m: f64, f| if f.abs() > m.abs() { f } else { m });
    let turn = if largest * sign < 0.0 { -1.0 } else { 1.0 };
    pairs.iter().map(move |(v, f)| (v.abs(), f * turn))
}

/// One signed pair: the sign of velocity is the direction; of force, what dissipates.
fn signed(pairs: &[(f64, f64)], file: &File, table: &mut SweepTable) {
    let signs = file.plan.signs;
    let compression = signs.compression.unwrap_or(Polarity::Positive).factor();
    let work: f64 = pairs.iter().map(|(v, f)| v * f).sum();
    let force = match signs.force {
        Some(sign) => sign.factor(),
        None if work >= 0.0 => compression,
        None => -compression,
    };
    let one_way = pairs.iter().all(|(v, _)| *v >= 0.0) || pairs.iter().all(|(v, _)| *v <= 0.0);
    for (v, f) in pairs {
        let (v, f) = (v * compression, f * force);
        if one_way {
            // A single direction without a name: shown as compression, and said.
            table.compression.push((v.abs(), f * v.signum()));
        } else if v >= 0.0 {
            table.compression.push((v, f));
        } else {
            table.rebound.push((-v, f));
        }
    }
}
