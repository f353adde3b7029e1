//! Tables of the index, and how an older file comes to have them.

use std::path::Path;
use std::time::Duration;

use rusqlite::{Connection, TransactionBehavior};

use super::error::StoreError;

/// How long to wait for another program that writes.
pub(super) const BUSY_TIMEOUT: Duration = Duration::from_secs(5);

/// Steps from each version to the next, in order; `user_version` counts those taken. Never edited, only added to.
const MIGRATIONS: &[&str] = &[
    "
    CREATE TABLE runs (
        id INTEGER PRIMARY KEY,
        dir TEXT NOT NULL UNIQUE,
        run TEXT NOT NULL,
        unit TEXT,
        batch TEXT NOT NULL,
        plan TEXT,
        rig TEXT,
        started TEXT,
        started_ms INTEGER,
        bench_s REAL NOT NULL,
        state TEXT NOT NULL CHECK (state IN ('finished', 'stopped', 'interrupted')),
        grade TEXT CHECK (grade IN ('scrap', 'undecided', 'restricted', 'fit')),
        reason TEXT
    ) STRICT;
    CREATE INDEX runs_by_unit ON runs (unit, started_ms);
    CREATE INDEX runs_by_batch ON runs (batch, started_ms);
",
    "
    CREATE TABLE units (
        batch TEXT NOT NULL,
        tag TEXT NOT NULL,
        donor TEXT,
        kind TEXT,
        shelf TEXT,
        price TEXT,
        findings TEXT,
        note TEXT,
        photos INTEGER NOT NULL,
        registered TEXT NOT NULL,
        PRIMARY KEY (batch, tag)
    ) STRICT;
    CREATE INDEX units_by_tag ON units (tag);
    CREATE INDEX units_by_donor ON units (donor);
    ALTER TABLE runs ADD COLUMN recorded_unit TEXT;
    ALTER TABLE runs ADD COLUMN given_grade TEXT CHECK (given_grade IN ('scrap', 'undecided', 'restricted', 'fit'));
    ALTER TABLE runs ADD COLUMN given_by TEXT;
    ALTER TABLE runs ADD COLUMN given_why TEXT;
    ALTER TABLE runs ADD COLUMN line_kind TEXT;
    ALTER TABLE runs ADD COLUMN numbers TEXT;
    CREATE INDEX runs_by_run ON runs (run);
    CREATE INDEX runs_by_time ON runs (started_ms, run, id);
    CREATE INDEX runs_by_grade ON runs (grade, started_ms);
",
];

/// Opens the database file, creates or migrates it.
pub(super) fn open(path: &Path) -> Result<Connection, StoreError> {
    let failed = |error: rusqlite::Error| StoreError::sql("open", path, &error);
    let mut connection = Connection::open(path).map_err(failed)?;
    connection.busy_timeout(BUSY_TIMEOUT).map_err(failed)?;
    check_version(path, version(&connection).map_err(failed)?)?;
    // A verdict must outlive the power cut that follows it, hence FULL.
    connection.pragma_update(None, "journal_mode", "wal").map_err(failed)?;
    connection.pragma_update(None, "synchronous", "full").map_err(failed)?;
    migrate(&mut connection, path)?;
    Ok(connection)
}

fn version(connection: &Connection) -> rusqlite::Result<i64> {
    connection.pragma_query_value(None, "user_version", |row| row.get(0))
}

fn known() -> i64 {
    i64::try_from(MIGRATIONS.len()).unwrap_or(i64::MAX)
}

fn check_version(path: &Path, version: i64) -> Result<(), StoreError> {
    match version {
        _ if version > known() => Err(StoreError::Newer { path: path.to_owned(), version, known: known() }),
        _ if version < 0 => Err(StoreError::Foreign { path: path.to_owned() }),
        _ => Ok(()),
    }
}

fn migrate(connection: &mut Connection, path: &Path) -> Result<(), StoreError> {
    let failed = |error: rusqlite::Error| StoreError::sql("migrate", path, &error);
    if version(connection).map_err(failed)? == known() {
        return Ok(());
    }
    // Immediate, and the version looked at again: two programs may open a new file at once.
    let transaction = connection.transaction_with_behavior(TransactionBehavior::Immediate).map_err(failed)?;
    let from = version(&transaction).map_err(failed)?;
    check_version(path, from)?;
    let tables: i64 =
        transaction.query_row("SELECT count(*) FROM sqlite_schema", [], |row| row.get(0)).map_err(failed)?;
    if from == 0 && tables > 0 {
        return Err(StoreError::Foreign { path: path.to_owned() });
    }
    for step in MIGRATIONS.iter().skip(usize::try_from(from).unwrap_or(0)) {
        transaction.execute_batch(step).map_err(failed)?;
    }
    transaction.pragma_update(None, "user_version", known()).map_err(failed)?;
    transaction.commit().map_err(failed)
}
