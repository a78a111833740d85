//! The one-page sheet, through the binary: what a customer is handed.
#![expect(clippy::unwrap_used, reason = "a test may fail loudly")]

use std::collections::BTreeMap;
use std::fs;
use std::io::Read as _;
use std::path::{Path, PathBuf};

use super::support::{in_tree, loopwork};

const CARD: &str = "name = \"Brook Lane Works\"\naddress = \"\"\"\nUnit 4\nMillford\n\"\"\"\nfooter = \"By appointment.\"\n\
    terms = \"Fourteen days.\"\n\n[labels]\nDyno = \"No. 2\"\n";

/// What is seen of a PDF without any of our code: objects by number, streams unpacked
/// (ISO 32000-1, 7.3.8 and 7.4.4).
struct Pdf {
    objects: BTreeMap<u32, (String, Vec<u8>)>,
}

fn find(bytes: &[u8], what: &[u8], from: usize) -> Option<usize> {
    let rest = bytes.get(from..)?;
    rest.windows(what.len())
        .position(|w| w == what)
        .map(|at| at + from)
}

impl Pdf {
    fn read(path: &Path) -> Self {
        Self::of(&fs::read(path).unwrap())
    }

    fn of(bytes: &[u8]) -> Self {
        assert!(bytes.starts_with(b"%PDF-1."));
        let mut objects = BTreeMap::new();
        let mut at = 0;
        while let Some(start) = find(bytes, b" 0 obj\n", at) {
            let number = bytes[..start]
                .iter()
                .rev()
                .take_while(|b| b.is_ascii_digit())
                .count();
            let number: u32 = String::from_utf8_lossy(&bytes[start - number..start])
                .parse()
                .unwrap();
            let body = start + 7;
            let end = find(bytes, b"endobj", body).unwrap();
            let stream = find(bytes, b"stream\n", body).filter(|s| *s < end);
            let words = String::from_utf8_lossy(&bytes[body..stream.unwrap_or(end)]).into_owned();
            let mut data = Vec::new();
            at = end;
            if let Some(stream) = stream {
                let length = words.split("/Length ").nth(1).unwrap();
                let length: usize = length
                    .split(|c: char| !c.is_ascii_digit())
                    .next()
                    .unwrap()
                    .parse()
                    .unwrap();
                let raw = &bytes[stream + 7..stream + 7 + length];
                flate2::read::ZlibDecoder::new(raw)
                    .read_to_end(&mut data)
                    .unwrap();
                at = find(bytes, b"endobj", stream + 7 + length).unwrap();
            }
            objects.insert(number, (words, data));
        }
        Self { objects }
    }

    /// The number after a name in an object's words.
    fn reference(words: &str, name: &str) -> Option<u32> {
        let rest = words.split(name).nth(1)?;
        rest.trim_start_matches(['[', ' '])
            .split(' ')
            .next()?
            .parse()
            .ok()
    }

    /// Codes to text of one font, from its ToUnicode map (9.10.3).
    fn codes(&self, font: u32) -> BTreeMap<u16, String> {
        let map = Self::reference(&self.objects[&font].0, "/ToUnicode ").unwrap();
        let text = String::from_utf8_lossy(&self.objects[&map].1).into_owned();
        let mut codes = BTreeMap::new();
        for line in text
            .lines()
            .filter(|l| l.starts_with('<') && l.contains("> <"))
        {
            let parts: Vec<&str> = line
                .split(['<', '>', ' '])
                .filter(|p| !p.is_empty())
                .collect();
            let [code, units] = parts[..] else { continue };
            let units: Vec<u16> = (0..units.len() / 4)
                .map(|i| u16::from_str_radix(&units[4 * i..4 * i + 4], 16).unwrap())
                .collect();
            codes.insert(
                u16::from_str_radix(code, 16).unwrap(),
                String::from_utf16(&units).unwrap(),
            );
        }
        codes
    }

    /// The text of the only page, a line for each piece that is shown.
    fn text(&self) -> String {
        let page = self
            .objects
            .values()
            .find(|(words, _)| words.contains("/MediaBox"))
            .unwrap();
        let content = &self.objects[&Self::reference(&page.0, "/Contents ").unwrap()].1;
        let fonts: Vec<BTreeMap<u16, String>> = (0..)
            .map_while(|i| Self::reference(&page.0, &format!("/f{i} ")))
            .map(|font| self.codes(font))
            .collect();
        assert!(!fonts.is_empty());
        let mut text = String::new();
        let (mut font, mut at) = (0, 0);
        while at < content.len() {
            if content[at..].starts_with(b"ET") {
                text.push('\n');
                at += 2;
            } else if content[at..].starts_with(b"/f") {
                font = usize::from(content[at + 2] - b'0');
                at += 3;
            } else if matches!(content[at], b'(' | b'<') {
                let (bytes, end) = string(content, at);
                for code in bytes.chunks(2) {
                    let code = u16::from_be_bytes([code[0], code[1]]);
                    text.push_str(fonts[font].get(&code).map_or("?", String::as_str));
                }
                at = end;
            } else {
                at += 1;
            }
        }
        text.replace('\u{a0}', " ")
    }
}

/// Whether two documents hold the same, however tightly they are packed.
pub(crate) fn alike(a: &[u8], b: &[u8]) -> bool {
    let words = |pdf: Pdf| -> Vec<(u32, String, Vec<u8>)> {
        let each = pdf.objects.into_iter();
        each.map(|(number, (words, data))| {
            let plain = words.split("/Length ").next().unwrap().to_owned();
            (number, plain, data)
        })
        .collect()
    };
    words(Pdf::of(a)) == words(Pdf::of(b))
}

/// A string object (7.3.4) and where it ends.
fn string(content: &[u8], start: usize) -> (Vec<u8>, usize) {
    let mut bytes = Vec::new();
    let mut at = start + 1;
    if content[start] == b'<' {
        let end = find(content, b">", at).unwrap();
        let hex = std::str::from_utf8(&content[at..end]).unwrap();
        bytes.extend(
            (0..hex.len() / 2).map(|i| u8::from_str_radix(&hex[2 * i..2 * i + 2], 16).unwrap()),
        );
        return (bytes, end + 1);
    }
    let mut depth = 1;
    loop {
        let byte = content[at];
        at += 1;
        match byte {
            b'\\' => {
                let next = content[at];
                at += 1;
                bytes.push(match next {
                    b'n' => b'\n',
                    b'r' => b'\r',
                    b't' => b'\t',
                    b'b' => 8,
                    b'f' => 12,
                    b'0'..=b'7' => {
                        let octal = std::str::from_utf8(&content[at - 1..at + 2]).unwrap();
                        at += 2;
                        u8::from_str_radix(octal, 8).unwrap()
                    }
                    other => other,
                });
            }
            b'(' => {
                depth += 1;
                bytes.push(byte);
            }
            b')' => {
                depth -= 1;
                if depth == 0 {
                    return (bytes, at);
                }
                bytes.push(byte);
            }
            other => bytes.push(other),
        }
    }
}

/// A folder with a shop's card in it.
fn shop(card: &str) -> (tempfile::TempDir, PathBuf) {
    let place = tempfile::tempdir().unwrap();
    let path = place.path().join("shop.toml");
    fs::write(&path, card).unwrap();
    (place, path)
}

fn analyzed(input: &str, folder: &Path, more: &[&str]) -> assert_cmd::assert::Assert {
    loopwork()
        .arg("analyze")
        .arg(in_tree("sample-runs").join(input))
        .arg("--quiet")
        .arg("--report")
        .arg(folder)
        .args(more)
        .assert()
}

/// Places of a page's numbers: one page, and of which size. A4 is 210 mm by 297 mm (ISO
/// 216), Letter 8.5 in by 11 in; a point is 1/72 in.
fn size(pdf: &Pdf) -> (f64, f64) {
    let counts: Vec<&String> = pdf
        .objects
        .values()
        .map(|o| &o.0)
        .filter(|words| words.contains("/Type /Pages"))
        .collect();
    assert_eq!(counts.len(), 1);
    assert!(counts[0].contains("/Count 1"), "{}", counts[0]);
    let pages: Vec<&str> = pdf
        .objects
        .values()
        .filter_map(|(words, _)| words.split("/MediaBox [").nth(1))
        .collect();
    assert_eq!(pages.len(), 1);
    let numbers: Vec<f64> = pages[0]
        .split(']')
        .next()
        .unwrap()
        .split(' ')
        .map(|n| n.parse().unwrap())
        .collect();
    (numbers[2], numbers[3])
}

#[test]
fn a_sheet_is_one_page_with_the_names_on_it_as_text() {
    let (place, card) = shop(CARD);
    let folder = place.path().join("out");
    let card = card.to_str().unwrap();
    let labels = [
        "Customer=A. Näme & Sons",
        "Order=17",
        "Rebound clicks=3",
        "Track=wet",
    ];
    let mut more = vec!["--shop", card];
    labels.iter().for_each(|l| more.extend(["--label", *l]));
    analyzed("low-gas-monotube.csv", &folder, &more).success();
    let pdf = Pdf::read(&folder.join("sheet.pdf"));
    let (w, h) = size(&pdf);
    assert!((w - 210.0 / 25.4 * 72.0).abs() < 0.1 && (h - 297.0 / 25.4 * 72.0).abs() < 0.1);
    let text = pdf.text();
    // ISO/IEC 17025:2017, 7.8.2.1 and 7.8.3.1 (headings from memory of the standard): title,
    // laboratory, place, number, customer, method, item, condition, dates, results with units
    // and uncertainty, departures, whose authority, that it holds for the item tested.
    for word in [
        "Damper test report",
        "Brook Lane Works",
        "Millford",
        "Fourteen days.",
        "By appointment.",
        "Report number",
        "A. Näme & Sons",
        "17",
        "Method",
        "Serial number",
        "Condition",
        "Received",
        "Tested",
        "Issued",
        "Calibration",
        "No. 2",
        "Departures",
        "Authorised by",
        "Signature",
        "item tested",
        "Decision rule",
        "coverage factor k = 2",
        "rebound clicks 3",
        "Track: wet",
        "page 1 of 1",
        "SHA-256",
        "Force at",
    ] {
        assert!(text.contains(word), "{word} in {text}");
    }
    let picture = fs::read(folder.join("sheet.png")).unwrap();
    assert_eq!(&picture[..8], b"\x89PNG\r\n\x1a\n");
}

#[test]
fn what_nobody_stated_leaves_a_line_and_no_date() {
    let place = tempfile::tempdir().unwrap();
    let (bare, told) = (place.path().join("bare"), place.path().join("told"));
    analyzed("healthy-monotube.csv", &bare, &[]).success();
    analyzed(
        "healthy-monotube.csv",
        &told,
        &[
            "--label",
            "Tested=2031-05-06",
            "--label",
            "Customer=B. Name",
        ],
    )
    .success();
    let rules = |pdf: &Pdf| {
        let streams = pdf.objects.values().map(|o| &o.1);
        let longest = streams
            .filter(|data| find(data, b"BT", 0).is_some() && find(data, b" re", 0).is_none())
            .max_by_key(|data| data.len())
            .unwrap();
        // A rule is a path of two points that is stroked.
        String::from_utf8_lossy(longest).matches(" l\nS").count()
    };
    let (bare, told) = (
        Pdf::read(&bare.join("sheet.pdf")),
        Pdf::read(&told.join("sheet.pdf")),
    );
    assert!(rules(&told) > 10, "{}", rules(&told));
    assert_eq!(rules(&bare), rules(&told) + 2, "two lines are filled in");
    assert!(told.text().contains("2031-05-06"));
    let words = bare.text();
    let year = |text: &str| {
        let digits: Vec<char> = text.chars().collect();
        digits.windows(5).any(|w| {
            w[..2] == ['2', '0'] && w[2].is_ascii_digit() && w[3].is_ascii_digit() && w[4] == '-'
        })
    };
    assert!(!year(&words), "{words}");
    for (dictionary, _) in bare.objects.values() {
        assert!(!dictionary.contains("Date"), "{dictionary}");
    }
}

#[test]
fn letter_is_for_the_other_side_of_the_ocean() {
    let place = tempfile::tempdir().unwrap();
    for (name, more) in [
        ("option", &["--paper", "letter"][..]),
        ("units", &["--units", "us"]),
    ] {
        let folder = place.path().join(name);
        analyzed("healthy-monotube.csv", &folder, more).success();
        let (w, h) = size(&Pdf::read(&folder.join("sheet.pdf")));
        assert!(
            (w - 8.5 * 72.0).abs() < 0.1 && (h - 11.0 * 72.0).abs() < 0.1,
            "{w} {h}"
        );
    }
}

#[test]
fn hostile_names_stay_text_on_one_page() {
    let nasty = "</text><script>alert(1)</script> ) Tj ET \u{202e}\u{7}".repeat(40);
    let card = format!(
        "name = '{}'\nfooter = '{0}'\nterms = '{0}'\naddress = '{0}'\n",
        nasty.replace('\u{7}', "")
    );
    let (place, card) = shop(&card);
    let folder = place.path().join("out");
    let labels: Vec<String> = [
        "Customer",
        "Work done",
        "Method",
        "Condition",
        "<b>&",
        "Authorised by",
    ]
    .iter()
    .map(|name| format!("{name}={nasty}"))
    .collect();
    let mut more = vec!["--shop", card.to_str().unwrap()];
    labels
        .iter()
        .for_each(|l| more.extend(["--label", l.as_str()]));
    analyzed("low-gas-monotube.csv", &folder, &more).success();
    let pdf = Pdf::read(&folder.join("sheet.pdf"));
    size(&pdf);
    let text = pdf.text();
    assert!(text.contains("</text><script>alert(1)</script>"), "{text}");
    assert!(text.contains("…"), "what does not fit is shortened: {text}");
    assert!(!text.contains('\u{202e}') && !text.contains('\u{7}'));
    assert!(text.contains("Signature") && text.contains("Force at"));
    let page = fs::read_to_string(folder.join("index.html")).unwrap();
    assert_eq!(page.matches("<script").count(), 1);
}

#[test]
fn a_logo_is_drawn_and_a_wrong_one_is_named() {
    let svg = "<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"40\" height=\"20\">\
               <rect width=\"40\" height=\"20\" fill=\"#1d3b4a\"/></svg>";
    let (place, card) = shop("name = \"Brook Lane Works\"\nlogo = \"logo.svg\"\n");
    fs::write(place.path().join("logo.svg"), svg).unwrap();
    let folder = place.path().join("out");
    let card = card.to_str().unwrap().to_owned();
    analyzed("healthy-monotube.csv", &folder, &["--shop", &card]).success();
    let pdf = Pdf::read(&folder.join("sheet.pdf"));
    let image = pdf
        .objects
        .values()
        .find(|(words, _)| words.contains("/SMask"));
    let (_, pixels) = image.unwrap();
    assert_eq!(&pixels[..3], [0x1d, 0x3b, 0x4a]);
    for (content, word) in [
        (None, "could not read the logo"),
        (Some("no picture"), "cannot be used"),
    ] {
        match content {
            None => fs::remove_file(place.path().join("logo.svg")).unwrap(),
            Some(text) => fs::write(place.path().join("logo.svg"), text).unwrap(),
        }
        let folder = place.path().join("none");
        let refused = analyzed("healthy-monotube.csv", &folder, &["--shop", &card]).code(3);
        let said = String::from_utf8_lossy(&refused.get_output().stderr).into_owned();
        for word in [word, "logo.svg", "shop.toml", "2", "expected a PNG or SVG"] {
            assert!(said.contains(word), "{word} in {said}");
        }
        assert!(!folder.exists());
    }
}

/// A PNG made with the reference encoder of the `png` crate, which the program reads with
/// its decoder: grey with a see-through half.
#[test]
fn a_png_with_holes_keeps_them() {
    let (place, card) = shop("logo = \"logo.png\"\n");
    let mut bytes = Vec::new();
    let mut encoder = png::Encoder::new(&mut bytes, 2, 1);
    encoder.set_color(png::ColorType::GrayscaleAlpha);
    encoder.set_depth(png::BitDepth::Eight);
    let mut writer = encoder.write_header().unwrap();
    writer.write_image_data(&[90, 255, 0, 0]).unwrap();
    writer.finish().unwrap();
    fs::write(place.path().join("logo.png"), bytes).unwrap();
    let folder = place.path().join("out");
    analyzed(
        "healthy-monotube.csv",
        &folder,
        &["--shop", card.to_str().unwrap()],
    )
    .success();
    let pdf = Pdf::read(&folder.join("sheet.pdf"));
    let (_, pixels) = pdf
        .objects
        .values()
        .find(|o| o.0.contains("/SMask"))
        .unwrap();
    assert_eq!(&pixels[..3], [90, 90, 90]);
    let masks = pdf
        .objects
        .values()
        .find(|o| o.0.contains("/DeviceGray"))
        .unwrap();
    assert_eq!(masks.1, [255, 0]);
}

#[test]
fn a_card_or_label_that_cannot_be_used_is_refused_with_its_line() {
    for (card, words) in [
        (
            "name = \"A\"\nnane = \"B\"\n",
            &["shop.toml", "nane", "2"][..],
        ),
        (
            "name = \"A\"\npaper = \"a5\"\n",
            &["shop.toml", "a5", "letter"],
        ),
        ("name = 7\n", &["shop.toml", "string"]),
    ] {
        let (place, path) = shop(card);
        let folder = place.path().join("out");
        let refused = analyzed(
            "healthy-monotube.csv",
            &folder,
            &["--shop", path.to_str().unwrap()],
        )
        .code(3);
        let said = String::from_utf8_lossy(&refused.get_output().stderr).into_owned();
        for word in words {
            assert!(said.contains(word), "{word} in {said}");
        }
        assert!(!folder.exists());
    }
    for label in ["Customer", "=x", " : =x"] {
        let place = tempfile::tempdir().unwrap();
        let refused = analyzed(
            "healthy-monotube.csv",
            &place.path().join("out"),
            &["--label", label],
        )
        .code(2);
        let said = String::from_utf8_lossy(&refused.get_output().stderr).into_owned();
        assert!(
            said.contains("--label") && said.contains("expected"),
            "{said}"
        );
    }
}

#[test]
fn labels_reach_the_json_and_win_over_the_file() {
    let place = tempfile::tempdir().unwrap();
    let (input, json) = (place.path().join("run.csv"), place.path().join("run.json"));
    let data = fs::read_to_string(in_tree("sample-runs/healthy-monotube.csv")).unwrap();
    fs::write(&input, format!("Operator: C. Name\nTrack: dry\n{data}")).unwrap();
    loopwork()
        .arg("analyze")
        .arg(&input)
        .args([
            "--no-report",
            "--quiet",
            "--label",
            "operator=D. Name",
            "--json",
        ])
        .arg(&json)
        .assert()
        .success();
    let run: serde_json::Value = serde_json::from_slice(&fs::read(&json).unwrap()).unwrap();
    assert_eq!(run["metadata"]["operator"], "D. Name");
    assert_eq!(run["metadata"]["Track"], "dry");
}

/// Runs a command that makes a report and hands back the text of its sheet.
fn sheet_of(arguments: &[&str], files: &[&str], more: &[&str], code: i32) -> String {
    let place = tempfile::tempdir().unwrap();
    let folder = place.path().join("out");
    let card = place.path().join("shop.toml");
    fs::write(&card, CARD).unwrap();
    loopwork()
        .args(arguments)
        .args(files.iter().map(|f| in_tree("sample-runs").join(f)))
        .args(more)
        .args(["--quiet", "--label", "Customer=E. Name", "--shop"])
        .arg(&card)
        .arg("--report")
        .arg(&folder)
        .assert()
        .code(code);
    let pdf = Pdf::read(&folder.join("sheet.pdf"));
    size(&pdf);
    let picture = fs::read(folder.join("sheet.png")).unwrap();
    assert_eq!(&picture[..8], b"\x89PNG\r\n\x1a\n");
    let text = pdf.text();
    for word in [
        "Brook Lane Works",
        "E. Name",
        "Decision rule",
        "item tested",
        "Signature",
        "page 1 of 1",
    ] {
        assert!(text.contains(word), "{word} in {text}");
    }
    text
}

#[test]
fn a_comparison_has_its_sheet() {
    let text = sheet_of(
        &["compare", "--as", "revalve"],
        &["revalve-before.csv", "revalve-after.csv"],
        &[],
        0,
    );
    for word in [
        "revalve-before",
        "revalve-after",
        "Compression, N",
        "Rebound, N",
        "valves",
        "95 % interval",
        "Friction",
    ] {
        assert!(text.contains(word), "{word} in {text}");
    }
    // Six speeds each way and what changed beside: a range in every row, not another column.
    let ranges = [" to +", " to -", " to \u{2212}"]
        .map(|sign| text.matches(sign).count())
        .iter()
        .sum::<usize>();
    assert!(ranges >= 12, "{ranges} ranges in {text}");
    // Speeds of the standard grid that nobody drove.
    for between in ["0.052", "0.393", "0.524"] {
        assert!(!text.contains(between), "{between} in {text}");
    }
}

#[test]
fn a_pairing_has_its_sheet() {
    let text = sheet_of(&["match"], &["pair-left.csv", "pair-right.csv"], &[], 0);
    for word in ["pair-left", "pair-right", "Mismatch", "Verdict"] {
        assert!(text.contains(word), "{word} in {text}");
    }
}

/// A criterion far outside is listed before one that is met, and the sheet says fail.
#[test]
fn a_check_has_its_sheet_worst_first() {
    let place = tempfile::tempdir().unwrap();
    let target = place.path().join("target.toml");
    fs::write(
        &target,
        "name = \"build sheet\"\n[[compression]]\nvelocity = 0.2\nmin = 1.0\n\
         [[rebound]]\nvelocity = 0.2\nmin = 9000.0\n",
    )
    .unwrap();
    let text = sheet_of(
        &["check"],
        &["healthy-monotube.csv"],
        &[
            "--target",
            target.to_str().unwrap(),
            "--operator",
            "F. Name",
            "--serial",
            "S-17",
            "--date",
            "2031-05-06",
        ],
        1,
    );
    for word in [
        "Fail: ",
        "build sheet",
        "F. Name",
        "S-17",
        "2031-05-06",
        "Worst margins first",
        "target",
        "measured",
        "margin",
        "at least 9000 N",
    ] {
        assert!(text.contains(word), "{word} in {text}");
    }
    let place = |word: &str| text.find(word).unwrap();
    assert!(
        place("rebound at 0.200") < place("compression at 0.200"),
        "{text}"
    );
}
