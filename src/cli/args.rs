//! The command line, as data. Other files read it; nothing else defines an option.

use std::path::PathBuf;

use clap::{Args, Parser, Subcommand, ValueEnum};

use super::sheet::SheetArgs;

/// Reads any shock dyno's CSV and says what the damper does.
#[derive(Debug, Parser)]
#[command(name = "loopwork", version, about, max_term_width = 100)]
pub struct Cli {
    /// What to do.
    #[command(subcommand)]
    pub command: Command,
}

/// The commands.
#[derive(Debug, Subcommand)]
pub enum Command {
    /// Show what intake understood of a file, and what it could not settle
    #[command(after_help = INSPECT_EXAMPLES)]
    Inspect(InspectArgs),
    /// Analyse one damper's run: summary, JSON, report
    #[command(after_help = ANALYZE_EXAMPLES)]
    Analyze(AnalyzeArgs),
    /// Put two or more dampers side by side
    #[command(after_help = COMPARE_EXAMPLES)]
    Compare(CompareArgs),
    /// Hold one damper against a target curve and limits
    #[command(after_help = CHECK_EXAMPLES)]
    Check(CheckArgs),
    /// Find the best pairs out of many dampers
    #[command(after_help = MATCH_EXAMPLES)]
    Match(MatchArgs),
    /// Say what every adjuster does, from one damper run at several settings
    #[command(after_help = CLICKS_EXAMPLES)]
    Clicks(ClicksArgs),
    /// Analyse many runs: one table, one index page
    #[command(after_help = BATCH_EXAMPLES)]
    Batch(BatchArgs),
    /// Say what a damper does on the corner it is fitted to
    #[command(after_help = CORNER_EXAMPLES)]
    Corner(CornerArgs),
    /// Print a commented card to fill in
    #[command(after_help = CARD_EXAMPLES)]
    Card(CardArgs),
    /// Say what a finding means and what to check next
    #[command(after_help = EXPLAIN_EXAMPLES)]
    Explain(ExplainArgs),
    /// Make a synthetic run from a damper description
    #[command(after_help = SIMULATE_EXAMPLES)]
    Simulate(SimulateArgs),
    /// Print a completion script for a shell
    #[command(after_help = COMPLETIONS_EXAMPLES)]
    Completions(CompletionsArgs),
    /// Print the manual page (roff)
    #[command(after_help = MANUAL_EXAMPLES)]
    Manual(ManualArgs),
}

const INSPECT_EXAMPLES: &str = "Examples:
  loopwork inspect run.csv                     what was understood, and what was not
  loopwork inspect run.csv --write-card my-dyno.toml
                                               save it for every later file of that dyno";
const ANALYZE_EXAMPLES: &str = "Examples:
  loopwork analyze run.csv                     summary here, report in reports/run/
  loopwork analyze slow.csv fast.csv --name front-left
                                               several files, one damper
  loopwork analyze run.csv --units us          lbf, in, in/s
  loopwork analyze run.csv --no-report --json - | jq .statics
                                               the numbers for a script, nothing else
  loopwork analyze run.csv --unit force=lbf    a unit the file does not say
  loopwork analyze run.csv --reference-temperature 80F
                                               curves as they would be at 80 °F
  loopwork analyze run.csv --shop shop.toml --label \"Customer=A. Name\"
                                               a sheet with your name on it beside the report";
const COMPARE_EXAMPLES: &str = "Examples:
  loopwork compare before.csv after.csv --as revalve
  loopwork compare left.csv right.csv --as pair --tolerance 5 --fail-on outside
  loopwork compare new.csv used.csv --as wear --json wear.json
  loopwork compare cold.csv hot.csv --reference-temperature 40
                                               both as they would be at 40 °C";
const CHECK_EXAMPLES: &str = "Examples:
  loopwork check run.csv --target limits.toml  exit code 1 if it does not pass
  loopwork check run.csv --target reference.csv";
const MATCH_EXAMPLES: &str = "Examples:
  loopwork match dampers/*.csv                 the best pairs, and who is left over";
const CLICKS_EXAMPLES: &str = "Examples:
  loopwork clicks sweep/*.csv                  settings from labels such as \"Rebound clicks: 3\"
  loopwork clicks R*.csv --from-name \"R{rebound}_C{compression}\"
                                               settings from the file names
  loopwork clicks sweep/*.csv --settings-table sweep.csv --at rebound=7
                                               settings from a table; the curve at one not run
  loopwork clicks right/*.csv --to left.csv    the setting that makes right equal to left";
const BATCH_EXAMPLES: &str = "Examples:
  loopwork batch season/ --report reports/season
                                               one table and one index page for a folder";
const CORNER_EXAMPLES: &str = "Examples:
  loopwork card corner > front-left.toml       a card to fill in
  loopwork corner run.csv --corner front-left.toml
  loopwork corner before.csv --corner front-left.toml --against after.csv
                                               what the revalve is worth on that corner
  loopwork corner left.csv --corner front.toml --other-side right.csv";
const CARD_EXAMPLES: &str = "Examples:
  loopwork card corner > front-left.toml";
const EXPLAIN_EXAMPLES: &str = "Examples:
  loopwork explain                             all findings by name
  loopwork explain cavitation                  what it means and what to check next";
const SIMULATE_EXAMPLES: &str = "Examples:
  loopwork simulate sample-runs/specs/healthy-monotube.toml --out run.csv";
const COMPLETIONS_EXAMPLES: &str = "Examples:
  loopwork completions bash > ~/.local/share/bash-completion/completions/loopwork
  loopwork completions zsh > ~/.zfunc/_loopwork
  loopwork completions powershell >> $PROFILE";
const MANUAL_EXAMPLES: &str = "Examples:
  loopwork manual > loopwork.1 && man ./loopwork.1
  loopwork manual analyze                      the page of one command";

/// Unit system of the output.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, ValueEnum)]
pub enum Units {
    /// N, mm, m/s, J, °C
    #[default]
    Si,
    /// lbf, in, in/s, ft·lbf, °F
    Us,
}

/// Options about results, shared by the commands that have them.
#[derive(Debug, Clone, Default, Args)]
pub struct OutputArgs {
    /// Write the result as JSON; `-` is standard output, and then nothing else is printed there
    #[arg(long, value_name = "PATH")]
    pub json: Option<PathBuf>,
    /// Folder for the report (HTML and PNG) [default: reports/<name>]
    #[arg(long, value_name = "DIR", conflicts_with = "no_report")]
    pub report: Option<PathBuf>,
    /// Do not write a report
    #[arg(long)]
    pub no_report: bool,
    /// Units of the terminal summary and the report (JSON is always SI)
    #[arg(long, value_enum, default_value_t)]
    pub units: Units,
    /// Print no summary and no progress
    #[arg(long, short)]
    pub quiet: bool,
    /// Replace a report of a different run that is already in the folder
    #[arg(long)]
    pub overwrite: bool,
    /// Plain text without colour, boxes or plots (for screen readers and logs)
    #[arg(long)]
    pub plain: bool,
}

/// A sign, on the command line.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum Sign {
    /// Positive numbers
    Positive,
    /// Negative numbers
    Negative,
}

/// Options about reading the input.
#[derive(Debug, Clone, Default, Args)]
#[command(next_help_heading = "Reading the file")]
pub struct IntakeArgs {
    /// Which column plays a role: time, displacement, velocity, force, temperature, angle,
    /// pressure or step = column name or number
    #[arg(long, value_name = "ROLE=COLUMN")]
    pub map: Vec<String>,
    /// The unit of a role's column, such as force=lbf
    #[arg(long, value_name = "ROLE=UNIT")]
    pub unit: Vec<String>,
    /// Samples per second, for a file without a time column
    #[arg(long, value_name = "HZ")]
    pub rate: Option<f64>,
    /// Sign of travel in the file while the damper is being compressed
    #[arg(long, value_enum)]
    pub compression: Option<Sign>,
    /// Sign of force in the file while the damper resists compression
    #[arg(long, value_enum)]
    pub force: Option<Sign>,
    /// Column delimiter: `,` `;` `tab` `|` `blanks`
    #[arg(long)]
    pub delimiter: Option<String>,
    /// Decimal mark: `.` or `,`
    #[arg(long)]
    pub decimal: Option<char>,
    /// Stroke of the machine's crank, for a file with crank angle instead of travel
    #[arg(long, value_name = "MM")]
    pub crank_stroke: Option<f64>,
    /// Crank radius over rod length, for the same; 0 is a pure sine
    #[arg(long, value_name = "RATIO")]
    pub rod_ratio: Option<f64>,
    /// Several files are one damper's run, though their labels differ or they repeat speeds
    #[arg(long)]
    pub one_damper: bool,
    /// Intake card: all of these, written once for a given dyno
    #[arg(long, value_name = "CARD.toml")]
    pub intake: Option<PathBuf>,
}

/// Options about the analysis itself.
#[derive(Debug, Clone, Default, Args)]
#[command(next_help_heading = "Analysis")]
pub struct AnalysisArgs {
    /// What is known of the damper: rod, bore, gas charge, oil and metal mass, and so on
    #[arg(long, value_name = "CARD.toml")]
    pub damper: Option<PathBuf>,
    /// Delay of the force channel behind travel in milliseconds, if you know it
    #[arg(long, value_name = "MS", allow_negative_numbers = true)]
    pub force_lag: Option<f64>,
    /// Mass that moves with the load cell (clevis, rod, adapter) in kilograms, if you know it
    #[arg(long, value_name = "KG", allow_negative_numbers = true)]
    pub moving_mass: Option<f64>,
    /// Thresholds and defaults of your own (see docs/settings.md)
    #[arg(long, value_name = "FILE.toml")]
    pub settings: Option<PathBuf>,
}

/// The temperature results are stated at.
#[derive(Debug, Clone, Default, Args)]
#[command(next_help_heading = "Analysis")]
pub struct ReferenceArgs {
    /// Refer curves and fits to this temperature where a temperature channel allows: °C, or
    /// with a unit such as 80F, "80 °F" or 300K
    #[arg(long, value_name = "DEG", allow_hyphen_values = true)]
    pub reference_temperature: Option<String>,
}

/// `loopwork inspect`
#[derive(Debug, Args)]
pub struct InspectArgs {
    /// Files, or `-` for standard input
    #[arg(required = true)]
    pub files: Vec<PathBuf>,
    /// Save the understanding as an intake card
    #[arg(long, value_name = "CARD.toml")]
    pub write_card: Option<PathBuf>,
    /// Reading the file.
    #[command(flatten)]
    pub intake: IntakeArgs,
    /// Output.
    #[command(flatten)]
    pub output: OutputArgs,
}

/// `loopwork analyze`
#[derive(Debug, Args)]
pub struct AnalyzeArgs {
    /// One damper's run; several files may be its speeds; `-` is standard input
    #[arg(required = true)]
    pub files: Vec<PathBuf>,
    /// A name for the run [default: the file's name]
    #[arg(long)]
    pub name: Option<String>,
    /// Reading the file.
    #[command(flatten)]
    pub intake: IntakeArgs,
    /// Analysis.
    #[command(flatten)]
    pub analysis: AnalysisArgs,
    /// Temperature.
    #[command(flatten)]
    pub reference: ReferenceArgs,
    /// Sheet.
    #[command(flatten)]
    pub sheet: SheetArgs,
    /// Output.
    #[command(flatten)]
    pub output: OutputArgs,
}

/// Why two dampers are compared.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum Purpose {
    /// Before and after a change of valving
    Revalve,
    /// A reference and a used damper
    Wear,
    /// Left and right, or any set that should match
    Pair,
}

/// When a comparison makes the exit code 1.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum FailOn {
    /// If any verdict is `outside`
    Outside,
    /// If any verdict is `outside` or `undecided`
    Undecided,
}

/// How far dampers may be apart, shared by `compare`, `match` and `clicks`.
#[derive(Debug, Clone, Default, Args)]
#[command(next_help_heading = "Limits")]
pub struct LimitArgs {
    /// Tolerance in percent of the force [default: 5 for pair, match and clicks, 15 for wear]
    #[arg(long, value_name = "PERCENT")]
    pub tolerance: Option<f64>,
    /// The tolerance is never less than this, in N [default: 10]
    #[arg(long, value_name = "N")]
    pub tolerance_floor: Option<f64>,
    /// Limits and repeatability of your own (see docs/methods/compare.md)
    #[arg(long, value_name = "LIMITS.toml")]
    pub limits: Option<PathBuf>,
    /// Make the exit code 1 when a verdict is this bad
    #[arg(long, value_enum)]
    pub fail_on: Option<FailOn>,
}

/// `loopwork compare`
#[derive(Debug, Args)]
pub struct CompareArgs {
    /// The damper everything is compared with
    pub base: PathBuf,
    /// The others
    #[arg(required = true)]
    pub others: Vec<PathBuf>,
    /// Why they are compared
    #[arg(long = "as", value_enum, default_value = "pair")]
    pub purpose: Purpose,
    /// Compare forces as measured even if the temperatures differ and could be allowed for
    #[arg(long, conflicts_with = "reference_temperature")]
    pub as_measured: bool,
    /// Another run of the base damper, to learn run-to-run repeatability from; can be repeated
    #[arg(long, value_name = "FILE")]
    pub repeat: Vec<PathBuf>,
    /// Limits.
    #[command(flatten)]
    pub limits: LimitArgs,
    /// Reading the files.
    #[command(flatten)]
    pub intake: IntakeArgs,
    /// Analysis.
    #[command(flatten)]
    pub analysis: AnalysisArgs,
    /// Temperature.
    #[command(flatten)]
    pub reference: ReferenceArgs,
    /// Sheet.
    #[command(flatten)]
    pub sheet: SheetArgs,
    /// Output.
    #[command(flatten)]
    pub output: OutputArgs,
}

/// `loopwork check`
#[derive(Debug, Args)]
pub struct CheckArgs {
    /// One damper's run
    pub file: PathBuf,
    /// Target: curve and limits (TOML), a sweep table (CSV) or another run
    #[arg(long, value_name = "SPEC")]
    pub target: PathBuf,
    /// Tolerance in percent where the target gives none [default: 10]
    #[arg(long, value_name = "PERCENT")]
    pub tolerance: Option<f64>,
    /// Serial number, for the sheet
    #[arg(long)]
    pub serial: Option<String>,
    /// Who did the test, for the sheet
    #[arg(long)]
    pub operator: Option<String>,
    /// Date of the test, for the sheet, as it should read
    #[arg(long)]
    pub date: Option<String>,
    /// Reading the file.
    #[command(flatten)]
    pub intake: IntakeArgs,
    /// Analysis.
    #[command(flatten)]
    pub analysis: AnalysisArgs,
    /// Temperature.
    #[command(flatten)]
    pub reference: ReferenceArgs,
    /// Sheet.
    #[command(flatten)]
    pub sheet: SheetArgs,
    /// Output.
    #[command(flatten)]
    pub output: OutputArgs,
}

/// How a mismatch is made one number.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, ValueEnum)]
pub enum MismatchBy {
    /// The largest difference
    #[default]
    Largest,
    /// The root mean square difference
    Rms,
}

/// `loopwork match`
#[derive(Debug, Args)]
pub struct MatchArgs {
    /// The dampers' runs
    #[arg(required = true)]
    pub files: Vec<PathBuf>,
    /// Only dampers of one axle are paired: the file as given above and its axle's name; can be
    /// repeated. Files without an axle are paired among themselves
    #[arg(long, value_name = "FILE=AXLE")]
    pub axle: Vec<String>,
    /// What is made small: the largest or the root mean square difference of a pair
    #[arg(long, value_enum, default_value_t)]
    pub mismatch: MismatchBy,
    /// Limits.
    #[command(flatten)]
    pub limits: LimitArgs,
    /// Reading the files.
    #[command(flatten)]
    pub intake: IntakeArgs,
    /// Analysis.
    #[command(flatten)]
    pub analysis: AnalysisArgs,
    /// Sheet.
    #[command(flatten)]
    pub sheet: SheetArgs,
    /// Output.
    #[command(flatten)]
    pub output: OutputArgs,
}

/// `loopwork clicks`
#[derive(Debug, Args)]
pub struct ClicksArgs {
    /// Runs of one damper, each at other settings
    #[arg(required = true)]
    pub files: Vec<PathBuf>,
    /// How file names hold the settings, each adjuster's name in braces
    #[arg(long, value_name = "PATTERN", conflicts_with = "settings_table")]
    pub from_name: Option<String>,
    /// Table of settings (CSV): the file in the first column, then one column an adjuster
    #[arg(long, value_name = "TABLE.csv")]
    pub settings_table: Option<PathBuf>,
    /// Curve at a setting that was not run, within the range that was; can be repeated
    #[arg(long, value_name = "NAME=VALUE")]
    pub at: Vec<String>,
    /// Another damper: which setting brings this one closest to it
    #[arg(long, value_name = "FILE")]
    pub to: Option<PathBuf>,
    /// Speeds to look at in m/s, such as 0.05,0.13,0.3 [default: those all runs measured]
    #[arg(long, value_name = "M_S", value_delimiter = ',')]
    pub speed: Vec<f64>,
    /// Limits.
    #[command(flatten)]
    pub limits: LimitArgs,
    /// Reading the files.
    #[command(flatten)]
    pub intake: IntakeArgs,
    /// Analysis.
    #[command(flatten)]
    pub analysis: AnalysisArgs,
    /// Temperature.
    #[command(flatten)]
    pub reference: ReferenceArgs,
    /// Output.
    #[command(flatten)]
    pub output: OutputArgs,
}

/// What a batch gives.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, ValueEnum)]
pub enum BatchFormat {
    /// A folder with tables (CSV, and Parquet where built in) and an index page
    #[default]
    Tables,
    /// One JSON object per run, one per line, in the order of the files; nothing is kept
    Jsonl,
}

/// `loopwork batch`
#[derive(Debug, Args)]
pub struct BatchArgs {
    /// Files, folders (searched to the bottom) and patterns such as "runs/**/*.csv"
    pub paths: Vec<PathBuf>,
    /// Read more paths from a file, one per line; `-` is standard input
    #[arg(long, value_name = "FILE")]
    pub paths_from: Option<PathBuf>,
    /// Stay and analyse files as they arrive in this folder
    #[arg(long, value_name = "DIR")]
    pub watch: Vec<PathBuf>,
    /// What to give
    #[arg(long, value_enum, default_value_t)]
    pub format: BatchFormat,
    /// Parquet files are split by this: `day`, or a label of the files
    #[arg(long, value_name = "LABEL", default_value = "day")]
    pub by: String,
    /// Runs with the same value of this label are a family; without it all are one
    #[arg(long, value_name = "LABEL")]
    pub family: Option<String>,
    /// List only the files named now, not those analysed into this folder before
    #[arg(long)]
    pub fresh: bool,
    /// Files analysed at a time [default: one per processor]
    #[arg(long, short, value_name = "N")]
    pub jobs: Option<usize>,
    /// Seconds between two looks at a watched folder
    #[arg(long, value_name = "SECONDS", default_value_t = 2.0)]
    pub every: f64,
    /// A watched file is complete when this many looks in a row found it unchanged
    #[arg(long, value_name = "LOOKS", default_value_t = 3)]
    pub settle: u32,
    /// Reading the files.
    #[command(flatten)]
    pub intake: IntakeArgs,
    /// Analysis.
    #[command(flatten)]
    pub analysis: AnalysisArgs,
    /// Output.
    #[command(flatten)]
    pub output: OutputArgs,
}

/// `loopwork corner`
#[derive(Debug, Args)]
pub struct CornerArgs {
    /// One damper's run; several files may be its speeds
    #[arg(required = true)]
    pub files: Vec<PathBuf>,
    /// The corner: motion ratio, spring, masses, tyre (see `loopwork card corner`)
    #[arg(long, value_name = "CARD.toml")]
    pub corner: PathBuf,
    /// The damper after a change: differences on the same road from the same start
    #[arg(long, value_name = "FILE")]
    pub against: Option<PathBuf>,
    /// The damper of the other side: roll, tyre load and lean
    #[arg(long, value_name = "FILE")]
    pub other_side: Option<PathBuf>,
    /// A measured road beside the classes: CSV of distance and height, in metres
    #[arg(long, value_name = "FILE")]
    pub road: Option<PathBuf>,
    /// A name for the run [default: the file's name]
    #[arg(long)]
    pub name: Option<String>,
    /// Reading the files.
    #[command(flatten)]
    pub intake: IntakeArgs,
    /// Analysis.
    #[command(flatten)]
    pub analysis: AnalysisArgs,
    /// Temperature.
    #[command(flatten)]
    pub reference: ReferenceArgs,
    /// Output.
    #[command(flatten)]
    pub output: OutputArgs,
}

/// Kinds of cards.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum CardKind {
    /// The corner a damper is fitted to (`--corner`)
    Corner,
}

/// `loopwork card`
#[derive(Debug, Args)]
pub struct CardArgs {
    /// Which card
    #[arg(value_enum)]
    pub kind: CardKind,
}

/// `loopwork explain`
#[derive(Debug, Args)]
pub struct ExplainArgs {
    /// Name of a finding; left out, all of them are listed
    pub name: Option<String>,
}

/// `loopwork simulate`
#[derive(Debug, Args)]
pub struct SimulateArgs {
    /// Damper and motion description (TOML), or a folder of them
    pub spec: PathBuf,
    /// Where to write the CSV; `-` is standard output. For a folder of descriptions, the folder
    /// that gets one CSV of each, under its name
    #[arg(long, short, default_value = "-")]
    pub out: PathBuf,
    /// Seed of the sensor noise, instead of the one in the description
    #[arg(long)]
    pub seed: Option<u64>,
    /// Print nothing but the CSV
    #[arg(long, short)]
    pub quiet: bool,
}

/// `loopwork completions`
#[derive(Debug, Args)]
pub struct CompletionsArgs {
    /// Which shell
    #[arg(value_enum)]
    pub shell: clap_complete::Shell,
}

/// `loopwork manual`
#[derive(Debug, Args)]
pub struct ManualArgs {
    /// A command; left out, the page of the program
    pub command: Option<String>,
}
