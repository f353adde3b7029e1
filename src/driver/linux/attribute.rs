//! Attributes of the kernel that stay open to be read again, and those that are changed for a run and put back after it.

use std::fs::{File, OpenOptions};
use std::io::Write as _;
use std::os::unix::fs::FileExt as _;
use std::path::{Path, PathBuf};

use crate::driver::DriverError;
use crate::driver::board::sampler::Gauge;
use crate::driver::board::sysfs::{failed, parsed, read};

/// Writes an attribute.
pub(super) fn write(path: &Path, value: &str) -> Result<(), DriverError> {
    // No truncation and no creation: an attribute is there or it is not.
    let written = OpenOptions::new().write(true).open(path).and_then(|mut file| file.write_all(value.as_bytes()));
    written.map_err(|error| {
        let DriverError::Open { what, why } = failed(path, &error) else { return failed(path, &error) };
        DriverError::Open { what, why: format!("`{value}` was not taken: {why}") }
    })
}

/// A reading that stays open and is read again and again.
#[derive(Debug)]
pub(super) struct Reading {
    file: File,
    path: PathBuf,
    /// From the attribute's number to volts, amperes or degrees Celsius.
    scale: f64,
    offset: f64,
}

impl Reading {
    /// Opens the attribute; a value is `(number + offset) * scale`, the order of the kernel's IIO ABI.
    pub(super) fn open(path: &Path, scale: f64, offset: f64) -> Result<Self, DriverError> {
        let file = File::open(path).map_err(|error| failed(path, &error))?;
        Ok(Self { file, path: path.to_owned(), scale, offset })
    }
}

impl Gauge for Reading {
    fn value(&mut self) -> Result<f64, DriverError> {
        let mut text = [0_u8; 48];
        let n = self.file.read_at(&mut text, 0).map_err(|error| failed(&self.path, &error))?;
        let text = std::str::from_utf8(&text[..n]).unwrap_or_default();
        let number: f64 = parsed(&self.path, text)?;
        Ok((number + self.offset) * self.scale)
    }
}

/// Attributes that were changed, with what they held before.
#[derive(Debug, Default)]
pub(super) struct Restore(Vec<(PathBuf, String)>);

impl Restore {
    /// Writes an attribute and remembers what it held.
    pub(super) fn change(&mut self, path: &Path, value: &str) -> Result<(), DriverError> {
        let before = read(path)?;
        if before == value {
            return Ok(());
        }
        write(path, value)?;
        self.0.push((path.to_owned(), before));
        Ok(())
    }
}

impl Drop for Restore {
    fn drop(&mut self) {
        for (path, before) in self.0.drain(..).rev() {
            // The device may be gone by now; then there is nothing to restore. An empty attribute takes a line end.
            let _ = write(&path, if before.is_empty() { "\n" } else { &before });
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_was_changed_is_put_back() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("length");
        std::fs::write(&path, "16").unwrap();
        {
            let mut restore = Restore::default();
            restore.change(&path, "64").unwrap();
            assert_eq!(read(&path).unwrap(), "64");
        }
        assert_eq!(read(&path).unwrap(), "16");
    }

    #[test]
    fn a_missing_attribute_is_not_created() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("enable");
        assert!(write(&path, "1").unwrap_err().to_string().contains("not there"));
        assert!(!path.exists());
    }
}
