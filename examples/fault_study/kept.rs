//! Units kept in a file as they are done: a study of hours can be stopped and taken up again.
//!
//! The first line says which program, seeds and mix they are of; another program goes on with no file of this one, since
//! a page is to be of one program alone.

use std::fs::{File, OpenOptions};
use std::io::{BufRead as _, BufReader, Write as _};
use std::path::Path;

use serde::{Deserialize, Serialize};
use sha2::{Digest as _, Sha256};

use super::count::Unit;

/// First line of the file.
#[derive(Serialize, Deserialize, PartialEq, Debug)]
struct Head {
    analysis: String,
    program: String,
    first_seed: u64,
    units: u64,
}

/// The open file.
pub(crate) struct Kept(File);

/// The file, and the units that it had, each with its number in the study.
type Opened = (Kept, Vec<(u64, Unit)>);

/// Opens `path`, which need not be there yet, and reads the units that it has.
pub(crate) fn open(path: &Path, first_seed: u64, units: u64) -> Result<Opened, Box<dyn std::error::Error>> {
    let program = Sha256::digest(std::fs::read(std::env::current_exe()?)?);
    let program = program.iter().map(|byte| format!("{byte:02x}")).collect();
    let head = Head { analysis: galebench::analysis::VERSION.to_owned(), program, first_seed, units };
    let mut file = OpenOptions::new().read(true).append(true).create(true).open(path)?;
    let mut lines = BufReader::new(&file).lines();
    let Some(first) = lines.next() else {
        writeln!(file, "{}", serde_json::to_string(&head)?)?;
        return Ok((Kept(file), Vec::new()));
    };
    let found: Head = serde_json::from_str(&first?)?;
    if found != head {
        return Err(format!(
            "{}: of another program, other seeds or another mix: {found:?}; name a new file",
            path.display()
        )
        .into());
    }
    let lines: Vec<String> = lines.collect::<Result<_, _>>()?;
    // The last one may be half a line, if the study was stopped by force.
    let whole = lines.iter().map_while(|line| serde_json::from_str::<(u64, Unit)>(line).ok());
    let units: Vec<(u64, Unit)> = whole.collect();
    if units.len() < lines.len() {
        return Err(
            format!("{}, line {}: broken; cut the file there and go on", path.display(), units.len() + 2).into()
        );
    }
    Ok((Kept(file), units))
}

impl Kept {
    /// Adds one.
    pub(crate) fn add(&mut self, index: u64, unit: &Unit) -> Result<(), Box<dyn std::error::Error>> {
        Ok(writeln!(self.0, "{}", serde_json::to_string(&(index, unit))?)?)
    }
}
