//! A database file: SQLite.

use std::path::Path;
use std::time::{Duration, Instant};

use rusqlite::types::{ToSqlOutput, ValueRef};
use rusqlite::{Connection, ErrorCode, params_from_iter};

use super::sql::{Database, Dialect, Row, SqlError, SqlKind, Value};

/// How long to wait for another program that writes.
const BUSY_TIMEOUT: Duration = Duration::from_secs(5);

/// How long until a change of mode is asked for again.
const AGAIN: Duration = Duration::from_millis(5);

/// An open database file.
#[derive(Debug)]
pub(super) struct Sqlite(pub(super) Connection);

impl Sqlite {
    /// Opens the file, or creates it.
    pub(super) fn open(path: &Path) -> Result<Self, SqlError> {
        let connection = Connection::open(path)?;
        connection.busy_timeout(BUSY_TIMEOUT)?;
        Ok(Self(connection))
    }

    /// Makes writes outlive the power cut that follows them.
    pub(super) fn durable(&self) -> Result<(), SqlError> {
        // Where two programs open a new file at once the later change of mode is refused there and then, whatever the
        // timeout: it is asked for again.
        let until = Instant::now() + BUSY_TIMEOUT;
        loop {
            match self.0.pragma_update(None, "journal_mode", "wal").map_err(SqlError::from) {
                Err(error) if error.kind == SqlKind::Locked && Instant::now() < until => std::thread::sleep(AGAIN),
                changed => break changed?,
            }
        }
        Ok(self.0.pragma_update(None, "synchronous", "full")?)
    }

    /// Number of migrations that the file has seen.
    pub(super) fn version(&self) -> Result<i64, SqlError> {
        Ok(self.0.pragma_query_value(None, "user_version", |row| row.get(0))?)
    }

    /// Notes the number of migrations.
    pub(super) fn set_version(&self, version: i64) -> Result<(), SqlError> {
        Ok(self.0.pragma_update(None, "user_version", version)?)
    }
}

impl Database for Sqlite {
    fn dialect(&self) -> Dialect {
        Dialect::Sqlite
    }

    fn execute(&self, sql: &str, values: &[Value]) -> Result<u64, SqlError> {
        let changed = self.0.prepare_cached(sql)?.execute(params_from_iter(values))?;
        Ok(changed as u64)
    }

    fn query(&self, sql: &str, values: &[Value]) -> Result<Vec<Row>, SqlError> {
        let mut statement = self.0.prepare_cached(sql)?;
        let columns = statement.column_count();
        let rows = statement.query_map(params_from_iter(values), |row| {
            (0..columns).map(|column| Ok(value_of(row.get_ref(column)?))).collect::<rusqlite::Result<Vec<_>>>()
        })?;
        rows.map(|row| Ok(Row::new(row?))).collect()
    }

    fn batch(&self, sql: &str) -> Result<(), SqlError> {
        Ok(self.0.execute_batch(sql)?)
    }
}

fn value_of(value: ValueRef<'_>) -> Value {
    match value {
        ValueRef::Null => Value::Null,
        ValueRef::Integer(number) => Value::Int(number),
        ValueRef::Real(number) => Value::Real(number),
        ValueRef::Text(text) | ValueRef::Blob(text) => Value::Text(String::from_utf8_lossy(text).into_owned()),
    }
}

impl rusqlite::ToSql for Value {
    fn to_sql(&self) -> rusqlite::Result<ToSqlOutput<'_>> {
        Ok(ToSqlOutput::Borrowed(match self {
            Self::Null => ValueRef::Null,
            Self::Int(number) => ValueRef::Integer(*number),
            Self::Real(number) => ValueRef::Real(*number),
            Self::Text(text) => ValueRef::Text(text.as_bytes()),
        }))
    }
}

impl From<rusqlite::Error> for SqlError {
    fn from(error: rusqlite::Error) -> Self {
        let kind = match error.sqlite_error_code() {
            Some(ErrorCode::DatabaseBusy | ErrorCode::DatabaseLocked) => SqlKind::Locked,
            Some(ErrorCode::DatabaseCorrupt | ErrorCode::NotADatabase) => SqlKind::Damaged,
            Some(
                ErrorCode::CannotOpen
                | ErrorCode::ReadOnly
                | ErrorCode::PermissionDenied
                | ErrorCode::DiskFull
                | ErrorCode::SystemIoFailure
                | ErrorCode::FileLockingProtocolFailed,
            ) => SqlKind::Io,
            _ => SqlKind::Other,
        };
        Self { kind, why: error.to_string() }
    }
}
