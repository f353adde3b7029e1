//! The command line: one file per subcommand; arguments, progress, exit codes, no logic.
//!
//! Results go to standard output, talk goes to standard error. Every command ends with an [`ExitStatus`].

mod amend;
mod analyze;
mod attended;
mod backup;
mod batch;
mod big;
mod calibrate;
mod check;
mod conform;
mod crate_flow;
mod drift;
mod exit;
mod export;
mod gauge;
mod intake;
mod labels;
mod list;
mod output;
mod preflight;
mod progress;
mod reanalyse;
mod reindex;
mod report;
mod run;
mod schema;
mod self_check;
mod show;
mod spin;
mod store;
mod table;
mod verify;
mod wiring;

use std::ffi::OsString;
use std::process::ExitCode;
use std::time::Duration;

use clap::{Parser, Subcommand};

pub use self::exit::ExitStatus;
use self::output::say;

/// Characterise second-hand vehicle fan drive modules on a test bench
///
/// Software is the second line of defence: fuse, emergency stop and fan guard come first. Only an open supply relay
/// counts as safe.
#[derive(Debug, Parser)]
#[command(name = "galebench", version, after_help = ExitStatus::HELP)]
struct Cli {
    #[command(subcommand)]
    command: Command,
}

#[derive(Debug, Subcommand)]
enum Command {
    Preflight(preflight::PreflightArgs),
    Run(run::RunArgs),
    Crate(crate_flow::CrateArgs),
    Spin(spin::SpinArgs),
    Analyze(analyze::AnalyzeArgs),
    Check(check::CheckArgs),
    Calibrate(calibrate::CalibrateArgs),
    SelfCheck(self_check::SelfCheckArgs),
    Gauge(gauge::GaugeArgs),
    Control(drift::ControlArgs),
    Wiring(wiring::WiringArgs),
    Conform(conform::ConformArgs),
    Intake(intake::IntakeArgs),
    Labels(labels::LabelsArgs),
    Batch(batch::BatchArgs),
    Match(batch::MatchArgs),
    Retag(amend::RetagArgs),
    Grade(amend::GradeArgs),
    List(list::ListArgs),
    Show(show::ShowArgs),
    Drift(drift::DriftArgs),
    Report(report::ReportArgs),
    Verify(verify::VerifyArgs),
    Reindex(reindex::ReindexArgs),
    Reanalyse(reanalyse::ReanalyseArgs),
    Export(export::ExportArgs),
    Backup(backup::BackupArgs),
    Restore(backup::RestoreArgs),
    Store(store::StoreArgs),
    Schema(schema::SchemaArgs),
}

/// How long a command that is done waits for records under way.
const LONGEST_SENDING: Duration = Duration::from_secs(30);

/// Runs the command given by `arguments` (the program's name first) and returns its exit status.
pub fn main(arguments: impl IntoIterator<Item = OsString>) -> ExitCode {
    let cli = match Cli::try_parse_from(arguments) {
        Ok(cli) => cli,
        Err(error) => {
            // Help and version go to standard output and are no error; a reader that has gone is none either.
            let _ = error.print();
            return if error.use_stderr() { ExitStatus::BadInput } else { ExitStatus::Done }.into();
        }
    };
    let result = match &cli.command {
        Command::Preflight(args) => args.run(),
        Command::Run(args) => args.run(),
        Command::Crate(args) => args.run(),
        Command::Spin(args) => args.run(),
        Command::Analyze(args) => args.run(),
        Command::Check(args) => args.run(),
        Command::Calibrate(args) => args.run(),
        Command::SelfCheck(args) => args.run(),
        Command::Gauge(args) => args.run(),
        Command::Control(args) => args.run(),
        Command::Wiring(args) => args.run(),
        Command::Conform(args) => args.run(),
        Command::Intake(args) => args.run(),
        Command::Labels(args) => args.run(),
        Command::Batch(args) => args.run(),
        Command::Match(args) => args.run(),
        Command::Retag(args) => args.run(),
        Command::Grade(args) => args.run(),
        Command::List(args) => args.run(),
        Command::Show(args) => args.run(),
        Command::Drift(args) => args.run(),
        Command::Report(args) => args.run(),
        Command::Verify(args) => args.run(),
        Command::Reindex(args) => args.run(),
        Command::Reanalyse(args) => args.run(),
        Command::Export(args) => args.run(),
        Command::Backup(args) => args.run(),
        Command::Restore(args) => args.run(),
        Command::Store(args) => args.run(),
        Command::Schema(args) => args.run(),
    };
    if !crate::store::wait_for_couriers(LONGEST_SENDING) {
        say("records are still being sent; the rest waits here, `galebench store sync` sends it");
    }
    if let Some(trouble) = crate::store::records_trouble().filter(|_| result.is_ok()) {
        say(&format!("warning: {trouble}"));
    }
    // The work went on without the server; nobody may take a list of this bench alone for that of the shop.
    if let Some(trouble) = crate::store::trouble().filter(|_| result.is_ok()) {
        say(&format!("warning: {trouble}; the bench's own index was used"));
    }
    match result {
        Ok(status) => status,
        Err(failure) => {
            say(&failure.to_string());
            failure.status
        }
    }
    .into()
}

#[cfg(test)]
mod tests {
    use clap::CommandFactory;

    use super::Cli;

    #[test]
    fn the_argument_definitions_are_sound() {
        Cli::command().debug_assert();
    }

    #[test]
    fn help_of_every_command_reads_well() {
        let mut all = Cli::command();
        let mut text = all.render_long_help().to_string();
        for command in all.get_subcommands_mut() {
            let name = format!("galebench {}", command.get_name());
            let help = command.clone().bin_name(&name).render_long_help();
            text += &format!("\n\n==== {name} --help\n\n{help}");
            for inner in command.get_subcommands_mut() {
                let name = format!("{name} {}", inner.get_name());
                let help = inner.clone().bin_name(&name).render_long_help();
                text += &format!("\n\n==== {name} --help\n\n{help}");
            }
        }
        insta::assert_snapshot!(text);
    }
}
