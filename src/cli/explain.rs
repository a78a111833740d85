//! `loopwork explain`: what a finding means, how it is seen, what else looks like it, what
//! to check next.
#![expect(clippy::print_stdout, reason = "the shell prints results")]

use super::Outcome;
use super::args::ExplainArgs;
use crate::findings::{RULES, Rule, rule};
use crate::notice::Error;

/// Runs the command.
///
/// # Errors
/// [`crate::notice::Fault::Usage`] for a name that is not a finding's.
pub(super) fn run(args: &ExplainArgs) -> Result<Outcome, Error> {
    let Some(name) = &args.name else {
        print!("{}", list());
        return Ok(Outcome::Done);
    };
    let wanted = name.trim().to_lowercase().replace(['_', ' '], "-");
    let Some(rule) = rule(&wanted) else {
        let error = Error::usage("no-such-finding", format!("there is no finding {name:?}"));
        let help = match nearest(&wanted) {
            Some(near) => format!("did you mean `{near}`? `loopwork explain` lists all of them"),
            None => "`loopwork explain` lists all of them".to_owned(),
        };
        return Err(error.help(help));
    };
    print!("{}", text(rule));
    Ok(Outcome::Done)
}

/// All findings, one line each.
fn list() -> String {
    let wide = RULES.iter().map(|r| r.name.len()).max().unwrap_or(0);
    let mut out =
        String::from("Findings of `loopwork analyze`; `loopwork explain NAME` tells more.\n\n");
    for rule in RULES {
        out.push_str(&format!("  {:wide$}  {}\n", rule.name, rule.line));
    }
    out
}

/// Columns of the text.
const WIDTH: usize = 80;

fn text(rule: &Rule) -> String {
    let mut out = format!("{}\n{}", rule.name, wrapped(rule.line));
    let e = rule.explanation;
    for (title, body) in [
        ("What it means", e.means),
        ("How it is seen", e.seen),
        ("What else looks like it", e.alike),
        ("What to check next", e.next),
    ] {
        out.push_str(&format!("\n{title}\n"));
        out.push_str(&wrapped(body));
    }
    out
}

fn wrapped(body: &str) -> String {
    let mut out = String::new();
    let mut line = String::from(" ");
    for word in body.split_whitespace() {
        if line.len() + 1 + word.len() > WIDTH {
            out.push_str(&line);
            out.push('\n');
            line = String::from(" ");
        }
        line.push(' ');
        line.push_str(word);
    }
    out.push_str(&line);
    out.push('\n');
    out
}

/// The name that is closest, if one is close.
fn nearest(name: &str) -> Option<&'static str> {
    /// Below this likeness (Jaro–Winkler, 0 to 1) a guess helps nobody.
    const CLOSE: f64 = 0.7;
    RULES
        .iter()
        .map(|r| (strsim::jaro_winkler(name, r.name), r.name))
        .max_by(|a, b| a.0.total_cmp(&b.0))
        .filter(|(likeness, _)| *likeness >= CLOSE)
        .map(|(_, name)| name)
}
