//! `galebench schema`: JSON Schema of rig and plan files, for editors.

use clap::{Args, ValueEnum};

use crate::cli::exit::{ExitStatus, Failure};
use crate::cli::output::print;
use crate::config::schema;

/// Print the JSON Schema of rig or plan files, for editors that complete and check TOML
#[derive(Debug, Args)]
pub(crate) struct SchemaArgs {
    /// Which kind of file
    kind: Kind,
}

#[derive(Clone, Copy, Debug, ValueEnum)]
enum Kind {
    Rig,
    Plan,
}

impl SchemaArgs {
    pub(crate) fn run(&self) -> Result<ExitStatus, Failure> {
        let schema = match self.kind {
            Kind::Rig => schema::rig(),
            Kind::Plan => schema::plan(),
        };
        print(&format!("{schema:#}"))?;
        Ok(ExitStatus::Done)
    }
}
