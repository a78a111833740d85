//! Names for folders and files made from names people or files supply.

/// The longest name made, characters.
const LONGEST: usize = 60;

/// Names Windows keeps for devices, whatever their ending.
const RESERVED: [&str; 22] = [
    "con", "prn", "aux", "nul", "com1", "com2", "com3", "com4", "com5", "com6", "com7", "com8",
    "com9", "lpt1", "lpt2", "lpt3", "lpt4", "lpt5", "lpt6", "lpt7", "lpt8", "lpt9",
];

/// A name that is safe as a file or folder name everywhere: letters and digits of any
/// script, `-`, `_` and inner dots are kept, everything else becomes one `-`. Never empty,
/// never `..`, never reserved, never hidden.
pub fn safe(name: &str) -> String {
    let mut out = String::new();
    for c in name.chars() {
        let keep = c.is_alphanumeric() || matches!(c, '_' | '.');
        if keep {
            out.push(c);
        } else if !out.ends_with('-') {
            out.push('-');
        }
    }
    let mut out: String = out.chars().take(LONGEST).collect();
    while out.contains("..") {
        out = out.replace("..", ".");
    }
    let out = out
        .trim_matches(|c| matches!(c, '.' | '-' | ' '))
        .to_owned();
    if out.is_empty() {
        return "run".to_owned();
    }
    let stem = out.split('.').next().unwrap_or("").to_lowercase();
    if RESERVED.contains(&stem.as_str()) {
        return format!("run-{out}");
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Reserved names: Microsoft, "Naming Files, Paths, and Namespaces".
    #[test]
    fn odd_names_become_harmless() {
        for (given, made) in [
            ("front left", "front-left"),
            ("../../etc/passwd", "etc-passwd"),
            ("..", "run"),
            ("", "run"),
            ("CON", "run-CON"),
            ("nul.csv", "run-nul.csv"),
            ("dämpfer №7", "dämpfer-7"),
            ("a/b\\c:d*e?f\"g<h>i|j", "a-b-c-d-e-f-g-h-i-j"),
            ("trailing. . .", "trailing"),
            ("<script>alert(1)</script>", "script-alert-1-script"),
            ("=HYPERLINK(\"x\")", "HYPERLINK-x"),
            (".hidden", "hidden"),
            ("v1.2", "v1.2"),
        ] {
            assert_eq!(safe(given), made, "{given}");
        }
        assert!(safe(&"x".repeat(500)).chars().count() <= LONGEST);
    }
}
