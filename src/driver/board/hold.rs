//! Lines of the GPIO character device, found by name and taken for this program.
//!
//! A line that another program or the kernel uses is refused. When the process is killed the kernel releases the line,
//! and its level is then up to the chip and the pull on the board: a relay must be off with its line released (pull-down
//! at the transistor), and a monostable on the heartbeat line must hold it.

use std::path::PathBuf;

use gpiocdev::Request;
use gpiocdev::chip::Chip;
use gpiocdev::request::Builder;

use crate::config::address::Address;
use crate::driver::DriverError;

/// Name under which this program holds lines, as `gpioinfo` shows it.
pub(in crate::driver) const CONSUMER: &str = "galebench";

/// A line that was found and is free.
pub(in crate::driver) fn find(address: &Address) -> Result<(PathBuf, u32), DriverError> {
    let open = |why: String| DriverError::Open { what: address.to_string(), why };
    let Address::Gpio { chip: label, line } = address else {
        return Err(open("it is no line".to_owned()));
    };
    let mut found = Vec::new();
    let chips = gpiocdev::chip::chips().map_err(|error| open(format!("the GPIO chips cannot be listed: {error}")))?;
    for path in chips {
        // The line may be on another chip; that this one cannot be opened is told if it is not.
        let chip = match Chip::from_path(&path) {
            Ok(chip) => chip,
            Err(error) => {
                found.push(Err(format!("{} cannot be opened: {error}", path.display())));
                continue;
            }
        };
        let info = chip.info().map_err(|error| open(error.to_string()))?;
        if label.as_ref().is_some_and(|label| *label != info.label) {
            continue;
        }
        for offset in 0..info.num_lines {
            let line_info = chip.line_info(offset).map_err(|error| open(error.to_string()))?;
            let by_offset = label.is_some() && line.parse() == Ok(offset);
            if line_info.name == *line || by_offset {
                found.push(Ok((path.clone(), line_info)));
            }
        }
    }
    let lines: Vec<_> = found.iter().filter_map(|entry| entry.as_ref().ok()).collect();
    match lines.as_slice() {
        [(path, info)] if !info.used => Ok((path.clone(), info.offset)),
        [(_, info)] => {
            let by = if info.consumer.is_empty() { "the kernel" } else { info.consumer.as_str() };
            Err(open(format!("the line is in use by `{by}`: end that use, or name another line")))
        }
        [] => {
            let denied = found.iter().filter_map(|entry| entry.as_ref().err());
            let denied: String = denied.map(|why| format!(" ({why})")).collect();
            Err(open(format!("no chip has such a line; `gpioinfo` lists what there is{denied}")))
        }
        several => {
            Err(open(format!("{} lines have that name: write gpio:CHIP/OFFSET with the chip's label", several.len())))
        }
    }
}

/// Takes a free line for this program, as what `direction` makes of it.
pub(in crate::driver) fn take(
    address: &Address,
    active_low: bool,
    direction: impl FnOnce(&mut Builder) -> &mut Builder,
) -> Result<Request, DriverError> {
    let (chip, offset) = find(address)?;
    let mut builder = Request::builder();
    builder.on_chip(chip).with_consumer(CONSUMER).with_line(offset);
    if active_low {
        builder.as_active_low();
    }
    direction(&mut builder)
        .request()
        .map_err(|error| DriverError::Open { what: address.to_string(), why: error.to_string() })
}
