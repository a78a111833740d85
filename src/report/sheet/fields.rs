//! What was tested, for whom, when and how: filled in from labels, or left open.

use std::collections::{BTreeMap, BTreeSet};

use crate::clicks::is_adjuster_label;

/// A field with its value; `None` leaves a line.
pub(in crate::report) type Field = (&'static str, Option<String>);

/// The fields of a sheet.
#[derive(Debug, Clone, Default)]
pub(in crate::report) struct Fields {
    /// The item and its owner.
    pub(in crate::report) item: Vec<Field>,
    /// The test.
    pub(in crate::report) test: Vec<Field>,
    /// Longer ones, across the sheet.
    pub(in crate::report) wide: Vec<Field>,
    /// Who stands for it.
    pub(in crate::report) authorised: Option<String>,
    /// How a verdict is reached, if it was stated.
    pub(in crate::report) rule: Option<String>,
}

const REPORT: (&str, &[&str]) = (
    "Report number",
    &["report number", "report no", "report", "test number"],
);
const ITEM: [(&str, &[&str]); 10] = [
    ("Customer", &["customer", "client", "owner"]),
    (
        "Contact",
        &["contact", "customer contact", "phone", "email"],
    ),
    (
        "Order",
        &["order", "order number", "order no", "job", "work order"],
    ),
    ("Vehicle", &["vehicle", "car", "bike", "motorcycle"]),
    ("Corner", &["corner", "position", "axle", "wheel"]),
    (
        "Part",
        &["part", "part number", "part no", "model", "damper"],
    ),
    ("Serial number", &["serial number", "serial", "serial no"]),
    ("Condition", &["condition", "condition on receipt"]),
    ("Settings", &["settings", "setting"]),
    ("Gas charge", &["gas charge", "charge", "gas pressure"]),
];
const TEST: [(&str, &[&str]); 9] = [
    (
        "Received",
        &["received", "date received", "date of receipt"],
    ),
    ("Tested", &["tested", "date", "test date", "date of test"]),
    (
        "Issued",
        &["issued", "date issued", "date of issue", "report date"],
    ),
    ("Operator", &["operator", "tested by", "technician"]),
    ("Place", &["place", "location", "place of test"]),
    ("Dyno", &["dyno", "dynamometer", "machine"]),
    (
        "Calibration",
        &["calibration", "dyno calibration", "calibrated"],
    ),
    (
        "Temperature",
        &["temperature", "room temperature", "ambient temperature"],
    ),
    (
        "Departures",
        &["departures", "departures from the method", "deviations"],
    ),
];
const WIDE: [(&str, &[&str]); 2] = [
    ("Work done", &["work done", "work"]),
    ("Method", &["method", "test method"]),
];
const AUTHORISED: &[&str] = &["authorised by", "authorized by", "authorised", "authorized"];
const RULE: &[&str] = &["decision rule"];

/// Labels looked up by their words, and which of them found a place.
struct Labels {
    /// Those that win first.
    layers: [BTreeMap<String, String>; 3],
    used: BTreeSet<String>,
}

/// A label's words: small letters, one blank between.
fn folded(label: &str) -> String {
    let words: Vec<String> = label
        .split(|c: char| !c.is_alphanumeric())
        .filter(|word| !word.is_empty())
        .map(str::to_lowercase)
        .collect();
    words.join(" ")
}

impl Labels {
    /// What is stated under one of the names.
    fn take(&mut self, names: &[&str]) -> Option<String> {
        let found = self.layers.iter().find_map(|layer| {
            names
                .iter()
                .find_map(|name| layer.get(*name).map(|value| (*name, value.clone())))
        });
        self.used.extend(names.iter().map(|n| (*n).to_owned()));
        found.map(|(_, value)| value)
    }
}

impl Fields {
    /// Fields from what a shop says on every sheet, from the labels of a run, which win, and
    /// from `known`, which answers for a field where no label does. Labels `stated` for this
    /// sheet are not lost even if they have no field of their own.
    pub(in crate::report) fn of(
        always: &BTreeMap<String, String>,
        labels: &BTreeMap<String, String>,
        stated: &BTreeMap<String, String>,
        known: &BTreeMap<&'static str, String>,
    ) -> Self {
        let layer = |from: &BTreeMap<String, String>| -> BTreeMap<String, String> {
            from.iter()
                .filter(|(_, value)| !value.trim().is_empty())
                .map(|(name, value)| (folded(name), value.trim().to_owned()))
                .collect()
        };
        let mut labels = Labels {
            layers: [layer(stated), layer(labels), layer(always)],
            used: BTreeSet::new(),
        };
        let mut field = |(name, names): &(&'static str, &[&str])| -> Field {
            (
                *name,
                labels.take(names).or_else(|| known.get(name).cloned()),
            )
        };
        let mut item: Vec<Field> = ITEM.iter().map(&mut field).collect();
        let mut test = vec![field(&REPORT)];
        test.extend(TEST.iter().map(&mut field));
        let mut wide: Vec<Field> = WIDE.iter().map(&mut field).collect();
        let authorised = labels.take(AUTHORISED);
        let rule = labels.take(RULE);
        let adjusters: BTreeMap<String, String> = labels
            .layers
            .iter()
            .rev()
            .flatten()
            .filter(|(name, _)| is_adjuster_label(name))
            .map(|(name, value)| (name.clone(), value.clone()))
            .collect();
        if let Some((_, value)) = item.iter_mut().find(|(name, _)| *name == "Settings") {
            let each = adjusters
                .iter()
                .map(|(name, value)| format!("{name} {value}"));
            let all: Vec<String> = value.take().into_iter().chain(each).collect();
            *value = (!all.is_empty()).then(|| all.join(", "));
        }
        labels.used.extend(adjusters.into_keys());
        let rest: Vec<String> = always
            .iter()
            .chain(stated)
            .filter(|(name, value)| {
                !value.trim().is_empty() && !labels.used.contains(&folded(name))
            })
            .map(|(name, value)| format!("{}: {}", name.trim(), value.trim()))
            .collect();
        if !rest.is_empty() {
            wide.push(("Also stated", Some(rest.join("; "))));
        }
        Self {
            item,
            test,
            wide,
            authorised,
            rule,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn map(pairs: &[(&str, &str)]) -> BTreeMap<String, String> {
        pairs
            .iter()
            .map(|(k, v)| ((*k).to_owned(), (*v).to_owned()))
            .collect()
    }

    #[test]
    fn labels_find_their_field_and_none_is_lost() {
        let labels = map(&[
            ("CUSTOMER", "A. Name"),
            ("Rebound clicks", "3"),
            ("Track", "wet"),
            ("Order", "  "),
            ("temperature", "21 °C"),
        ]);
        let fields = Fields::of(
            &map(&[("Dyno", "No. 1"), ("Order", "17")]),
            &labels,
            &map(&[("Track", "wet")]),
            &BTreeMap::new(),
        );
        let value = |name: &str| {
            let mut all = fields.item.iter().chain(&fields.test).chain(&fields.wide);
            all.find(|f| f.0 == name).and_then(|f| f.1.clone())
        };
        assert_eq!(value("Customer").as_deref(), Some("A. Name"));
        assert_eq!(value("Settings").as_deref(), Some("rebound clicks 3"));
        assert_eq!(value("Temperature").as_deref(), Some("21 °C"));
        assert_eq!(
            value("Order").as_deref(),
            Some("17"),
            "an empty label is no answer"
        );
        assert_eq!(value("Dyno").as_deref(), Some("No. 1"));
        assert_eq!(value("Also stated").as_deref(), Some("Track: wet"));
        assert_eq!(value("Tested"), None, "no date is invented");
    }
}
