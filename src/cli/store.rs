//! `galebench store`: the shop's server behind a bench.

use std::path::PathBuf;

use clap::{Args, Subcommand};

use crate::cli::exit::{ExitStatus, Failure};
use crate::cli::output::print;
use crate::ops::shop;

/// Show or set where a shop with several benches keeps its index and its records
///
/// Without settings both are in the folder of this bench alone. A server for the index and a folder or an object store for
/// the records come on top: what a bench does goes into its own folder first and is sent from there, also later, when they
/// were away.
#[derive(Debug, Args)]
pub(crate) struct StoreArgs {
    #[command(subcommand)]
    what: What,
}

#[derive(Debug, Subcommand)]
enum What {
    /// Show the settings and how much waits to be sent
    Show(PlaceArgs),
    /// Set where index and records go besides, and send there what this bench has
    Set(SetArgs),
    /// Send what waits
    Sync(PlaceArgs),
}

#[derive(Debug, Args)]
struct PlaceArgs {
    /// Folder with records and store
    #[arg(long, value_name = "DIR", default_value = "reports")]
    out: PathBuf,
}

#[derive(Debug, Args)]
struct SetArgs {
    /// Server of the index, postgres://user@host/database, or `none`; a password may stand in PGPASSWORD
    #[arg(long, value_name = "URL")]
    index: Option<String>,
    /// Shared folder for records, or bucket of an object store, https://host/bucket/prefix, or `none`; the keys of a store stand
    /// in store-key.toml beside the records (mode 600) or in AWS_ACCESS_KEY_ID and AWS_SECRET_ACCESS_KEY
    #[arg(long, value_name = "URL|DIR")]
    records: Option<String>,
    /// Name of this bench in the shop [default: `bench-` and a few digits]
    #[arg(long, value_name = "NAME")]
    bench: Option<String>,
    #[command(flatten)]
    place: PlaceArgs,
}

impl StoreArgs {
    pub(crate) fn run(&self) -> Result<ExitStatus, Failure> {
        match &self.what {
            What::Show(place) => place.show(),
            What::Set(args) => args.set(),
            What::Sync(place) => place.sync(),
        }
    }
}

impl PlaceArgs {
    fn show(&self) -> Result<ExitStatus, Failure> {
        let settings = shop::settings(&self.out)?;
        if settings.index.is_none() && settings.records.is_none() {
            print("index and records are in this folder alone")?;
            return Ok(ExitStatus::Done);
        }
        let here = || "in this folder alone".to_owned();
        print(&format!(
            "bench    {}\nindex    {}\nrecords  {}\nwaiting  {}",
            settings.bench,
            settings.index_place().unwrap_or_else(here),
            settings.records.clone().unwrap_or_else(here),
            shop::waiting(&self.out)?
        ))?;
        Ok(ExitStatus::Done)
    }

    fn sync(&self) -> Result<ExitStatus, Failure> {
        let sent = shop::send(&self.out)?;
        print(&format!("{} sent, {} waiting", sent.arrived, sent.waiting))?;
        Ok(ExitStatus::Done)
    }
}

impl SetArgs {
    fn set(&self) -> Result<ExitStatus, Failure> {
        let mut settings = shop::settings(&self.place.out)?;
        let put = |old: &mut Option<String>, new: &Option<String>| match new.as_deref() {
            Some("none") => *old = None,
            Some(new) => *old = Some(new.to_owned()),
            None => {}
        };
        put(&mut settings.index, &self.index);
        put(&mut settings.records, &self.records.as_deref().map(whole));
        match &self.bench {
            Some(bench) => settings.bench.clone_from(bench),
            None if settings.bench.is_empty() => settings.bench = shop::bench_name(),
            None => {}
        }
        shop::set(&self.place.out, &settings)?;
        self.place.show()
    }
}

/// A folder by its whole path, so that it does not matter where the program is started.
fn whole(records: &str) -> String {
    if records == "none" || records.contains("://") {
        return records.to_owned();
    }
    std::path::absolute(records).map_or_else(|_| records.to_owned(), |path| path.display().to_string())
}
