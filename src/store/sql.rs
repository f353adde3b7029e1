//! One way to talk SQL to either kind of database: values, rows, errors, and the few words in which the kinds differ.
//!
//! Statements are written once, with `?1`, `?2` ... for values. What SQLite and PostgreSQL understand alike needs nothing
//! more; the rest goes through [`Dialect`].

use std::fmt;

/// What a statement is given, or a column holds.
#[derive(Clone, Debug, PartialEq)]
pub(super) enum Value {
    Null,
    Int(i64),
    Real(f64),
    Text(String),
}

impl From<&str> for Value {
    fn from(text: &str) -> Self {
        Self::Text(text.to_owned())
    }
}

impl From<String> for Value {
    fn from(text: String) -> Self {
        Self::Text(text)
    }
}

impl From<i64> for Value {
    fn from(number: i64) -> Self {
        Self::Int(number)
    }
}

impl From<u32> for Value {
    fn from(number: u32) -> Self {
        Self::Int(number.into())
    }
}

impl From<f64> for Value {
    fn from(number: f64) -> Self {
        Self::Real(number)
    }
}

impl<T: Into<Value>> From<Option<T>> for Value {
    fn from(value: Option<T>) -> Self {
        value.map_or(Self::Null, Into::into)
    }
}

impl From<&Option<String>> for Value {
    fn from(text: &Option<String>) -> Self {
        text.as_deref().into()
    }
}

/// A column's value as a type of Rust.
pub(super) trait FromValue: Sized {
    fn from_value(value: Value) -> Option<Self>;
}

impl FromValue for String {
    fn from_value(value: Value) -> Option<Self> {
        match value {
            Value::Text(text) => Some(text),
            _ => None,
        }
    }
}

impl FromValue for i64 {
    fn from_value(value: Value) -> Option<Self> {
        match value {
            Value::Int(number) => Some(number),
            _ => None,
        }
    }
}

impl FromValue for u32 {
    fn from_value(value: Value) -> Option<Self> {
        i64::from_value(value).and_then(|number| Self::try_from(number).ok())
    }
}

impl FromValue for f64 {
    fn from_value(value: Value) -> Option<Self> {
        match value {
            Value::Real(number) => Some(number),
            // Exact up to 2^53, and only whole numbers come as integers.
            #[expect(clippy::cast_precision_loss, reason = "said above")]
            Value::Int(number) => Some(number as f64),
            _ => None,
        }
    }
}

impl<T: FromValue> FromValue for Option<T> {
    fn from_value(value: Value) -> Option<Self> {
        match value {
            Value::Null => Some(None),
            value => T::from_value(value).map(Some),
        }
    }
}

/// A row, its columns taken from the left.
#[derive(Debug)]
pub(super) struct Row(std::vec::IntoIter<Value>);

impl Row {
    pub(super) fn new(values: Vec<Value>) -> Self {
        Self(values.into_iter())
    }

    /// The next column.
    pub(super) fn take<T: FromValue>(&mut self) -> Result<T, SqlError> {
        let value = self.0.next().ok_or_else(|| SqlError::other("a row has too few columns"))?;
        let found = format!("{value:?}");
        T::from_value(value)
            .ok_or_else(|| SqlError::other(format!("a column holds {found}, which is of the wrong kind")))
    }
}

/// A piece of a statement with the values of its marks, each a plain `?`.
#[derive(Clone, Debug, Default, PartialEq)]
pub(super) struct Part {
    pub(super) sql: String,
    pub(super) values: Vec<Value>,
}

impl From<&str> for Part {
    fn from(sql: &str) -> Self {
        Self { sql: sql.to_owned(), values: Vec::new() }
    }
}

impl Part {
    pub(super) fn with(sql: impl Into<String>, values: impl IntoIterator<Item = Value>) -> Self {
        Self { sql: sql.into(), values: values.into_iter().collect() }
    }

    /// Adds another behind it.
    pub(super) fn and_then(mut self, other: &Self) -> Self {
        self.sql += &other.sql;
        self.values.extend(other.values.iter().cloned());
        self
    }

    /// All conditions together.
    pub(super) fn all_of<'a>(parts: impl IntoIterator<Item = &'a Self>) -> Self {
        Self::joined(parts, " AND ").unwrap_or_else(|| Self::from("TRUE"))
    }

    /// Parts with a word between each two; `None` without any.
    pub(super) fn joined<'a>(parts: impl IntoIterator<Item = &'a Self>, between: &str) -> Option<Self> {
        let mut parts = parts.into_iter();
        let first = parts.next()?.clone();
        Some(parts.fold(first, |all, part| all.and_then(&Self::from(between)).and_then(part)))
    }

    /// The statement with its marks numbered, as databases take it.
    pub(super) fn numbered(&self) -> String {
        let mut pieces = self.sql.split('?');
        let mut sql = pieces.next().unwrap_or_default().to_owned();
        for (at, piece) in pieces.enumerate() {
            sql += &format!("?{}{piece}", at + 1);
        }
        sql
    }
}

/// What can be done about a failed statement.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum SqlKind {
    /// Another program keeps the database busy.
    Locked,
    /// It is damaged, or no database.
    Damaged,
    /// The disk refuses.
    Io,
    /// The server cannot be reached, or went away.
    #[cfg_attr(not(feature = "postgres"), expect(dead_code, reason = "a build that speaks to no server"))]
    Away,
    /// Anything else.
    Other,
}

/// A failed statement.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct SqlError {
    pub(super) kind: SqlKind,
    pub(super) why: String,
}

impl SqlError {
    pub(super) fn other(why: impl Into<String>) -> Self {
        Self { kind: SqlKind::Other, why: why.into() }
    }
}

/// Where the two kinds of database need different words.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Dialect {
    Sqlite,
    #[cfg(feature = "postgres")]
    Postgres,
}

impl Dialect {
    /// Begins a transaction that will write.
    pub(super) const fn begin(self) -> &'static str {
        match self {
            Self::Sqlite => "BEGIN IMMEDIATE",
            #[cfg(feature = "postgres")]
            Self::Postgres => "BEGIN",
        }
    }

    /// Compares text with a pattern whatever its letters' size.
    pub(super) const fn like(self) -> &'static str {
        match self {
            Self::Sqlite => "LIKE",
            #[cfg(feature = "postgres")]
            Self::Postgres => "ILIKE",
        }
    }

    /// Every name and value in the JSON object of numbers at a mark, as rows with `key` and `value`.
    pub(super) fn each_number(self, mark: &str) -> String {
        match self {
            Self::Sqlite => format!("json_each({mark})"),
            #[cfg(feature = "postgres")]
            Self::Postgres => format!("jsonb_each_text(CAST(CAST({mark} AS TEXT) AS JSONB))"),
        }
    }

    /// Numbers of the runs that may have `text` in a column of words, of which `check` is the condition, and whether all of
    /// them have; `None` where `text` is too short for an index of every three letters.
    #[cfg_attr(not(feature = "postgres"), expect(unused_variables, reason = "a build that speaks to no server"))]
    pub(super) fn candidates(self, column: &str, text: &str, check: &Part) -> (Option<Part>, bool) {
        // More letters hardly leave fewer runs.
        const MOST: usize = 40;
        let letters: Vec<char> = text.chars().collect();
        let threes = letters.windows(3).filter(|three| !three.iter().any(|letter| letter.is_control())).take(MOST);
        match self {
            Self::Sqlite => {
                let quoted = |three: &[char]| format!("\"{}\"", three.iter().collect::<String>().replace('"', "\"\""));
                let all: Vec<String> = threes.map(quoted).collect();
                let expression = format!("{column} : ({})", all.join(" AND "));
                let select = "SELECT rowid AS id FROM runs_found WHERE runs_found MATCH ?";
                ((!all.is_empty()).then(|| Part::with(select, [expression.into()])), false)
            }
            #[cfg(feature = "postgres")]
            Self::Postgres => {
                let select = Part::from("SELECT id FROM runs WHERE ").and_then(check);
                ((threes.count() > 0).then_some(select), true)
            }
        }
    }
}

/// An open database of either kind.
pub(super) trait Database: Send + fmt::Debug {
    fn dialect(&self) -> Dialect;

    /// Runs one statement and says how many rows it changed.
    fn execute(&self, sql: &str, values: &[Value]) -> Result<u64, SqlError>;

    /// All rows of a query.
    fn query(&self, sql: &str, values: &[Value]) -> Result<Vec<Row>, SqlError>;

    /// Runs statements without values, separated by `;`.
    fn batch(&self, sql: &str) -> Result<(), SqlError>;

    /// The first row of a query.
    fn first(&self, sql: &str, values: &[Value]) -> Result<Option<Row>, SqlError> {
        Ok(self.query(sql, values)?.into_iter().next())
    }
}
