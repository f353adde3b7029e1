//! Lists by pages: each page begins behind the last run of the one before, so that the last costs no more than the first.
//!
//! There are two ways to a page. Where some condition is met by few runs, those are looked up, checked against the others and
//! sorted. Where all are met by many, the list is gone through from its newest run until the page is full. Which one it is is
//! found out by counting, and no count goes further than it must.
//!
//! A list that is gone through ends its page after [`FAR`] runs, full or not: conditions that are each met often but hardly
//! ever together would else lead through all runs ever taken. The page then says where to go on.

use super::error::StoreError;
use super::filter::{Filter, Search};
use super::index::{COLUMNS, Index, NEWEST_FIRST, RunRow};
use super::sql::{Part, Row, SqlError, Value};

/// Runs up to which they are looked up and sorted. To look one up takes about twenty times as long as to pass one on the way
/// along the list; of a million runs, a page of fifty of more than this many is full after some thirty thousand.
const FEW: u64 = 1_500;
/// Runs up to which a list is counted where counting is a walk along an index.
const MOST_COUNTED: u64 = 10_000;

/// Runs that one page goes through at most: some twenty milliseconds.
const FAR: u64 = 40_000;

/// How far a page goes.
#[derive(Clone, Copy, Debug)]
struct Reach {
    /// Runs that are looked up and sorted at the most.
    few: u64,
    /// Runs that are gone through at the most.
    far: u64,
}

const REACH: Reach = Reach { few: FEW, far: FAR };

/// A place in a list: behind one of its runs.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Cursor {
    at_ms: i64,
    run: String,
    id: i64,
}

impl Cursor {
    /// A place of which only the run is known.
    #[cfg(test)]
    pub(crate) fn behind(run: &str) -> Self {
        Self { run: run.to_owned(), ..Self::default() }
    }

    /// The run that it is behind.
    #[must_use]
    pub fn run(&self) -> &str {
        &self.run
    }

    fn values(&self) -> [Value; 3] {
        [self.at_ms.into(), self.run.as_str().into(), self.id.into()]
    }
}

/// Which part of a list.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Page {
    /// Where it begins; `None` is at the newest run.
    pub after: Option<Cursor>,
    /// Rows wanted at most.
    pub rows: u32,
}

impl Page {
    /// The first page.
    #[must_use]
    pub const fn first(rows: u32) -> Self {
        Self { after: None, rows }
    }
}

/// How many runs there are on all pages.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Total {
    /// This many.
    Exactly(u64),
    /// More than this: counting them all would take longer than anybody wants to wait for a page.
    MoreThan(u64),
}

/// A page of a list.
#[derive(Clone, Debug, PartialEq)]
pub struct Listing {
    /// The rows, newest run first. Fewer than were asked for, and none even, where many runs had to be gone through.
    pub rows: Vec<RunRow>,
    /// How many runs there are on all pages.
    pub total: Total,
    /// Where the next page begins; `None` after the last.
    pub next: Option<Cursor>,
}

impl Default for Page {
    fn default() -> Self {
        Self::first(50)
    }
}

impl Default for Listing {
    fn default() -> Self {
        Self::whole(Vec::new())
    }
}

impl Listing {
    /// A list of one page.
    #[must_use]
    pub const fn whole(rows: Vec<RunRow>) -> Self {
        let total = Total::Exactly(rows.len() as u64);
        Self { rows, total, next: None }
    }
}

/// Where the runs of a list are taken from.
struct Source {
    /// What stands before `SELECT`.
    with: Part,
    /// From `FROM` on.
    from: Part,
    /// Whether so few runs are gone through that they can all be counted.
    is_short: bool,
}

impl Index {
    /// A page of the runs that match `filter`, newest first. Contact checks are shown only when a unit is asked for.
    pub(super) fn list(&self, filter: &Filter, page: &Page) -> Result<Listing, StoreError> {
        let search = Search::of(filter, self.database.dialect());
        self.find(&search, page, REACH).map_err(|e| self.failed("read", e))
    }

    /// The place behind the run named `run`; `None` when it is not known.
    pub(super) fn cursor(&self, run: &str) -> Result<Option<Cursor>, StoreError> {
        let select = format!("SELECT at_ms, run, id FROM runs WHERE run = ?1 {NEWEST_FIRST} LIMIT 1");
        let read = || -> Result<Option<Cursor>, SqlError> {
            let found = self.database.first(&select, &[run.into()])?;
            found.map(|mut row| cursor(&mut row)).transpose()
        };
        read().map_err(|e| self.failed("read", e))
    }

    fn find(&self, search: &Search, page: &Page, Reach { few, far }: Reach) -> Result<Listing, SqlError> {
        let bound = if search.conditions.is_empty() { MOST_COUNTED } else { few };
        let plain = self.count_up_to(&Part::from("SELECT 1 FROM runs WHERE ").and_then(&search.plain), bound)?;
        let source = self.source(search, plain, few)?;
        let end = if source.is_short { None } else { self.end_of_page(search, page, far)? };
        let (rows, next) = self.page(&source, page, end)?;
        let total = if search.conditions.is_empty() {
            if plain > bound { Total::MoreThan(bound) } else { Total::Exactly(plain) }
        } else if source.is_short {
            let count = source.with.and_then(&Part::from("SELECT count(*) ")).and_then(&source.from);
            Total::Exactly(self.count(&count.numbered(), &count.values)?)
        } else if page.after.is_none() && next.is_none() {
            Total::Exactly(rows.len() as u64)
        } else {
            Total::MoreThan(rows.len() as u64)
        };
        Ok(Listing { rows, total, next })
    }

    /// The shortest way: through the runs of the condition that the fewest may meet, or along the list.
    fn source(&self, search: &Search, plain: u64, few: u64) -> Result<Source, SqlError> {
        let mut least = plain;
        let mut through = None;
        for (at, condition) in search.conditions.iter().enumerate().filter(|(_, c)| !c.candidates.is_empty()) {
            let mut sum = 0;
            for select in &condition.candidates {
                sum += self.count_up_to(select, few)?;
            }
            if sum < least {
                (least, through) = (sum, Some(at));
            }
        }
        let is_short = least <= few;
        let through = through.filter(|_| is_short);
        // What is looked up exactly need not be checked again.
        let checks = search.conditions.iter().enumerate().filter(|(at, c)| !(c.exact && through == Some(*at)));
        let checks = Part::all_of(std::iter::once(&search.plain).chain(checks.map(|(_, condition)| &condition.check)));
        let Some(found) = through.and_then(|at| Part::joined(&search.conditions[at].candidates, " UNION ")) else {
            return Ok(Source {
                with: Part::default(),
                from: Part::from("FROM runs WHERE ").and_then(&checks),
                is_short,
            });
        };
        let with = Part::from("WITH found AS MATERIALIZED (").and_then(&found).and_then(&Part::from(") "));
        let from = Part::from("FROM found CROSS JOIN runs WHERE runs.id = found.id AND ").and_then(&checks);
        Ok(Source { with, from, is_short })
    }

    /// The run at which a page that goes through the list comes to its end; `None` where the list does before.
    fn end_of_page(&self, search: &Search, page: &Page, far: u64) -> Result<Option<Cursor>, SqlError> {
        if search.conditions.is_empty() {
            return Ok(None);
        }
        let mut select = Part::from("SELECT at_ms, run, id FROM runs WHERE ").and_then(&search.plain);
        if let Some(after) = &page.after {
            select = select.and_then(&Part::with(" AND (at_ms, run, runs.id) < (?, ?, ?)", after.values()));
        }
        select.sql += &format!(" {NEWEST_FIRST} LIMIT 1 OFFSET {}", far.saturating_sub(1));
        let found = self.database.first(&select.numbered(), &select.values)?;
        found.map(|mut row| cursor(&mut row)).transpose()
    }

    /// The rows of a page that goes up to `end`, and where the next begins.
    fn page(
        &self,
        source: &Source,
        page: &Page,
        end: Option<Cursor>,
    ) -> Result<(Vec<RunRow>, Option<Cursor>), SqlError> {
        let mut select = source
            .with
            .clone()
            .and_then(&Part::from(format!("SELECT {COLUMNS}, at_ms, runs.id ").as_str()))
            .and_then(&source.from);
        for (sign, place) in [("<", &page.after), (">=", &end)] {
            if let Some(place) = place {
                let beyond = format!(" AND (at_ms, run, runs.id) {sign} (?, ?, ?)");
                select = select.and_then(&Part::with(beyond, place.values()));
            }
        }
        // One more than wanted tells whether there is another page.
        select.sql += &format!(" {NEWEST_FIRST} LIMIT {}", u64::from(page.rows) + 1);
        let wanted = usize::try_from(page.rows).unwrap_or(usize::MAX);
        let mut rows = Vec::new();
        let mut last = None;
        let found = self.database.query(&select.numbered(), &select.values)?;
        let more = found.len() > wanted;
        for mut row in found.into_iter().take(wanted) {
            let run = self.row(&mut row)?;
            last = Some(Cursor { at_ms: row.take()?, run: run.run.clone(), id: row.take()? });
            rows.push(run);
        }
        Ok((rows, if more { last } else { end }))
    }

    /// Rows of a select, counted to one beyond `most` at the most.
    fn count_up_to(&self, select: &Part, most: u64) -> Result<u64, SqlError> {
        let count = Part::from("SELECT count(*) FROM (")
            .and_then(select)
            .and_then(&Part::from(format!(" LIMIT {}) AS counted", most + 1).as_str()));
        self.count(&count.numbered(), &count.values)
    }
}

fn cursor(row: &mut Row) -> Result<Cursor, SqlError> {
    Ok(Cursor { at_ms: row.take()?, run: row.take()?, id: row.take()? })
}

#[cfg(test)]
#[path = "listing_tests.rs"]
mod tests;
