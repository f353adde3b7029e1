//! The report of a crate: what the stores, the records' results and the journal say of each unit, put together.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use crate::intake::book::Book;
use crate::ops::archive;
use crate::ops::labels::document;
use crate::ops::run::check_name;
use crate::ops::{OpsError, write_whole};
use crate::record::event::{Header, LimitFacts};
use crate::record::reader;
use crate::report::batch::{self, Summary};
use crate::results::ResultName;
use crate::store::{Filter, Page, RunRow, RunState, Store};
use crate::verdict::batch::{Match, Member, RigErrors, Standing, alike};

/// Rows of the store taken at a time.
const ROWS: u32 = 1000;

/// A crate with what is needed to compare its units.
#[derive(Clone, Debug)]
pub struct Crate {
    batch: String,
    is_virtual: bool,
    members: Vec<Member>,
    limits: BTreeMap<ResultName, LimitFacts>,
    rigs: BTreeMap<String, RigErrors>,
}

/// Runs of one unit.
#[derive(Default)]
struct Runs {
    counting: Option<RunRow>,
    count: usize,
    bench_s: f64,
}

impl Crate {
    /// Gathers a crate from the real runs, or those of the virtual bench; without saying so, from the virtual ones only
    /// when there are no others.
    ///
    /// # Errors
    /// A batch that nobody knows; stores, journals or results that cannot be read.
    pub fn gather(out: &Path, batch: &str, is_virtual: Option<bool>) -> Result<Self, OpsError> {
        check_name("batch", batch)?;
        let book = archive::book(out, batch)?;
        let mut runs = BTreeMap::new();
        let mut used = false;
        for kind in is_virtual.map_or(vec![false, true], |is_virtual| vec![is_virtual]) {
            runs = runs_of(out, batch, kind)?;
            used = kind;
            if !runs.is_empty() {
                break;
            }
        }
        if runs.is_empty() && book.units.is_empty() {
            return Err(OpsError::Argument {
                what: format!("batch `{batch}`"),
                why: "has neither runs nor registered units here; `galebench list` shows the batches".to_owned(),
            });
        }
        // Without any runs the crate is real: registered and waiting.
        let is_virtual = used && !runs.is_empty();
        let mut crate_ = Self {
            batch: batch.to_owned(),
            is_virtual,
            members: members(&book, runs)?,
            limits: BTreeMap::new(),
            rigs: BTreeMap::new(),
        };
        crate_.read_headers(out, &book)?;
        Ok(crate_)
    }

    /// Limits and rig errors from the header of one record of each rig and plan.
    fn read_headers(&mut self, out: &Path, book: &Book) -> Result<(), OpsError> {
        let mut seen: Vec<(Option<String>, Option<String>)> = Vec::new();
        let mut fans = Vec::new();
        for member in &self.members {
            let key = (member.rig.clone(), member.plan.clone());
            let Some(run) = member.run.as_deref().filter(|_| !seen.contains(&key)) else { continue };
            let recorded = book.retags.get(run).map_or(member.tag.as_str(), |(from, _)| from);
            let header: Header = reader::read_header(&out.join(&self.batch).join(recorded).join(run))?;
            self.limits.extend(header.plan_facts.limits.clone());
            if let Some(rig) = &header.rig {
                self.rigs.insert(rig.clone(), RigErrors::of(&header.bench));
            }
            fans.push((key.clone(), header.bench.load_fan));
            seen.push(key);
        }
        for member in &mut self.members {
            let of = |(rig, plan): &(Option<String>, Option<String>)| *rig == member.rig && *plan == member.plan;
            member.fan.named = fans.iter().find(|(key, _)| of(key)).and_then(|(_, named)| named.clone());
        }
        Ok(())
    }

    /// Everything that is said of the crate.
    #[must_use]
    pub fn summary(self) -> Summary {
        Summary::new(self.batch, self.is_virtual, self.members, self.limits, &self.rigs)
    }

    /// The `k` units that are most alike, with whether every set was tried; `None` where fewer can be compared.
    #[must_use]
    pub fn alike(&self, k: usize) -> Option<(Match, bool)> {
        alike(&self.members, k, &self.rigs)
    }

    /// Whether its runs are of the virtual bench.
    #[must_use]
    pub const fn is_virtual(&self) -> bool {
        self.is_virtual
    }
}

/// The runs of a batch by the unit that they count for, newest judging run first.
fn runs_of(out: &Path, batch: &str, is_virtual: bool) -> Result<BTreeMap<String, Runs>, OpsError> {
    let store = Store::open(out, is_virtual)?;
    let filter = Filter { batch: Some(batch.to_owned()), ..Filter::default() };
    let mut page = Page::first(ROWS);
    let mut units: BTreeMap<String, Runs> = BTreeMap::new();
    loop {
        let listing = store.list(&filter, &page)?;
        for row in listing.rows {
            let Some(unit) = row.unit.clone() else { continue };
            let runs = units.entry(unit).or_default();
            runs.bench_s += row.bench_s;
            if row.judges() {
                runs.count += 1;
                // A later run that was cut short takes nothing back that an earlier one found.
                let better = runs.counting.as_ref().is_none_or(|known| known.grade.is_none() && row.grade.is_some());
                if better {
                    runs.counting = Some(row);
                }
            }
        }
        if listing.next.is_none() {
            break;
        }
        page.after = listing.next;
    }
    units.values().filter_map(|runs| runs.counting.as_ref()).try_for_each(|run| store.bring(run))?;
    Ok(units)
}

fn members(book: &Book, mut runs: BTreeMap<String, Runs>) -> Result<Vec<Member>, OpsError> {
    let mut tags: Vec<String> = book.order.clone();
    tags.extend(runs.keys().filter(|tag| !book.units.contains_key(*tag)).cloned());
    let mut units: Vec<(Member, Option<RunRow>)> = tags
        .into_iter()
        .map(|tag| {
            let mut member = Member::waiting(&tag);
            if let Some(card) = book.units.get(&tag) {
                member.shelf.clone_from(&card.facts.shelf);
                member.donor.clone_from(&card.facts.donor);
                member.noted_kind.clone_from(&card.facts.kind);
                if let Some(why) = &card.skipped {
                    member.standing = Standing::Skipped(why.clone());
                }
            }
            let runs = runs.remove(&tag).unwrap_or_default();
            (member.runs, member.bench_s) = (runs.count, runs.bench_s);
            (member, runs.counting)
        })
        .collect();
    // Reading and parsing thousands of result files is what takes the time.
    let threads = std::thread::available_parallelism().map_or(1, usize::from).min(8);
    let part = units.len().div_ceil(threads).max(1);
    std::thread::scope(|scope| {
        let workers: Vec<_> = units
            .chunks_mut(part)
            .map(|chunk| scope.spawn(|| chunk.iter_mut().try_for_each(|(member, run)| fill(member, run.as_ref()))))
            .collect();
        workers.into_iter().try_for_each(|worker| match worker.join() {
            Ok(result) => result,
            Err(panic) => std::panic::resume_unwind(panic),
        })
    })?;
    Ok(units.into_iter().map(|(member, _)| member).collect())
}

/// Takes over what the counting run found. A run that broke off may have no results yet.
fn fill(member: &mut Member, run: Option<&RunRow>) -> Result<(), OpsError> {
    let Some(run) = run else { return Ok(()) };
    if run.state == RunState::Interrupted {
        member.standing = Standing::Stopped("the record breaks off".to_owned());
    } else {
        match document(&run.dir) {
            Ok(document) => member.take(&document),
            // One unit must not keep the whole crate from its report.
            Err(error @ OpsError::Argument { .. }) => {
                member.standing = Standing::Stopped(format!("{error}; `galebench report` writes it anew"));
            }
            Err(error) => return Err(error),
        }
    }
    member.given = run.given.as_ref().map(|given| (given.grade, given.by.clone(), given.why.clone()));
    Ok(())
}

/// Writes `batch.html`, `batch.csv` and `batch.json` into the batch's folder (with `-virtual` for virtual runs), or
/// into `to`, and returns the files.
///
/// # Errors
/// A file that cannot be written.
pub fn write(out: &Path, to: Option<&Path>, summary: &Summary) -> Result<[PathBuf; 3], OpsError> {
    let folder = to.map_or_else(|| out.join(&summary.batch), Path::to_owned);
    std::fs::create_dir_all(&folder).map_err(|source| OpsError::Write { path: folder.clone(), source })?;
    let name = if summary.is_virtual { "batch-virtual" } else { "batch" };
    let files = ["html", "csv", "json"].map(|extension| folder.join(format!("{name}.{extension}")));
    write_whole(&files[0], batch::html(summary).as_bytes())?;
    write_whole(&files[1], batch::csv(summary).as_bytes())?;
    write_whole(&files[2], batch::json(summary).as_bytes())?;
    Ok(files)
}
