//! Words that stand beside numbers: comfort after ISO 2631-1, what the trade is used to.

/// Comfort words of ISO 2631-1 Annex C with the upper end of each range of weighted rms
/// acceleration, m/s²; the last has none. The ranges overlap in the standard: a number near
/// an end may be called by either word.
pub const COMFORT: [(&str, Option<f64>); 6] = [
    ("not uncomfortable", Some(0.315)),
    ("a little uncomfortable", Some(0.63)),
    ("fairly uncomfortable", Some(1.0)),
    ("uncomfortable", Some(1.6)),
    ("very uncomfortable", Some(2.5)),
    ("extremely uncomfortable", None),
];

/// The mildest word whose range reaches up to a weighted acceleration.
pub fn comfort(weighted: f64) -> &'static str {
    COMFORT
        .iter()
        .find(|(_, end)| end.is_none_or(|end| weighted <= end))
        .map_or("", |(word, _)| word)
}

/// Damping ratios, on wheel rate, that the trade is used to: common practice, no source, a
/// habit and never a verdict.
pub const PRACTICE: [(&str, [f64; 2]); 2] = [("road cars", [0.2, 0.5]), ("track cars", [0.6, 0.7])];
