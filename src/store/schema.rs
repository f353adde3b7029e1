//! Tables of the index, and how an older one comes to have them: one list for both kinds of database.

use std::path::Path;

use super::error::StoreError;
use super::sql::{Database as _, SqlError};
use super::sqlite::Sqlite;

/// Steps from each version to the next, in order, in SQLite's words; the version counts those taken. Never edited, only
/// added to. A server gets the same steps through `for_server`; what has no common words stands under [`IN_A_FILE`] and
/// [`ON_A_SERVER`], until [`IN_BOTH`].
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
    "
    ALTER TABLE runs ADD COLUMN at_ms INTEGER NOT NULL DEFAULT -9000000000000000000;
    ALTER TABLE runs ADD COLUMN listed INTEGER NOT NULL DEFAULT 1;
    ALTER TABLE runs ADD COLUMN counted TEXT;
    ALTER TABLE runs ADD COLUMN donor TEXT;
    ALTER TABLE runs ADD COLUMN kind TEXT;
    ALTER TABLE runs ADD COLUMN words TEXT;
    UPDATE runs SET at_ms = started_ms WHERE started_ms IS NOT NULL;
    UPDATE runs SET listed = 0 WHERE plan = 'contact check';
    UPDATE runs SET
        counted = coalesce(given_grade, grade),
        donor = (SELECT units.donor FROM units WHERE units.batch = runs.batch AND units.tag = runs.unit),
        kind = (SELECT units.kind FROM units WHERE units.batch = runs.batch AND units.tag = runs.unit),
        words = '\u{1f}' || coalesce(unit, '') || '\u{1f}' || coalesce(reason, '') || '\u{1f}' || coalesce(rig, '')
            || '\u{1f}' || coalesce(plan, '') || '\u{1f}' || coalesce(given_by, '') || '\u{1f}' || coalesce(given_why, '')
            || coalesce((
                SELECT '\u{1f}' || coalesce(units.donor, '') || '\u{1f}' || coalesce(units.kind, '')
                    || '\u{1f}' || coalesce(units.shelf, '') || '\u{1f}' || coalesce(units.findings, '')
                    || '\u{1f}' || coalesce(units.note, '')
                FROM units WHERE units.batch = runs.batch AND units.tag = runs.unit
            ), '');
    CREATE TABLE numbers (
        run INTEGER NOT NULL,
        result TEXT NOT NULL,
        value REAL NOT NULL,
        PRIMARY KEY (run, result)
    ) STRICT, WITHOUT ROWID;
    -- in a file
    INSERT INTO numbers (run, result, value)
        SELECT runs.id, each.key, each.value FROM runs, json_each(runs.numbers) AS each
        WHERE each.type IN ('real', 'integer');
    -- on a server
    INSERT INTO numbers (run, result, value)
        SELECT runs.id, each.key, CAST(each.value AS DOUBLE PRECISION)
        FROM runs, jsonb_each_text(CAST(runs.numbers AS JSONB)) AS each WHERE each.value IS NOT NULL;
    -- in both
    ALTER TABLE runs DROP COLUMN numbers;
    CREATE INDEX numbers_by_value ON numbers (result, value, run);
    DROP INDEX runs_by_unit;
    DROP INDEX runs_by_batch;
    DROP INDEX runs_by_time;
    DROP INDEX runs_by_grade;
    CREATE INDEX runs_of_all ON runs (listed, at_ms, run, id);
    CREATE INDEX runs_of_batch ON runs (batch, listed, at_ms, run, id);
    CREATE INDEX runs_of_unit ON runs (unit, at_ms, run, id);
    CREATE INDEX runs_of_grade ON runs (counted, listed, at_ms, run, id);
    CREATE INDEX runs_of_state ON runs (state, listed, at_ms, run, id);
    CREATE INDEX runs_of_line_kind ON runs (line_kind);
    -- in a file
    CREATE VIRTUAL TABLE runs_found USING fts5 (
        words, donor, kind,
        content = 'runs', content_rowid = 'id', tokenize = 'trigram', detail = column, columnsize = 0
    );
    INSERT INTO runs_found (runs_found) VALUES ('rebuild');
    CREATE TRIGGER runs_found_again AFTER UPDATE OF words, donor, kind ON runs
    WHEN old.words IS NOT new.words OR old.donor IS NOT new.donor OR old.kind IS NOT new.kind
    BEGIN
        INSERT INTO runs_found (runs_found, rowid, words, donor, kind)
            SELECT 'delete', old.id, old.words, old.donor, old.kind WHERE old.words IS NOT NULL;
        INSERT INTO runs_found (rowid, words, donor, kind) VALUES (new.id, new.words, new.donor, new.kind);
    END;
    -- on a server
    DO $$
    DECLARE
        place TEXT;
        word TEXT;
    BEGIN
        CREATE EXTENSION IF NOT EXISTS pg_trgm;
        SELECT nspname INTO place FROM pg_extension JOIN pg_namespace ON pg_namespace.oid = extnamespace
            WHERE extname = 'pg_trgm';
        FOREACH word IN ARRAY ARRAY['words', 'donor', 'kind'] LOOP
            EXECUTE format('CREATE INDEX runs_by_%s ON runs USING gin (%I %I.gin_trgm_ops)', word, word, place);
        END LOOP;
    EXCEPTION WHEN OTHERS THEN
        RAISE NOTICE 'text is looked for without an index: %', SQLERRM;
    END $$;
",
];

/// What follows is for SQLite alone.
const IN_A_FILE: &str = "-- in a file";
/// What follows is for PostgreSQL alone.
const ON_A_SERVER: &str = "-- on a server";
/// What follows is for both.
const IN_BOTH: &str = "-- in both";

/// The lines of a step that one kind of database is meant to take; `other` heads those of the other kind.
fn lines_without<'a>(step: &'a str, other: &'a str) -> impl Iterator<Item = &'a str> {
    let mut meant = true;
    step.lines().filter(move |line| {
        if let heading @ (IN_A_FILE | ON_A_SERVER | IN_BOTH) = line.trim() {
            meant = heading != other;
        }
        meant
    })
}

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

/// The first steps as they are, for tests of older files.
#[cfg(test)]
pub(super) fn first_steps(count: usize) -> &'static [&'static str] {
    &MIGRATIONS[..count]
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
            let step: Vec<_> = lines_without(step, ON_A_SERVER).collect();
            database.batch(&step.join("\n")).map_err(failed)?;
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
    database
        .batch(&format!("BEGIN; SET LOCAL statement_timeout TO 0; SELECT pg_advisory_xact_lock({LOCK})"))
        .map_err(failed)?;
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
        line.replace(") STRICT, WITHOUT ROWID", ")")
            .replace("id INTEGER PRIMARY KEY", "id BIGINT GENERATED BY DEFAULT AS IDENTITY PRIMARY KEY")
            .replace(" INTEGER", " BIGINT")
            .replace(" REAL", " DOUBLE PRECISION")
            .replace(" TEXT", " TEXT COLLATE \"C\"")
            .replace(") STRICT", ")")
    };
    lines_without(step, IN_A_FILE).map(words).collect::<Vec<_>>().join("\n")
}
