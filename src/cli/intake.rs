//! `galebench intake`: the units of a crate before they are run.

use std::fmt::Write as _;
use std::path::PathBuf;

use clap::{Args, Subcommand};

use crate::cli::exit::{ExitStatus, Failure};
use crate::cli::output::{print, put_json, say};
use crate::intake::journal::Facts;
use crate::intake::table;
use crate::ops::archive;
use crate::ops::intake::Desk;
use crate::store::UnitRow;

/// Register the units of a crate: tag, donor, shelf, price, what eyes find, pictures
#[derive(Debug, Args)]
pub(crate) struct IntakeArgs {
    #[command(subcommand)]
    what: What,
}

#[derive(Debug, Subcommand)]
enum What {
    /// Register a unit, or say more of one that is registered
    Add(Box<AddArgs>),
    /// Register all units of a CSV list: columns tag, donor, kind, shelf, price, findings, note, photos, in any order
    Import(ImportArgs),
    /// Take back the registration of a unit that was never run
    Remove(RemoveArgs),
    /// Show the registered units of a batch
    Show(ShowArgs),
}

/// The batch, and who speaks.
#[derive(Debug, Args)]
pub(crate) struct DeskArgs {
    /// Units that were bought together, for example may-shelf-3
    #[arg(long, value_name = "NAME")]
    batch: String,
    /// Your name, kept beside what you say
    #[arg(long, value_name = "NAME")]
    by: Option<String>,
    /// Folder for records, reports and the store
    #[arg(long, value_name = "DIR", default_value = "reports")]
    out: PathBuf,
}

impl DeskArgs {
    fn desk(&self) -> Desk {
        Desk { out: self.out.clone(), batch: self.batch.clone(), by: self.by.clone() }
    }
}

#[derive(Debug, Args)]
struct AddArgs {
    /// Tag of the unit, for example TQ-0001
    tag: String,
    /// What it was pulled from, in your own words
    #[arg(long, value_name = "TEXT")]
    donor: Option<String>,
    /// What kind of module it is, in your own words
    #[arg(long, value_name = "TEXT")]
    kind: Option<String>,
    /// Where it lies
    #[arg(long, value_name = "TEXT")]
    shelf: Option<String>,
    /// What was paid, for example "8.50 EUR"
    #[arg(long, value_name = "TEXT")]
    price: Option<String>,
    /// What eyes find: none, or any of cracked, corroded, wires-cut-short, pins-bent, burnt, melted, wet,
    /// parts-missing, with commas between
    #[arg(long, value_name = "WORDS", value_parser = table::findings)]
    findings: Option<std::vec::Vec<String>>,
    /// Anything else
    #[arg(long, value_name = "TEXT")]
    note: Option<String>,
    /// A picture to keep with the unit; may be given more than once
    #[arg(long = "photo", value_name = "FILE")]
    photos: Vec<PathBuf>,
    #[command(flatten)]
    desk: DeskArgs,
}

#[derive(Debug, Args)]
struct ImportArgs {
    /// The list; pictures that it names are looked for beside it
    file: PathBuf,
    #[command(flatten)]
    desk: DeskArgs,
}

#[derive(Debug, Args)]
struct RemoveArgs {
    /// Tag of the unit
    tag: String,
    #[command(flatten)]
    desk: DeskArgs,
}

#[derive(Debug, Args)]
struct ShowArgs {
    /// Rows at most
    #[arg(long, value_name = "N", default_value_t = 200)]
    rows: u32,
    /// Go on behind this unit, the last of the page before
    #[arg(long, value_name = "TAG")]
    after: Option<String>,
    /// Write the units as JSON to this file, or to standard output for `-`
    #[arg(long, value_name = "PATH", num_args = 0..=1, default_missing_value = "-")]
    json: Option<PathBuf>,
    #[command(flatten)]
    desk: DeskArgs,
}

impl IntakeArgs {
    pub(crate) fn run(&self) -> Result<ExitStatus, Failure> {
        match &self.what {
            What::Add(args) => args.run(),
            What::Import(args) => args.run(),
            What::Remove(args) => {
                args.desk.desk().remove(&args.tag)?;
                print(&format!("{}: registration taken back", args.tag))?;
                Ok(ExitStatus::Done)
            }
            What::Show(args) => args.run(),
        }
    }
}

impl AddArgs {
    fn run(&self) -> Result<ExitStatus, Failure> {
        let facts = Facts {
            donor: self.donor.clone(),
            kind: self.kind.clone(),
            shelf: self.shelf.clone(),
            price: self.price.clone(),
            findings: self.findings.clone(),
            note: self.note.clone(),
        };
        let desk = self.desk.desk();
        let new = desk.register(&self.tag, &facts, &self.photos)?;
        warn_elsewhere(&self.tag, &desk.other_batches(&self.tag)?);
        print(&format!("{}: {}", self.tag, if new { "registered" } else { "known, more was noted" }))?;
        Ok(ExitStatus::Done)
    }
}

impl ImportArgs {
    fn run(&self) -> Result<ExitStatus, Failure> {
        let imported = self.desk.desk().import(&self.file)?;
        for column in &imported.ignored {
            say(&format!("warning: column `{column}` means nothing here and is left out"));
        }
        const MOST: usize = 10;
        imported.elsewhere.iter().take(MOST).for_each(|(tag, batches)| warn_elsewhere(tag, batches));
        if imported.elsewhere.len() > MOST {
            say(&format!("warning: and {} more tags that other batches have", imported.elsewhere.len() - MOST));
        }
        print(&format!("{} units registered, more was noted of {}", imported.added, imported.changed))?;
        Ok(ExitStatus::Done)
    }
}

impl ShowArgs {
    fn run(&self) -> Result<ExitStatus, Failure> {
        let after = self.after.as_deref();
        let mut units = archive::registered(&self.desk.out, &self.desk.batch, after, self.rows.saturating_add(1))?;
        let more = units.len() > self.rows as usize;
        units.truncate(self.rows as usize);
        match &self.json {
            Some(path) => put_json(&serde_json::to_string_pretty(&units).map_err(Failure::failed)?, path)?,
            None => print(&text(&units))?,
        }
        if let Some(last) = units.last().filter(|_| more) {
            say(&format!("there are more; --after {} shows the next", last.tag));
        }
        Ok(ExitStatus::Done)
    }
}

/// A tag that two batches have: one of them is likely mistyped, and the runs of both are counted as one unit's.
fn warn_elsewhere(tag: &str, batches: &[String]) {
    if !batches.is_empty() {
        say(&format!(
            "warning: {tag} is registered in {} as well; tags should be of one unit alone: `galebench intake remove` takes \
             one back",
            batches.join(", ")
        ));
    }
}

/// One line per unit.
fn text(units: &[UnitRow]) -> String {
    if units.is_empty() {
        return "no registered units\n".to_owned();
    }
    let head = ["tag", "shelf", "price", "findings", "donor", "kind", "pictures", "note"].map(str::to_owned);
    let or_dash =
        |text: &Option<String>| text.clone().filter(|text| !text.is_empty()).unwrap_or_else(|| "-".to_owned());
    let cells = |unit: &UnitRow| {
        let findings = match unit.findings.as_deref() {
            None => "not looked".to_owned(),
            Some("") => "none".to_owned(),
            Some(words) => words.to_owned(),
        };
        [
            unit.tag.clone(),
            or_dash(&unit.shelf),
            or_dash(&unit.price),
            findings,
            or_dash(&unit.donor),
            or_dash(&unit.kind),
            unit.photos.to_string(),
            unit.note.clone().unwrap_or_default(),
        ]
    };
    let lines: Vec<[String; 8]> = std::iter::once(head).chain(units.iter().map(cells)).collect();
    let widths: Vec<usize> =
        (0..7).map(|at| lines.iter().map(|line| line[at].chars().count()).max().unwrap_or(0)).collect();
    let mut text = String::new();
    for line in &lines {
        let padded: Vec<String> = line.iter().zip(&widths).map(|(cell, width)| format!("{cell:<width$}")).collect();
        // Writing to a `String` cannot fail.
        let _ = writeln!(text, "{}", format!("{}  {}", padded.join("  "), line[7]).trim_end());
    }
    text
}
