//! Records that another analysis must go through: those whose row names an older one.
//!
//! On one bench the rows themselves are the list. In a shop the server hands them out: a worker locks the row of a job for as
//! long as it works on it, others pass over locked rows, and the job is gone in the same transaction that brings its results.
//! A worker that dies takes its lock with it, so that nothing is lost and nothing is counted twice.

use super::error::StoreError;
use super::index::{Index, RunRow, RunState};
use super::outbox::SentRun;
use super::shop::Store;
use crate::results::Document;

/// What a worker made of one record: its new results, or why there are none.
pub type Worked = Result<(Document, RunState), String>;

/// What came of asking for a job.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Turn {
    /// A record was gone through.
    Done,
    /// It could not be; the reason stands with the job.
    LeftOut,
    /// It is not to be had here; its job, with this folder, stays for those who have it.
    Passed(String),
    /// Nothing is left to do, or others are at it.
    Nothing,
}

/// Whose records to take a job of.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Whose {
    /// Those that this bench took.
    Own,
    /// Those of other benches, in order of their folders, after this one.
    Others(String),
}

impl Store {
    /// Whether a server hands out the work.
    #[must_use]
    pub const fn is_shared(&self) -> bool {
        self.server.is_some()
    }

    /// Runs of this bench that an analysis other than `analysis` went through last, with their numbers, from the one after
    /// number `after` on.
    ///
    /// # Errors
    /// When the bench's own index cannot be read.
    pub fn stale(&self, analysis: &str, after: i64, count: u32) -> Result<Vec<(i64, RunRow)>, StoreError> {
        self.local.walk(None, Some(analysis), after, count)
    }

    /// Whether nobody else has the run in hand: always without a server, else once `analysis` has gone through it there.
    ///
    /// # Errors
    /// A server that is away.
    pub fn is_free(&self, run: &str, analysis: &str) -> Result<bool, StoreError> {
        let Some(server) = &self.server else { return Ok(true) };
        let there = server.ask(|index| index.one_run(run))?;
        Ok(there.is_some_and(|row| row.analysis.as_deref() == Some(analysis)))
    }

    /// Makes jobs of all runs in the shop that `analysis` has not gone through, and gives those another chance that could
    /// not be read before.
    ///
    /// # Errors
    /// A server that is away.
    pub fn make_jobs(&self, analysis: &str) -> Result<(), StoreError> {
        let Some(server) = &self.server else { return Ok(()) };
        self.send_waiting()?;
        server.ask(|index| {
            let make = "INSERT INTO jobs (analysis, dir)
                        SELECT ?1, dir FROM runs WHERE analysis IS DISTINCT FROM ?1 ORDER BY dir
                        ON CONFLICT (analysis, dir) DO NOTHING";
            let again = "UPDATE jobs SET problem = NULL WHERE analysis = ?1 AND problem IS NOT NULL";
            for statement in [make, again] {
                index.database.execute(statement, &[analysis.into()]).map_err(|e| index.failed("write", e))?;
            }
            Ok(())
        })
    }

    /// Takes one job from the server and has `work` done on it. `work` gives nothing where the record is not to be had.
    ///
    /// # Errors
    /// A server that goes away: the job is free again then.
    pub fn take_turn(
        &self,
        analysis: &str,
        whose: &Whose,
        work: impl FnOnce(&RunRow) -> Option<Worked>,
    ) -> Result<Turn, StoreError> {
        let Some(server) = &self.server else { return Ok(Turn::Nothing) };
        server.ask(|index| {
            index.at_once(|| {
                let Some(dir) = index.lock_job(analysis, &server.bench, whose)? else { return Ok(Turn::Nothing) };
                let Some(mut row) = index.run_in(&dir)? else {
                    return index.end_job(analysis, &dir).map(|()| Turn::Done);
                };
                if row.analysis.as_deref() == Some(analysis) {
                    return index.end_job(analysis, &dir).map(|()| Turn::Done);
                }
                self.place(&mut row);
                match work(&row) {
                    Some(Ok((document, state))) => {
                        let sent = SentRun { dir: dir.clone(), state: state.word().to_owned(), document };
                        index.receive_run(&sent, None)?;
                        index.end_job(analysis, &dir)?;
                        if self.local.run_in(&dir)?.is_some() {
                            self.local.put(&sent.document, &dir, state, None)?;
                        }
                        Ok(Turn::Done)
                    }
                    Some(Err(problem)) => {
                        let note = "UPDATE jobs SET problem = ?1 WHERE analysis = ?2 AND dir = ?3";
                        let values = [problem.into(), analysis.into(), dir.into()];
                        index.database.execute(note, &values).map_err(|e| index.failed("write", e))?;
                        Ok(Turn::LeftOut)
                    }
                    None => Ok(Turn::Passed(dir)),
                }
            })
        })
    }
}

impl Index {
    /// The first job on a record of `bench`, or of others, that nobody works on, locked until the transaction ends.
    fn lock_job(&self, analysis: &str, bench: &str, whose: &Whose) -> Result<Option<String>, StoreError> {
        let (of, after) = match whose {
            Whose::Own => ("runs.bench = ?2", ""),
            Whose::Others(after) => ("runs.bench IS DISTINCT FROM ?2", after.as_str()),
        };
        let select = format!(
            "SELECT jobs.dir FROM jobs JOIN runs ON runs.dir = jobs.dir
             WHERE jobs.analysis = ?1 AND jobs.problem IS NULL AND {of} AND jobs.dir > ?3
             ORDER BY jobs.dir LIMIT 1 FOR UPDATE OF jobs SKIP LOCKED"
        );
        let read = || {
            let row = self.database.first(&select, &[analysis.into(), bench.into(), after.into()])?;
            row.map(|mut row| row.take()).transpose()
        };
        read().map_err(|e| self.failed("read", e))
    }

    fn end_job(&self, analysis: &str, dir: &str) -> Result<(), StoreError> {
        let delete = "DELETE FROM jobs WHERE analysis = ?1 AND dir = ?2";
        self.database.execute(delete, &[analysis.into(), dir.into()]).map_err(|e| self.failed("write", e))?;
        Ok(())
    }
}
