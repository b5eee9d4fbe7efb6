//! The arguments as typed.

use std::path::PathBuf;

use clap::{Args, Parser, Subcommand, ValueEnum};

/// Where did the treated band beat the untreated check, by how much, and did it pay?
#[derive(Debug, Parser)]
#[command(name = "bandlift", version, about, arg_required_else_help = true, max_term_width = 110)]
#[command(after_help = "Example:\n  bandlift demo\n  bandlift run ARCHIVE --out OUT")]
pub struct Arguments {
    /// Say nothing but results and errors.
    #[arg(short, long, global = true)]
    pub quiet: bool,
    /// What to do.
    #[command(subcommand)]
    pub command: Command,
}

/// The commands.
#[derive(Debug, Subcommand)]
pub enum Command {
    /// The nightly batch: every new or changed site-year, then the synthesis.
    Run(RunArguments),
    /// Gather what shares of the night have computed, and synthesise: the end of a night on several machines.
    Synthesise(SynthesiseArguments),
    /// Read an archive, a site-year, a folder of raw files or one data file; say what is in it, what its columns probably are, and
    /// what is wrong; write nothing.
    Inspect(InspectArguments),
    /// Look at a folder of files as they come, and write the settings of an archive: guesses with their evidence in draft.md,
    /// questions where the data do not decide. Never overwrites.
    Draft(DraftArguments),
    /// Why a site-year's records were removed: the rule, its limit, and for one record its number and its neighbours.
    Explain(ExplainArguments),
    /// Where to treat next season: runs the archive, then maps for each field what pays under the weather to be expected, and
    /// lays out strips where they would help to decide.
    Plan(PlanArguments),
    /// Draw the figures of an output folder again, to take along: drawings and pictures of 16 by 9.
    Figures(FiguresArguments),
    /// The reference: every key of the settings, every column, mark or caution.
    Describe(DescribeArguments),
    /// The JSON Schema of a settings file, for editors that complete and check.
    Schema(SchemaArguments),
    /// Write the invented demo archive and run it.
    Demo(DemoArguments),
    /// Print the completions of a shell.
    Completions(CompletionsArguments),
    /// Print the manual page of the program, or of one command.
    Man(ManArguments),
}

/// How many site-years at a time.
fn jobs(text: &str) -> Result<u16, String> {
    let fault = || format!("expected a whole number from 1 to {}, found `{text}`", u16::MAX);
    text.parse().ok().filter(|jobs| *jobs > 0).ok_or_else(fault)
}

/// Arguments of `run`.
#[derive(Debug, Args)]
#[expect(clippy::struct_excessive_bools, reason = "each is a flag of its own on the command line")]
#[command(
    after_help = "Examples:\n  bandlift run ~/marrow-creek --out ~/results\n  bandlift run ~/marrow-creek --out ~/results --only \"2023/*\" --jobs 2"
)]
pub struct RunArguments {
    /// The archive: a folder holding archive.toml.
    pub archive: PathBuf,
    /// Folder for the output; made if absent.
    #[arg(long, value_name = "OUT")]
    pub out: PathBuf,
    /// Compute only the site-years whose folder in the archive matches this glob.
    #[arg(long, value_name = "GLOB")]
    pub only: Option<String>,
    /// Site-years computed at a time; as many as the machine has cores when not given.
    #[arg(long, value_name = "N", value_parser = jobs)]
    pub jobs: Option<u16>,
    /// Compute every site-year again, changed or not.
    #[arg(long)]
    pub force: bool,
    /// Read every input and output again, instead of trusting files whose size and times are as before.
    #[arg(long)]
    pub verify: bool,
    /// Compute only share K of N, without the synthesis (see `synthesise`); auto takes K and N from the index variables of an
    /// array job.
    #[arg(long, value_name = "K/N|auto")]
    pub share: Option<String>,
    /// Permit paths that leave the archive.
    #[arg(long)]
    pub allow_outside: bool,
    /// Print the result as JSON.
    #[arg(long)]
    pub json: bool,
}

/// Arguments of `synthesise`.
#[derive(Debug, Args)]
#[command(after_help = "Example:\n  bandlift synthesise ~/results")]
pub struct SynthesiseArguments {
    /// The output folder that the shares were computed into.
    pub out: PathBuf,
    /// Site-years looked at at a time; as many as the machine has cores when not given.
    #[arg(long, value_name = "N", value_parser = jobs)]
    pub jobs: Option<u16>,
    /// Print the result as JSON.
    #[arg(long)]
    pub json: bool,
}

/// Arguments of `plan`.
#[derive(Debug, Args)]
#[command(
    after_help = "Examples:\n  bandlift plan ~/marrow-creek --out ~/results --crop corn\n  bandlift plan ~/marrow-creek --out ~/results --outlook \"drier=0.2,near normal=0.5,wetter=0.3\""
)]
pub struct PlanArguments {
    /// The archive: a folder holding archive.toml.
    pub archive: PathBuf,
    /// Folder for the output; the plan goes to OUT/plan.
    #[arg(long, value_name = "OUT")]
    pub out: PathBuf,
    /// The crop to plan for; that of the most site-years with strips when not given.
    #[arg(long, value_name = "CROP")]
    pub crop: Option<String>,
    /// Probability of each wetness class, such as "drier=0.2,near normal=0.5,wetter=0.3"; counted over the archive's seasons of
    /// precipitation when not given.
    #[arg(long, value_name = "OUTLOOK")]
    pub outlook: Option<String>,
    /// Half of the width of the interval that strips are to reach, such as "3 bu/ac"; says how many site-years and blocks it takes.
    #[arg(long, value_name = "YIELD", allow_hyphen_values = true)]
    pub precision: Option<String>,
    /// Print the plan as JSON.
    #[arg(long)]
    pub json: bool,
    /// Site-years computed at a time; as many as the machine has cores when not given.
    #[arg(long, value_name = "N", value_parser = jobs)]
    pub jobs: Option<u16>,
    /// Permit paths that leave the archive.
    #[arg(long)]
    pub allow_outside: bool,
}

/// Arguments of `inspect`.
#[derive(Debug, Args)]
#[command(
    after_help = "Examples:\n  bandlift inspect ~/marrow-creek\n  bandlift inspect ~/marrow-creek/2023/north-eighty/harvest.csv"
)]
pub struct InspectArguments {
    /// An archive, a site-year's folder, a folder of raw files, or one data file.
    pub path: PathBuf,
    /// Permit paths that leave the archive.
    #[arg(long)]
    pub allow_outside: bool,
    /// Print as JSON.
    #[arg(long)]
    pub json: bool,
}

/// Arguments of `draft`.
#[derive(Debug, Args)]
#[command(
    after_help = "Examples:\n  bandlift draft ~/exports --out ~/marrow-creek\n  bandlift draft ~/exports --out ~/marrow-creek --update"
)]
pub struct DraftArguments {
    /// The folder of files: logs, layers, grids, tickets.
    pub folder: PathBuf,
    /// The archive to write; the files that it needs are copied into it. Default: the folder itself, and nothing is copied.
    #[arg(long, value_name = "ARCHIVE")]
    pub out: Option<PathBuf>,
    /// Add what is new to an archive that was drafted before.
    #[arg(long)]
    pub update: bool,
    /// Print the result as JSON.
    #[arg(long)]
    pub json: bool,
}

/// Arguments of `explain`.
#[derive(Debug, Args)]
#[command(
    after_help = "Examples:\n  bandlift explain ~/results/site_years/2023/marrow-creek/north-eighty\n  bandlift explain ~/results/site_years/2023/marrow-creek/north-eighty --record harvest.csv:1042"
)]
pub struct ExplainArguments {
    /// The folder of a site-year below OUT/site_years.
    pub site_year: PathBuf,
    /// One record: its file, as in points.parquet or its end, and its row (the first data row is 1).
    #[arg(long, value_name = "FILE:ROW")]
    pub record: Option<String>,
}

/// How wide a picture is, px.
fn width(text: &str) -> Result<u32, String> {
    let fault = || format!("expected a whole number of px from 320 to 8000, found `{text}`");
    text.parse().ok().filter(|width| (320..=8000).contains(width)).ok_or_else(fault)
}

/// Arguments of `figures`.
#[derive(Debug, Args)]
#[command(after_help = "Example:\n  bandlift figures ~/results --only \"1-*\" --width 1920")]
pub struct FiguresArguments {
    /// The output folder of `run`.
    pub out: PathBuf,
    /// Draw only the figures whose name below OUT/figures matches this glob, such as "1-*" or "site_years/2023-*".
    #[arg(long, value_name = "GLOB")]
    pub only: Option<String>,
    /// Width of the pictures, px; the height is 9/16 of it.
    #[arg(long, value_name = "PX", value_parser = width, default_value_t = 1280)]
    pub width: u32,
    /// Pictures drawn at a time; as many as the machine has cores when not given.
    #[arg(long, value_name = "N", value_parser = jobs)]
    pub jobs: Option<u16>,
    /// Print the names as JSON.
    #[arg(long)]
    pub json: bool,
}

/// What `describe` knows.
#[derive(Debug, Clone, Copy, PartialEq, Eq, clap::ValueEnum)]
pub enum Reference {
    /// Every key of archive.toml and field.toml.
    Settings,
    /// Every column of every table and layer: what `OUT/columns.csv` holds.
    Columns,
    /// Every reason for which a record is removed.
    Marks,
    /// Every reason to doubt a number.
    Cautions,
}

/// Arguments of `describe`.
#[derive(Debug, Args)]
#[command(after_help = "Examples:\n  bandlift describe columns\n  bandlift describe cautions --json")]
pub struct DescribeArguments {
    /// Of what.
    pub of: Reference,
    /// Print as JSON.
    #[arg(long)]
    pub json: bool,
}

/// Arguments of `demo`.
#[derive(Debug, Args)]
#[command(after_help = "Example:\n  bandlift demo ~/bandlift-demo")]
pub struct DemoArguments {
    /// Folder for the demo; made if absent. Default: a folder under the system's temporary one.
    pub dir: Option<PathBuf>,
    /// Site-years computed at a time; as many as the machine has cores when not given.
    #[arg(long, value_name = "N", value_parser = jobs)]
    pub jobs: Option<u16>,
}

/// A settings file that has a schema.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum SchemaOf {
    /// archive.toml.
    Archive,
    /// field.toml.
    Field,
}

/// Arguments of `schema`.
#[derive(Debug, Args)]
#[command(after_help = "Example:\n  bandlift schema field > field.schema.json")]
pub struct SchemaArguments {
    /// The settings file.
    pub of: SchemaOf,
}

/// Arguments of `completions`.
#[derive(Debug, Args)]
#[command(after_help = "Example:\n  bandlift completions bash > ~/.local/share/bash-completion/completions/bandlift")]
pub struct CompletionsArguments {
    /// The shell.
    pub shell: clap_complete::Shell,
}

/// Arguments of `man`.
#[derive(Debug, Args)]
#[command(after_help = "Examples:\n  bandlift man | man -l -\n  bandlift man run > bandlift-run.1")]
pub struct ManArguments {
    /// A command; the program when not given.
    pub of: Option<String>,
}
