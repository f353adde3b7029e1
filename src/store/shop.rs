//! The store as all others see it: this bench's own index, and behind it, where there is one, the shop's server.
//!
//! What is written goes into the bench's own index first, with a note that it must still be sent. What is read comes from the
//! server where it answers, else from the bench's own index, which knows this bench's runs alone.

use std::fs;
use std::path::Path;

use super::courier;
use super::error::StoreError;
use super::filter::Filter;
use super::index::{Index, RunRow, RunState, default_path};
use super::listing::{Cursor, Listing, Page};
use super::outbox::{Kind, SentJournal, SentRecord, SentRun};
use super::records::Records;
use super::server::{Server, sort_lines};
use super::settings::Settings;
use super::units::UnitRow;
use crate::intake::book::Book;
use crate::intake::journal::Line;
use crate::record::seal::SEAL_FILE;
use crate::record::{EVENTS_FILE, RESULTS_FILE};
use crate::results::Document;

/// Folder for what other benches' runs need to be shown here.
const ELSEWHERE: &str = ".elsewhere";

/// The open store.
#[derive(Debug)]
pub struct Store {
    pub(super) local: Index,
    pub(super) server: Option<Server>,
    pub(super) settings: Settings,
}

impl Store {
    /// Opens the store of the folder `root`, creates it and brings an older one up to date: the one of virtual runs, or that
    /// of all others.
    ///
    /// # Errors
    /// When the bench's own index cannot be created or opened, is locked, damaged, newer than this program or another
    /// program's; settings that cannot be used. A server that is away is no error.
    pub fn open(root: &Path, is_virtual: bool) -> Result<Self, StoreError> {
        let settings = Settings::read(root)?;
        let local = Index::file(&default_path(root, is_virtual), is_virtual)?;
        let server =
            settings.index.clone().map(|url| Server::new(url, settings.bench.clone(), local.root.clone(), is_virtual));
        Ok(Self { local, server, settings })
    }

    /// Whether this is the store of virtual runs.
    #[must_use]
    pub const fn is_virtual(&self) -> bool {
        self.local.is_virtual
    }

    /// Puts in a run that has just ended, and sends it and its record to where the shop has a place for them.
    ///
    /// # Errors
    /// As [`Store::insert`].
    pub fn add(&self, document: &Document, dir: &Path, state: RunState) -> Result<(), StoreError> {
        self.local.at_once(|| {
            self.enter(document, dir, state)?;
            self.post_record(dir)
        })?;
        self.send_quietly();
        if self.settings.records.is_some() {
            courier::wake(&self.local.root, self.is_virtual());
        }
        Ok(())
    }

    /// Lets the record in `dir` wait to be sent. One that broke off has no seal, and stays on its bench.
    pub(super) fn post_record(&self, dir: &Path) -> Result<(), StoreError> {
        if self.settings.records.is_none() || !dir.join(SEAL_FILE).is_file() {
            return Ok(());
        }
        let kept = self.local.kept_dir(dir)?;
        self.local.post(Kind::Record, &kept, &SentRecord { dir: kept.clone() })
    }

    /// Sees whether records may be kept at `address`; `root` is the folder of this bench, where the keys may lie.
    ///
    /// # Errors
    /// A place that is away, or that refuses this bench.
    pub fn try_records(address: &str, root: &Path) -> Result<(), StoreError> {
        Records::prepare(address, root)
    }

    /// Where the shop keeps records.
    pub(super) fn records(&self) -> Result<Option<Records>, StoreError> {
        let open = |address: &String| Records::open(address, &self.local.root, self.is_virtual());
        self.settings.records.as_ref().map(open).transpose()
    }

    /// Sees to it that the record of a run lies in its folder, brought from the shop's records where it is not there. It
    /// must be the one that its results were made from. Says whether it was brought.
    ///
    /// # Errors
    /// Records that are away, and one that was altered there. That there is none is no error.
    pub fn bring_record(&self, dir: &Path) -> Result<bool, StoreError> {
        if dir.join(EVENTS_FILE).is_file() {
            return Ok(false);
        }
        let Some(records) = self.records()? else { return Ok(false) };
        let kept = self.name_there(dir)?;
        let here = fs::read_to_string(dir.join(RESULTS_FILE)).ok();
        let text = match (here, &self.server) {
            (None, Some(server)) => server.ask(|index| index.kept_document(&kept))?,
            (here, _) => here,
        };
        let document = text.and_then(|text| serde_json::from_str::<Document>(&text).ok());
        let expect = document.and_then(|document| document.provenance).map(|provenance| provenance.record_sha256);
        records.fetch(&kept, dir, expect.as_deref())
    }

    /// Whether the shop's records hold that of the run in `dir`.
    ///
    /// # Errors
    /// Records that are away.
    pub fn has_record(&self, dir: &Path) -> Result<bool, StoreError> {
        let kept = self.name_there(dir)?;
        self.records()?.map_or(Ok(false), |records| records.has(&kept))
    }

    /// Whether the shop has a place for records.
    #[must_use]
    pub const fn has_records(&self) -> bool {
        self.settings.records.is_some()
    }

    /// Folder of a run as the bench that took it keeps it.
    fn name_there(&self, dir: &Path) -> Result<String, StoreError> {
        let kept = self.local.kept_dir(dir)?;
        Ok(kept.strip_prefix(ELSEWHERE).map_or(kept.as_str(), |kept| kept.trim_start_matches('/')).to_owned())
    }

    /// Puts in the run whose record lies in `dir`, or puts it in anew after another analysis, and sends it where there is a
    /// server. What cannot be sent waits.
    ///
    /// # Errors
    /// When the bench's own index cannot be written, or the run is virtual and the store is not (or the other way round).
    pub fn insert(&self, document: &Document, dir: &Path, state: RunState) -> Result<(), StoreError> {
        self.enter(document, dir, state)?;
        self.send_quietly();
        Ok(())
    }

    /// The same without sending.
    pub(super) fn enter(&self, document: &Document, dir: &Path, state: RunState) -> Result<(), StoreError> {
        let kept = self.local.kept_dir(dir)?;
        self.local.at_once(|| {
            self.local.put(document, &kept, state, None)?;
            if self.server.is_some() {
                let sent = SentRun { dir: kept.clone(), state: state.word().to_owned(), document: document.clone() };
                self.local.post(Kind::Run, &kept, &sent)?;
            }
            Ok(())
        })
    }

    /// Takes in all lines of this bench's journal of `batch`: its units replace those known, its corrections and people's
    /// grades are put on the runs. All or nothing.
    ///
    /// # Errors
    /// When the bench's own index cannot be written.
    pub fn take_journal(&self, batch: &str, lines: &[Line]) -> Result<(), StoreError> {
        self.enter_journal(batch, lines)?;
        self.send_quietly();
        Ok(())
    }

    pub(super) fn enter_journal(&self, batch: &str, lines: &[Line]) -> Result<(), StoreError> {
        self.local.at_once(|| {
            self.local.take_book(batch, &Book::of(lines))?;
            if self.server.is_some() {
                self.local.post(
                    Kind::Journal,
                    batch,
                    &SentJournal { batch: batch.to_owned(), lines: lines.to_vec() },
                )?;
            }
            Ok(())
        })
    }

    /// What all benches say of `batch`: `own` are the lines of this one.
    ///
    /// # Errors
    /// None that a server can cause: one that is away adds nothing.
    pub fn book(&self, batch: &str, mut own: Vec<Line>) -> Result<Book, StoreError> {
        if let Some(server) = &self.server
            && let Ok(others) = server.ask(|index| index.lines(batch, Some(&server.bench)))
            && !others.is_empty()
        {
            own.extend(others);
            sort_lines(&mut own);
        }
        Ok(Book::of(&own))
    }

    /// Asks the server where it answers, else the bench's own index.
    fn read<T>(&self, ask: impl Fn(&Index) -> Result<T, StoreError>) -> Result<T, StoreError> {
        if let Some(server) = &self.server {
            self.send_quietly();
            if let Ok(answer) = server.ask(&ask) {
                return Ok(answer);
            }
        }
        ask(&self.local)
    }

    /// A page of the runs that match `filter`, newest first. Contact checks are shown only when a unit is asked for.
    ///
    /// # Errors
    /// When the bench's own index has to be read and cannot.
    pub fn list(&self, filter: &Filter, page: &Page) -> Result<Listing, StoreError> {
        let mut listing = self.read(|index| index.list(filter, page))?;
        listing.rows.iter_mut().for_each(|row| self.place(row));
        Ok(listing)
    }

    /// The place in a list behind the run named `run`; `None` when it is not known.
    ///
    /// # Errors
    /// As [`Store::list`].
    pub fn cursor(&self, run: &str) -> Result<Option<Cursor>, StoreError> {
        self.read(|index| index.cursor(run))
    }

    /// Runs of one batch or of all, with their numbers, in the order in which they came, from the one after number `after` on:
    /// a way through any number of them.
    ///
    /// # Errors
    /// An index that cannot be read. A server that is away is an error here: half a history is none.
    pub fn walk(&self, batch: Option<&str>, after: i64, count: u32) -> Result<Vec<(i64, RunRow)>, StoreError> {
        let mut rows = match &self.server {
            Some(server) => {
                self.send_quietly();
                server.ask(|index| index.walk(batch, None, after, count))?
            }
            None => self.local.walk(batch, None, after, count)?,
        };
        rows.iter_mut().for_each(|(_, row)| self.place(row));
        Ok(rows)
    }

    /// All runs of the unit `tag`, newest first.
    ///
    /// # Errors
    /// As [`Store::list`].
    pub fn units(&self, tag: &str) -> Result<Vec<RunRow>, StoreError> {
        let filter = Filter { unit: Some(tag.to_owned()), ..Filter::default() };
        Ok(self.list(&filter, &Page::first(u32::MAX))?.rows)
    }

    /// How many other runs of the unit `tag`, contact checks apart, were started before `run`; all others when `run` is not in the
    /// index yet or its start is unknown.
    ///
    /// # Errors
    /// As [`Store::list`].
    pub fn earlier_runs(&self, tag: &str, run: &str) -> Result<u64, StoreError> {
        self.read(|index| index.earlier_runs(tag, run))
    }

    /// The run named `run`; `None` when it is not known.
    ///
    /// # Errors
    /// As [`Store::list`].
    pub fn run_named(&self, run: &str) -> Result<Option<RunRow>, StoreError> {
        let mut found = self.read(|index| index.one_run(run))?;
        found.iter_mut().for_each(|row| self.place(row));
        Ok(found)
    }

    /// Registered units of `batch`, by tag, the first `rows` of those behind the tag `after`.
    ///
    /// # Errors
    /// As [`Store::list`].
    pub fn units_of(&self, batch: &str, after: Option<&str>, rows: u32) -> Result<Vec<UnitRow>, StoreError> {
        self.read(|index| index.units_of(batch, after, rows))
    }

    /// Batches apart from `batch` that have a registered unit with this tag, in order.
    ///
    /// # Errors
    /// As [`Store::list`].
    pub fn other_batches(&self, batch: &str, tag: &str) -> Result<Vec<String>, StoreError> {
        self.read(|index| index.other_batches(batch, tag))
    }

    /// Tags of the units of `batch` that have runs, in order.
    ///
    /// # Errors
    /// As [`Store::list`].
    pub fn tags_of(&self, batch: &str) -> Result<Vec<String>, StoreError> {
        self.read(|index| index.tags_of(batch))
    }

    /// A run of another bench gets a folder of its own here, so that nothing takes it for a record of this one.
    pub(super) fn place(&self, row: &mut RunRow) {
        let other = row.bench.as_deref().is_some_and(|bench| bench != self.settings.bench);
        if other
            && !row.dir.exists()
            && let Ok(kept) = row.dir.strip_prefix(&self.local.root)
        {
            row.dir = self.local.root.join(ELSEWHERE).join(kept);
        }
    }

    /// Sees to it that the results of a run lie in its folder, also those of a run that another bench took. Nothing is
    /// done for a run of this bench.
    ///
    /// # Errors
    /// A server that is away, a folder that cannot be written.
    pub fn bring(&self, row: &RunRow) -> Result<(), StoreError> {
        let Some(server) = &self.server else { return Ok(()) };
        let Ok(kept) = row.dir.strip_prefix(self.local.root.join(ELSEWHERE)) else { return Ok(()) };
        let kept = kept.to_string_lossy().replace(std::path::MAIN_SEPARATOR, "/");
        let Some(text) = server.ask(|index| index.kept_document(&kept))? else { return Ok(()) };
        let path = row.dir.join(RESULTS_FILE);
        let write = || {
            fs::create_dir_all(&row.dir)?;
            fs::write(&path, &text)
        };
        write().map_err(|e| StoreError::Io { doing: "copy results from", path: path.clone(), why: e.to_string() })
    }
}
