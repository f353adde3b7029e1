//! What a bench says of its shop: `store.toml` beside the records.
//!
//! Without the file the index is a database file in the same folder alone.

use std::fs;
use std::io::ErrorKind;
use std::path::{Path, PathBuf};

use serde::{Deserialize, Serialize};

use super::error::StoreError;

/// Name of the file.
const FILE: &str = "store.toml";

/// Where index and records are kept beside the bench's own folder.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Settings {
    /// Name of this bench among those of the shop.
    #[serde(default)]
    pub bench: String,
    /// Server of the shared index: `postgres://user@host/database`.
    #[serde(default)]
    pub index: Option<String>,
    /// Where records go besides: a folder, or a bucket of an object store, `https://host/bucket/prefix`.
    #[serde(default)]
    pub records: Option<String>,
}

impl Settings {
    /// The file in `root`.
    #[must_use]
    pub fn path(root: &Path) -> PathBuf {
        root.join(FILE)
    }

    /// Reads what `root` says; nothing is said where there is no file.
    ///
    /// # Errors
    /// A file that cannot be read or understood, an address that this build cannot use.
    pub fn read(root: &Path) -> Result<Self, StoreError> {
        let path = Self::path(root);
        let wrong = |why: String| StoreError::Settings { path: path.clone(), why };
        let text = match fs::read_to_string(&path) {
            Ok(text) => text,
            Err(error) if matches!(error.kind(), ErrorKind::NotFound | ErrorKind::NotADirectory) => {
                return Ok(Self::default());
            }
            Err(error) => return Err(StoreError::Io { doing: "read", path, why: error.to_string() }),
        };
        let settings: Self = toml::from_str(&text).map_err(|error| wrong(error.to_string().trim_end().to_owned()))?;
        settings.check().map_err(wrong)?;
        Ok(settings)
    }

    /// Server and database of the index, without the password.
    #[must_use]
    pub fn index_place(&self) -> Option<String> {
        #[cfg(feature = "postgres")]
        return self.index.as_deref().map(|url| super::postgres::place(url).unwrap_or_default());
        #[cfg(not(feature = "postgres"))]
        return None;
    }

    /// Whether everything said can be used, else why not.
    pub(crate) fn check(&self) -> Result<(), String> {
        if let Some(records) = &self.records {
            super::records::check(records).map_err(|why| format!("`records`: {why}"))?;
        }
        if self.index.is_none() {
            return Ok(());
        }
        let legal = |c: char| c.is_ascii_alphanumeric() || matches!(c, '.' | '_' | '-');
        if self.bench.is_empty() || self.bench.len() > 60 || !self.bench.chars().all(legal) {
            return Err(format!("`bench = {:?}` must name this bench: letters, digits, `-`, `_`, `.`", self.bench));
        }
        if let Some(index) = &self.index {
            if !index.starts_with("postgres://") && !index.starts_with("postgresql://") {
                return Err("`index` must look like postgres://user@host/database".to_owned());
            }
            #[cfg(not(feature = "postgres"))]
            return Err("`index`: this build cannot speak to a server; use one with the feature `postgres`".to_owned());
            #[cfg(feature = "postgres")]
            super::postgres::place(index).map_err(|why| format!("`index`: {why}"))?;
        }
        Ok(())
    }

    /// The file's text.
    #[must_use]
    pub(crate) fn text(&self) -> String {
        let mut text = String::from("# Index and records of this bench's shop; written by `galebench store set`.\n");
        let pairs = [("bench", Some(&self.bench)), ("index", self.index.as_ref()), ("records", self.records.as_ref())];
        for (key, value) in pairs {
            if let Some(value) = value {
                // A string of JSON is one of TOML, too.
                text += &format!("{key} = {}\n", serde_json::Value::from(value.as_str()));
            }
        }
        text
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn said(text: &str) -> Result<Settings, StoreError> {
        let root = tempfile::tempdir().unwrap();
        fs::write(Settings::path(root.path()), text).unwrap();
        Settings::read(root.path())
    }

    #[test]
    fn without_a_file_nothing_is_shared() {
        assert_eq!(Settings::read(Path::new("nowhere")).unwrap(), Settings::default());
    }

    #[test]
    fn wrong_settings_say_what_is_wrong() {
        for (text, due) in [
            ("indx = 'x'", "unknown field `indx`"),
            ("bench = 'a'\nindex = 'mysql://x'", "must look like postgres://"),
            ("index = 'postgres://a@b/c'", "must name this bench"),
            ("records = 'shelf'", "`records`: must be the whole path"),
            ("records = 'ftp://host/shelf'", "must be a folder or look like https://"),
        ] {
            let error = said(text).unwrap_err().to_string();
            assert!(error.contains(due) && error.contains("store.toml"), "{text}: {error}");
        }
    }

    #[cfg(feature = "postgres")]
    #[test]
    fn what_is_written_is_read_back() {
        let settings = Settings {
            bench: "north-1".to_owned(),
            index: Some("postgres://bench:it's \"secret\"@server/workshop".to_owned()),
            records: Some("/mnt/shop \"north\"".to_owned()),
        };
        assert_eq!(said(&settings.text()).unwrap(), settings);
    }
}
