//! Finds the whole messages of an Arrow IPC stream, and where a torn one begins.
//!
//! The stream reader of the library cannot tell a stream that was cut off from one that is damaged; the frame around
//! each message can. Layout: `FF FF FF FF`, length of the metadata (little endian), metadata, body; a length of 0 ends
//! the stream (Apache Arrow columnar format, "Encapsulated message format" and "IPC streaming format").

use arrow_ipc::{Message, root_as_message};

const CONTINUATION: [u8; 4] = [0xff; 4];
/// The end of a stream: a message of no length.
const END: [u8; 8] = [0xff, 0xff, 0xff, 0xff, 0, 0, 0, 0];
/// Parts of a message and the buffers in it begin at multiples of so many bytes; the library does not survive others.
const ALIGNED: usize = 8;
/// LZ4 cannot pack a byte string more than this tight; a larger claim is damage, and would be allocated before it is
/// found out.
const TIGHTEST: u64 = 255;

/// What a scan found.
#[derive(Debug, Default, PartialEq, Eq)]
pub(super) struct Frame {
    /// Offsets of the whole messages.
    pub messages: Vec<usize>,
    /// Just after the last whole message.
    pub end: usize,
    /// Whether the end mark is there.
    pub ended: bool,
    /// What follows the last whole message, if it is not a whole message or the end mark.
    pub torn: Option<String>,
}

/// Goes through the frames of `bytes`.
///
/// # Errors
/// Offset and reason when a message is damaged that was not merely cut off.
pub(super) fn scan(bytes: &[u8]) -> Result<Frame, (usize, String)> {
    let mut frame = Frame::default();
    loop {
        let rest = &bytes[frame.end..];
        if rest.is_empty() {
            return Ok(frame);
        }
        // A cut of power may leave a file longer than what reached it: the rest reads as zeros.
        if is_empty(rest) {
            frame.torn = Some(format!("the last {} bytes are empty", rest.len()));
            return Ok(frame);
        }
        // So may one cut in the middle of the mark before a message; the end of the stream is a mark, four zeros and no more.
        let content = rest.len() - rest.iter().rev().take_while(|byte| **byte == 0).count();
        if CONTINUATION.starts_with(&rest[..content.min(5)]) && rest != END {
            frame.torn = Some(format!("the last batch breaks off after {content} bytes"));
            return Ok(frame);
        }
        match step(rest).map_err(|why| (frame.end, why))? {
            Step::Whole { length, sound } => match sound {
                Ok(()) => {
                    frame.messages.push(frame.end);
                    frame.end += length;
                }
                Err(why) if is_empty(&rest[length..]) => {
                    frame.torn = Some(format!("the last batch is incomplete ({why})"));
                    return Ok(frame);
                }
                Err(why) => return Err((frame.end, why)),
            },
            Step::End if rest.len() == 8 => {
                frame.ended = true;
                return Ok(frame);
            }
            Step::End => return Err((frame.end, format!("{} bytes after the end mark", rest.len() - 8))),
            Step::CutOff => {
                frame.torn = Some(format!("the last batch breaks off after {} bytes", rest.len()));
                return Ok(frame);
            }
        }
    }
}

/// Whether nothing but zeros is there.
fn is_empty(bytes: &[u8]) -> bool {
    bytes.iter().all(|b| *b == 0)
}

enum Step {
    Whole { length: usize, sound: Result<(), String> },
    End,
    CutOff,
}

fn step(rest: &[u8]) -> Result<Step, String> {
    let Some((prefix, after)) = rest.split_at_checked(8) else {
        return if CONTINUATION.starts_with(&rest[..rest.len().min(4)]) {
            Ok(Step::CutOff)
        } else {
            Err("no message begins here".to_owned())
        };
    };
    let (mark, length) = prefix.split_at(4);
    if mark != CONTINUATION {
        return Err("no message begins here".to_owned());
    }
    let length = length.iter().rev().fold(0_usize, |sum, byte| (sum << 8) | usize::from(*byte));
    if length == 0 {
        return Ok(Step::End);
    }
    let Some((metadata, body)) = after.split_at_checked(length) else { return Ok(Step::CutOff) };
    // What a torn tail holds beyond the part that reached the disk reads as zeros, which is no message either.
    let message = match root_as_message(metadata) {
        Ok(message) => message,
        Err(_) if is_empty(body) => return Ok(Step::CutOff),
        Err(error) => return Err(format!("its description cannot be read ({error})")),
    };
    let body_length = usize::try_from(message.bodyLength()).map_err(|_| "a negative length".to_owned())?;
    if length % ALIGNED != 0 || body_length % ALIGNED != 0 {
        return Err(format!("a part of it is no multiple of {ALIGNED} bytes"));
    }
    match body.get(..body_length) {
        None => Ok(Step::CutOff),
        Some(body) => Ok(Step::Whole { length: 8 + length + body_length, sound: check_lengths(message, body) }),
    }
}

/// Refuses compressed buffers that claim more than they can hold.
fn check_lengths(message: Message<'_>, body: &[u8]) -> Result<(), String> {
    let Some(batch) = message.header_as_record_batch() else { return Ok(()) };
    let aligned = |offset: i64| usize::try_from(offset).is_ok_and(|offset| offset % ALIGNED == 0);
    if !batch.buffers().into_iter().flatten().all(|buffer| aligned(buffer.offset())) {
        return Err("a buffer lies askew in its message".to_owned());
    }
    if batch.compression().is_none() {
        return Ok(());
    }
    for buffer in batch.buffers().into_iter().flatten() {
        let place = usize::try_from(buffer.offset()).ok().zip(usize::try_from(buffer.length()).ok());
        let packed = place
            .and_then(|(offset, length)| body.get(offset..)?.get(..length))
            .ok_or_else(|| "a buffer lies outside its message".to_owned())?;
        let Some((claim, content)) = packed.split_first_chunk::<8>() else { continue };
        let claim = i64::from_le_bytes(*claim);
        let most = (content.len() as u64).saturating_mul(TIGHTEST);
        if claim != -1 && u64::try_from(claim).is_ok_and(|claim| claim > most) {
            return Err(format!("a buffer of {} bytes claims to hold {claim}", content.len()));
        }
    }
    Ok(())
}
