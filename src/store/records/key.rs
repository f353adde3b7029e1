//! Keys of an object store: from the environment, or from a file that nobody else may read. They are never shown.

use std::fs;
use std::io::ErrorKind;
use std::path::Path;

use rusty_s3::Credentials;
use serde::Deserialize;

use super::KEY_FILE;
use crate::store::StoreError;

/// Region of a store that has none of its own.
const NO_REGION: &str = "us-east-1";

/// What signs the requests to a store.
pub(super) struct Key {
    pub(super) credentials: Credentials,
    pub(super) region: String,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct File {
    key_id: String,
    secret: String,
    token: Option<String>,
    region: Option<String>,
}

impl Key {
    /// The keys that the environment or the folder of the bench holds.
    pub(super) fn find(root: &Path) -> Result<Self, StoreError> {
        let variable = |name: &str| std::env::var(name).ok().filter(|value| !value.trim().is_empty());
        let region = || variable("AWS_REGION").or_else(|| variable("AWS_DEFAULT_REGION"));
        let of_environment = Credentials::from_env();
        let (credentials, own_region) = match of_environment {
            Some(credentials) => (credentials, None),
            None => {
                let file = read(root)?;
                let credentials = match file.token {
                    Some(token) => Credentials::new_with_token(file.key_id, file.secret, token),
                    None => Credentials::new(file.key_id, file.secret),
                };
                (credentials, file.region)
            }
        };
        Ok(Self { credentials, region: own_region.or_else(region).unwrap_or_else(|| NO_REGION.to_owned()) })
    }
}

fn read(root: &Path) -> Result<File, StoreError> {
    let path = root.join(KEY_FILE);
    let wrong = |why: String| StoreError::Settings { path: path.clone(), why };
    let text = fs::read_to_string(&path).map_err(|error| match error.kind() {
        ErrorKind::NotFound | ErrorKind::NotADirectory => wrong(
            "is not there; write `key_id = \"...\"` and `secret = \"...\"` into it, for your eyes alone (chmod 600), or \
             set AWS_ACCESS_KEY_ID and AWS_SECRET_ACCESS_KEY"
                .to_owned(),
        ),
        _ => wrong(format!("cannot be read: {error}")),
    })?;
    #[cfg(unix)]
    {
        use std::os::unix::fs::PermissionsExt as _;
        let mode = fs::metadata(&path).map_err(|error| wrong(error.to_string()))?.permissions().mode();
        if mode & 0o077 != 0 {
            return Err(wrong(format!("may be read by others (mode {:03o}); say `chmod 600` first", mode & 0o777)));
        }
    }
    // The parser's own words would show the line, and with it the secret.
    toml::from_str(&text).map_err(|error| {
        let line = error.span().map_or(1, |span| 1 + text[..span.start.min(text.len())].matches('\n').count());
        wrong(format!("line {line} is not understood; it may hold `key_id`, `secret`, `token` and `region`"))
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[cfg(unix)]
    #[test]
    fn a_file_that_others_may_read_is_refused_and_no_message_shows_the_secret() {
        use std::os::unix::fs::PermissionsExt as _;
        let root = tempfile::tempdir().unwrap();
        let path = root.path().join(KEY_FILE);
        let said = |text: &str, mode: u32| {
            fs::write(&path, text).unwrap();
            fs::set_permissions(&path, fs::Permissions::from_mode(mode)).unwrap();
            read(root.path()).map(|file| file.key_id).map_err(|error| error.to_string())
        };
        let good = "key_id = \"bench\"\nsecret = \"hush-hush\"\n";
        assert_eq!(said(good, 0o600).unwrap(), "bench");
        for (text, mode, due) in [
            (good, 0o640, "chmod 600"),
            ("key_id = \"bench\"\nsecret = hush-hush\n", 0o600, "line 2 is not understood"),
            ("key_id = \"bench\"\nsecret = \"hush-hush\"\nhost = 3\n", 0o600, "line 3 is not understood"),
        ] {
            let error = said(text, mode).unwrap_err();
            assert!(error.contains(due) && !error.contains("hush"), "{error}");
        }
    }

    #[test]
    fn without_keys_it_is_said_where_they_go() {
        let error = read(Path::new("nowhere")).map(|_| ()).unwrap_err().to_string();
        assert!(error.contains("store-key.toml") && error.contains("chmod 600"), "{error}");
    }
}
