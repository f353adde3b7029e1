//! Attributes of the kernel: small text files, one value each. Errors name the file and say what to do.

use std::fs;
use std::io::ErrorKind;
use std::path::{Path, PathBuf};
use std::str::FromStr;

use crate::driver::DriverError;

/// Reads an attribute, without the line end.
pub(in crate::driver) fn read(path: &Path) -> Result<String, DriverError> {
    fs::read_to_string(path).map(|text| text.trim_end().to_owned()).map_err(|error| failed(path, &error))
}

/// Reads an attribute that holds a number.
pub(in crate::driver) fn number<T: FromStr>(path: &Path) -> Result<T, DriverError> {
    parsed(path, &read(path)?)
}

/// The attribute's number in text that was read already.
pub(in crate::driver) fn parsed<T: FromStr>(path: &Path, text: &str) -> Result<T, DriverError> {
    text.trim().parse().map_err(|_| DriverError::Answer {
        what: path.display().to_string(),
        why: format!("`{}` is no number of the kind that is due", text.trim().chars().take(40).collect::<String>()),
    })
}

/// What went wrong with a file of the kernel, and what to do.
pub(in crate::driver) fn failed(path: &Path, error: &std::io::Error) -> DriverError {
    let what = path.display().to_string();
    let why = match error.kind() {
        ErrorKind::NotFound => "it is not there; is the driver loaded and the overlay set?".to_owned(),
        ErrorKind::PermissionDenied => {
            "no permission; see docs/linux-board.md for the groups and rules that a user needs".to_owned()
        }
        ErrorKind::ResourceBusy => "another program uses it; end that program first".to_owned(),
        _ => error.to_string(),
    };
    match error.raw_os_error() {
        // The device went away under an open file.
        Some(code) if code == libc::ENODEV || code == libc::ENXIO => {
            DriverError::Gone { what, why: "the device was unplugged or its driver unbound".to_owned() }
        }
        _ => DriverError::Open { what, why },
    }
}

/// The devices in `class` whose name attribute or last path component is `name`; exactly one of them.
pub(in crate::driver) fn device(class: &Path, name: &str) -> Result<PathBuf, DriverError> {
    let open = |why: String| DriverError::Open { what: format!("device `{name}`"), why };
    let entries = fs::read_dir(class).map_err(|error| failed(class, &error))?;
    let mut known = Vec::new();
    let mut found = Vec::new();
    for entry in entries.flatten() {
        let path = entry.path();
        let own = fs::read_to_string(path.join("name")).map(|text| text.trim_end().to_owned()).unwrap_or_default();
        let place = place_of(&path);
        if own == name || place == name {
            found.push(path);
        } else if !own.is_empty() {
            known.push(format!("{own} ({place})"));
        }
    }
    known.sort();
    match found.as_slice() {
        [one] => Ok(one.clone()),
        [] if known.is_empty() => Err(open(format!("there is none in {}", class.display()))),
        [] => Err(open(format!("not among those in {}: {}", class.display(), known.join(", ")))),
        several => {
            let places: Vec<String> = several.iter().map(|path| place_of(path)).collect();
            Err(open(format!("several devices have that name; write one of {} instead", places.join(", "))))
        }
    }
}

/// Last part of the path of the hardware behind a class device, which stays the same from boot to boot.
pub(in crate::driver) fn place_of(path: &Path) -> String {
    let behind = fs::canonicalize(path.join("device")).or_else(|_| {
        // IIO devices have no `device` link: their parent is the hardware.
        fs::canonicalize(path).map(|real| real.parent().map(Path::to_owned).unwrap_or(real))
    });
    behind.ok().and_then(|path| path.file_name().map(|name| name.to_string_lossy().into_owned())).unwrap_or_default()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn devices_are_found_by_name_or_place_and_never_guessed() {
        let dir = tempfile::tempdir().unwrap();
        let class = dir.path().join("class");
        for (number, name, place) in [(0, "adc", "1-0048"), (1, "adc", "1-0049"), (2, "monitor", "1-0040")] {
            let hardware = dir.path().join("devices").join(place);
            let own = class.join(format!("hwmon{number}"));
            fs::create_dir_all(&hardware).unwrap();
            fs::create_dir_all(&own).unwrap();
            fs::write(own.join("name"), format!("{name}\n")).unwrap();
            std::os::unix::fs::symlink(&hardware, own.join("device")).unwrap();
        }
        assert!(device(&class, "monitor").unwrap().ends_with("hwmon2"));
        assert!(device(&class, "1-0049").unwrap().ends_with("hwmon1"));
        let several = device(&class, "adc").unwrap_err().to_string();
        assert!(several.contains("several") && several.contains("1-0048"), "{several}");
        let none = device(&class, "ina226").unwrap_err().to_string();
        assert!(none.contains("monitor (1-0040)"), "{none}");
    }
}
