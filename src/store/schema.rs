//! Tables of the index, and how an older one comes to have them: one list for both kinds of database.

use std::path::Path;

use super::error::StoreError;
use super::sql::{Database as _, SqlError};
use super::sqlite::Sqlite;

/// Steps from each version to the next, in order, in SQLite's words; the version counts those taken. Never edited, only
/// added to. A server gets the same steps through `for_server`.
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
    "
    ALTER TABLE runs ADD COLUMN bench TEXT;
    ALTER TABLE runs ADD COLUMN analysis TEXT;
    CREATE INDEX runs_by_analysis ON runs (analysis, id);
    CREATE TABLE outbox (
        id INTEGER PRIMARY KEY,
        kind TEXT NOT NULL CHECK (kind IN ('run', 'journal', 'record')),
        name TEXT NOT NULL,
        payload TEXT NOT NULL,
        UNIQUE (kind, name)
    ) STRICT;
    CREATE TABLE documents (
        dir TEXT NOT NULL,
        analysis TEXT NOT NULL,
        sha256 TEXT NOT NULL,
        taken_ms INTEGER NOT NULL,
        document TEXT NOT NULL,
        PRIMARY KEY (dir, analysis, sha256)
    ) STRICT;
    CREATE TABLE journals (
        batch TEXT NOT NULL,
        bench TEXT NOT NULL,
        number INTEGER NOT NULL,
        line TEXT NOT NULL,
        PRIMARY KEY (batch, bench, number)
    ) STRICT;
    CREATE TABLE jobs (
        analysis TEXT NOT NULL,
        dir TEXT NOT NULL,
        problem TEXT,
        PRIMARY KEY (analysis, dir)
    ) STRICT;
",
];

/// Opens the database file, creates or migrates it.
pub(super) fn open(path: &Path) -> Result<Sqlite, StoreError> {
    let failed = |error: SqlError| StoreError::sql("open", path, error);
    let database = Sqlite::open(path).map_err(failed)?;
    check_version(path, database.version().map_err(failed)?)?;
    // A verdict must outlive the power cut that follows it.
    database.durable().map_err(failed)?;
    migrate(&database, path)?;
    Ok(database)
}

fn known() -> i64 {
    i64::try_from(MIGRATIONS.len()).unwrap_or(i64::MAX)
}

fn check_version(place: &Path, version: i64) -> Result<(), StoreError> {
    match version {
        _ if version > known() => Err(StoreError::Newer { path: place.to_owned(), version, known: known() }),
        _ if version < 0 => Err(StoreError::Foreign { path: place.to_owned() }),
        _ => Ok(()),
    }
}

/// Steps that a database of `version` has not seen.
fn steps_from(version: i64) -> impl Iterator<Item = &'static &'static str> {
    MIGRATIONS.iter().skip(usize::try_from(version).unwrap_or(0))
}

fn migrate(database: &Sqlite, path: &Path) -> Result<(), StoreError> {
    let failed = |error: SqlError| StoreError::sql("migrate", path, error);
    if database.version().map_err(failed)? == known() {
        return Ok(());
    }
    // Immediate, and the version looked at again: two programs may open a new file at once.
    database.batch(database.dialect().begin()).map_err(failed)?;
    let migrated = || -> Result<(), StoreError> {
        let from = database.version().map_err(failed)?;
        check_version(path, from)?;
        let tables = database.first("SELECT count(*) FROM sqlite_schema", &[]).map_err(failed)?;
        let tables: i64 = tables.map_or(Ok(0), |mut row| row.take()).map_err(failed)?;
        if from == 0 && tables > 0 {
            return Err(StoreError::Foreign { path: path.to_owned() });
        }
        for step in steps_from(from) {
            database.batch(step).map_err(failed)?;
        }
        database.set_version(known()).map_err(failed)?;
        database.batch("COMMIT").map_err(failed)
    };
    migrated().inspect_err(|_| {
        // The file stays as it was; the error above is what the person is told.
        let _ = database.batch("ROLLBACK");
    })
}

/// Brings the tables on a server up to date, whichever of several programs comes first.
#[cfg(feature = "postgres")]
pub(super) fn migrate_server(
    database: &super::postgres::Postgres,
    place: &Path,
    schema: &str,
) -> Result<(), StoreError> {
    // Any number that no other program is likely to lock.
    const LOCK: i64 = 0x6761_6c65;
    let failed = |error: SqlError| StoreError::sql("migrate", place, error);
    let version = || -> Result<Option<i64>, SqlError> {
        let there = format!(
            "SELECT count(*) FROM information_schema.tables WHERE table_schema = '{schema}' AND table_name = 'version'"
        );
        if database.first(&there, &[])?.map_or(Ok(0), |mut row| row.take::<i64>())? == 0 {
            return Ok(None);
        }
        database.first("SELECT steps FROM version", &[])?.map(|mut row| row.take()).transpose()
    };
    if version().map_err(failed)? == Some(known()) {
        return Ok(());
    }
    database.batch(&format!("BEGIN; SELECT pg_advisory_xact_lock({LOCK})")).map_err(failed)?;
    let migrated = || -> Result<(), StoreError> {
        let from = version().map_err(failed)?;
        check_version(place, from.unwrap_or(0))?;
        if from.is_none() {
            let first = format!("CREATE SCHEMA IF NOT EXISTS {schema}; CREATE TABLE version (steps BIGINT NOT NULL)");
            database.batch(&format!("{first}; INSERT INTO version VALUES (0)")).map_err(failed)?;
        }
        for step in steps_from(from.unwrap_or(0)) {
            database.batch(&for_server(step)).map_err(failed)?;
        }
        database.batch(&format!("UPDATE version SET steps = {}; COMMIT", known())).map_err(failed)
    };
    migrated().inspect_err(|_| {
        // As above; a connection that is gone has forgotten everything by itself.
        let _ = database.batch("ROLLBACK");
    })
}

/// A step in PostgreSQL's words: types of the same width, text ordered byte by byte, and unknown times before all others in
/// an index, as SQLite has them.
#[cfg(feature = "postgres")]
fn for_server(step: &str) -> String {
    let words = |line: &str| {
        if line.trim_start().starts_with("CREATE INDEX") {
            return line.replace("started_ms", "started_ms NULLS FIRST");
        }
        line.replace("id INTEGER PRIMARY KEY", "id BIGINT GENERATED BY DEFAULT AS IDENTITY PRIMARY KEY")
            .replace(" INTEGER", " BIGINT")
            .replace(" REAL", " DOUBLE PRECISION")
            .replace(" TEXT", " TEXT COLLATE \"C\"")
            .replace(") STRICT", ")")
    };
    step.lines().map(words).collect::<Vec<_>>().join("\n")
}
