//! What the studies share: many units played on a few threads, and kept in a file as they are done, so that a study of
//! hours can be stopped and taken up again.
//!
//! The first line of that file says which program and which seeds they are of; another program goes on with no file of
//! this one, since a page is to be of one program alone.

use std::collections::HashSet;
use std::fs::{File, OpenOptions};
use std::io::{BufRead as _, BufReader, Write as _};
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::Path;
use std::sync::Mutex;
use std::sync::atomic::{AtomicU64, Ordering};

use serde::de::DeserializeOwned;
use serde::{Deserialize, Serialize};
use sha2::{Digest as _, Sha256};

/// First line of the file.
#[derive(Serialize, Deserialize, PartialEq, Debug)]
struct Head {
    analysis: String,
    program: String,
    study: String,
}

/// How a study is carried out.
pub(crate) struct Study<'a> {
    /// How many units it has, and on how many threads they are played.
    pub(crate) units: u64,
    pub(crate) threads: u64,
    /// File in which they are kept.
    pub(crate) keep: Option<&'a Path>,
    /// Which units they are, in words: a file of others is refused.
    pub(crate) words: String,
}

impl Study<'_> {
    /// Plays the units that the file does not have, but those for which `play` gives `None`; all of them come back,
    /// in order, whatever the threads, and those played now with what `play` gives besides.
    pub(crate) fn carry_out<T, X>(
        self,
        play: impl Fn(u64) -> Option<(T, X)> + Sync,
    ) -> Result<Played<T, X>, Box<dyn std::error::Error>>
    where
        T: Serialize + DeserializeOwned + Send + 'static,
        X: Send + 'static,
    {
        let (kept, had) = match self.keep {
            Some(path) => open(path, self.words).map(|(file, had)| (Some(file), had))?,
            None => (None, Vec::new()),
        };
        let is_had: HashSet<u64> = had.iter().map(|(index, _)| *index).collect();
        let done: Vec<(u64, T, Option<X>)> = had.into_iter().map(|(index, unit)| (index, unit, None)).collect();
        let (next, done) = (AtomicU64::new(0), Mutex::new((done, kept)));
        std::thread::scope(|scope| {
            for _ in 0..self.threads {
                scope.spawn(|| {
                    loop {
                        let index = next.fetch_add(1, Ordering::Relaxed);
                        if index >= self.units {
                            return;
                        }
                        if is_had.contains(&index) {
                            continue;
                        }
                        // The other threads would go on for hours without this one.
                        let played = catch_unwind(AssertUnwindSafe(|| play(index))).unwrap_or_else(|_| {
                            eprintln!("unit {index} ended the program (counted from 0), and the study with it");
                            std::process::exit(1)
                        });
                        let Some((unit, besides)) = played else { continue };
                        let mut both = done.lock().expect("nobody panicked with it");
                        let (done, kept) = &mut *both;
                        if let Some(file) = kept {
                            add(file, index, &unit).expect("a file that takes a line");
                        }
                        done.push((index, unit, Some(besides)));
                        if done.len().is_multiple_of(100) {
                            eprintln!("{} of {}", done.len(), self.units);
                        }
                    }
                });
            }
        });
        let (mut done, _) = done.into_inner()?;
        done.sort_by_key(|(index, ..)| *index);
        Ok(done.into_iter().map(|(_, unit, besides)| (unit, besides)).collect())
    }
}

/// All units in order, those played now with what came besides.
type Played<T, X> = Vec<(T, Option<X>)>;

/// The file, and the units that it had, each with its number in the study.
type Opened<T> = (File, Vec<(u64, T)>);

/// Opens `path`, which need not be there yet, and reads the units that it has.
fn open<T: DeserializeOwned>(path: &Path, study: String) -> Result<Opened<T>, Box<dyn std::error::Error>> {
    let program = Sha256::digest(std::fs::read(std::env::current_exe()?)?);
    let program = program.iter().map(|byte| format!("{byte:02x}")).collect();
    let head = Head { analysis: galebench::analysis::VERSION.to_owned(), program, study };
    let mut file = OpenOptions::new().read(true).append(true).create(true).open(path)?;
    let mut lines = BufReader::new(&file).lines();
    let Some(first) = lines.next() else {
        writeln!(file, "{}", serde_json::to_string(&head)?)?;
        return Ok((file, Vec::new()));
    };
    let found: Head = serde_json::from_str(&first?)?;
    if found != head {
        return Err(format!("{}: of another program or other seeds: {found:?}; name a new file", path.display()).into());
    }
    let lines: Vec<String> = lines.collect::<Result<_, _>>()?;
    // The last one may be half a line, if the study was stopped by force.
    let whole = lines.iter().map_while(|line| serde_json::from_str(line).ok());
    let units: Vec<(u64, T)> = whole.collect();
    if units.len() < lines.len() {
        return Err(
            format!("{}, line {}: broken; cut the file there and go on", path.display(), units.len() + 2).into()
        );
    }
    Ok((file, units))
}

fn add<T: Serialize>(file: &mut File, index: u64, unit: &T) -> Result<(), Box<dyn std::error::Error>> {
    Ok(writeln!(file, "{}", serde_json::to_string(&(index, unit))?)?)
}
