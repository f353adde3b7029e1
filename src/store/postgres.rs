//! A database on a server: PostgreSQL.
//!
//! Every call ends in bounded time when the server or the cable to it goes: connecting has a time limit, the kernel gives up
//! on data that nobody confirms, and the server gives up on a statement that takes too long.

use std::cell::RefCell;
use std::collections::HashMap;
use std::fmt;
use std::str::FromStr as _;
use std::time::Duration;

use postgres::types::private::BytesMut;
use postgres::types::{IsNull, ToSql, Type, to_sql_checked};
use postgres::{Client, Config, NoTls, Statement};

use super::sql::{Database, Dialect, Row, SqlError, SqlKind, Value};

/// Time allowed for a connection to come about.
const CONNECT: Duration = Duration::from_secs(3);
/// Time until data that nobody confirms counts as lost.
const UNCONFIRMED: Duration = Duration::from_secs(5);

/// An open connection.
pub(super) struct Postgres {
    client: RefCell<Client>,
    prepared: RefCell<HashMap<String, Statement>>,
}

/// What a URL says, without its password.
pub(super) fn place(url: &str) -> Result<String, String> {
    let config = Config::from_str(url).map_err(|error| words(&error))?;
    let host = config.get_hosts().first().map_or_else(
        || "?".to_owned(),
        |host| match host {
            postgres::config::Host::Tcp(name) => name.clone(),
            #[cfg(unix)]
            postgres::config::Host::Unix(path) => path.display().to_string(),
        },
    );
    Ok(format!("{host}/{}", config.get_dbname().or(config.get_user()).unwrap_or_default()))
}

impl Postgres {
    /// Connects; tables are looked for and made in `schema` alone.
    pub(super) fn connect(url: &str, schema: &str) -> Result<Self, SqlError> {
        let mut config = Config::from_str(url)?;
        if config.get_password().is_none()
            && let Ok(password) = std::env::var("PGPASSWORD")
        {
            config.password(password);
        }
        config.connect_timeout(CONNECT).tcp_user_timeout(UNCONFIRMED).application_name("galebench");
        config.keepalives_idle(UNCONFIRMED).keepalives_interval(Duration::from_secs(2)).keepalives_retries(2);
        let mut client = config.connect(NoTls)?;
        // The schema's name is one of ours, not the user's.
        client.batch_execute(&format!(
            "SET search_path TO {schema}; SET client_min_messages TO warning; SET statement_timeout TO '60s'"
        ))?;
        Ok(Self { client: RefCell::new(client), prepared: RefCell::default() })
    }

    fn prepared(&self, sql: &str) -> Result<Statement, SqlError> {
        if let Some(statement) = self.prepared.borrow().get(sql) {
            return Ok(statement.clone());
        }
        // `?` marks values and nothing else in our statements.
        let statement = self.client.borrow_mut().prepare(&sql.replace('?', "$"))?;
        self.prepared.borrow_mut().insert(sql.to_owned(), statement.clone());
        Ok(statement)
    }
}

fn given(values: &[Value]) -> Vec<&(dyn ToSql + Sync)> {
    values.iter().map(|value| value as &(dyn ToSql + Sync)).collect()
}

impl Database for Postgres {
    fn dialect(&self) -> Dialect {
        Dialect::Postgres
    }

    fn execute(&self, sql: &str, values: &[Value]) -> Result<u64, SqlError> {
        let statement = self.prepared(sql)?;
        Ok(self.client.borrow_mut().execute(&statement, &given(values))?)
    }

    fn query(&self, sql: &str, values: &[Value]) -> Result<Vec<Row>, SqlError> {
        let statement = self.prepared(sql)?;
        let rows = self.client.borrow_mut().query(&statement, &given(values))?;
        rows.iter().map(row_of).collect()
    }

    fn batch(&self, sql: &str) -> Result<(), SqlError> {
        Ok(self.client.borrow_mut().batch_execute(sql)?)
    }
}

fn row_of(row: &postgres::Row) -> Result<Row, SqlError> {
    let value = |(index, column): (usize, &postgres::Column)| -> Result<Value, SqlError> {
        Ok(match *column.type_() {
            Type::INT8 => row.try_get::<_, Option<i64>>(index)?.into(),
            Type::INT4 => row.try_get::<_, Option<i32>>(index)?.map(i64::from).into(),
            Type::FLOAT8 => row.try_get::<_, Option<f64>>(index)?.into(),
            _ => row.try_get::<_, Option<String>>(index)?.into(),
        })
    };
    Ok(Row::new(row.columns().iter().enumerate().map(value).collect::<Result<_, _>>()?))
}

impl ToSql for Value {
    fn to_sql(&self, ty: &Type, out: &mut BytesMut) -> Result<IsNull, Box<dyn std::error::Error + Sync + Send>> {
        match (self, ty) {
            (Self::Null, _) => Ok(IsNull::Yes),
            (Self::Int(number), &Type::INT4) => i32::try_from(*number)?.to_sql(ty, out),
            (Self::Int(number), &Type::INT8) => number.to_sql(ty, out),
            (Self::Real(number), &Type::FLOAT8) => number.to_sql(ty, out),
            // The server's text cannot hold the character 0, which SQLite's can.
            (Self::Text(text), _) => text.replace('\0', "\u{fffd}").to_sql(ty, out),
            (value, ty) => Err(format!("{value:?} is given where the server wants {ty}").into()),
        }
    }

    fn accepts(ty: &Type) -> bool {
        matches!(*ty, Type::INT4 | Type::INT8 | Type::FLOAT8 | Type::TEXT | Type::VARCHAR)
    }

    to_sql_checked!();
}

impl From<postgres::Error> for SqlError {
    fn from(error: postgres::Error) -> Self {
        let kind = match error.code() {
            // Class 08: connection; 57P: the server is stopped or starts; 53: it is full.
            Some(code) if code.code().starts_with("08") || code.code().starts_with("57P") => SqlKind::Away,
            Some(code) if code.code().starts_with("53") => SqlKind::Away,
            Some(code) if matches!(code.code(), "55P03" | "40P01" | "40001") => SqlKind::Locked,
            Some(_) => SqlKind::Other,
            None if error.is_closed() || is_of_the_wire(&error) => SqlKind::Away,
            None => SqlKind::Other,
        };
        Self { kind, why: words(&error) }
    }
}

/// Whether nothing of the server is behind an error, but the way to it.
fn is_of_the_wire(error: &postgres::Error) -> bool {
    let source = std::error::Error::source(error);
    source.is_some_and(|source| source.is::<std::io::Error>())
        || ["error connecting", "timeout"].iter().any(|begin| error.to_string().starts_with(begin))
}

/// An error with its causes on one line.
fn words(error: &dyn std::error::Error) -> String {
    let mut text = error.to_string();
    let mut cause = error.source();
    while let Some(inner) = cause {
        text = format!("{text}: {inner}");
        cause = inner.source();
    }
    text
}

impl fmt::Debug for Postgres {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("Postgres")
    }
}
