//! Everything a shop has in one file, and back: records, documents, journals, pictures and the stores.
//!
//! A tar archive packed as an LZ4 frame, so that common tools open it. First comes `ABOUT`, then the stores as they
//! were at one moment, then all other files, at last `SUMS` with the SHA-256 of each: an archive without it was cut
//! off. A backup may be taken while units are being run: a file that grows is taken up to where it was.

use std::fs::{self, File};
use std::io::{self, BufReader, BufWriter, Read, Write};
use std::path::{Component, Path, PathBuf};

use lz4_flex::frame::{FrameDecoder, FrameEncoder, FrameInfo};
use serde::{Deserialize, Serialize};
use sha2::{Digest as _, Sha256};

use crate::ops::OpsError;
use crate::ops::provenance::PROGRAM;
use crate::record::seal::hex;
use crate::store::{self, Store};

/// First member of an archive: what it is.
const ABOUT: &str = "galebench-backup.json";
/// Last member: a line per file as `sha256sum` prints it.
const SUMS: &str = "SHA256SUMS";
/// Layout version of the archive.
const FORMAT: u32 = 1;

#[derive(Debug, Serialize, Deserialize)]
struct About {
    galebench_backup: u32,
    program: String,
}

/// What went into an archive, or came out.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize)]
pub struct Moved {
    /// Files.
    pub files: u64,
    /// Their bytes, unpacked.
    pub bytes: u64,
}

/// Packs everything under `out` into the new file `to`.
///
/// # Errors
/// A file `to` that exists, a folder `out` without anything in it, files that cannot be read or written. `to` is then not
/// there.
pub fn backup(out: &Path, to: &Path) -> Result<Moved, OpsError> {
    if to.exists() {
        return Err(argument(to, "is there already; name a new file, backups are never overwritten"));
    }
    if !out.is_dir() {
        return Err(argument(out, "is no folder with records; say with --out where they are"));
    }
    let part = beside(to, ".part");
    let done = pack(out, &part, to);
    if done.is_err() {
        // Half an archive would only be taken for a whole one.
        let _ = fs::remove_file(&part);
    }
    done
}

fn pack(out: &Path, part: &Path, to: &Path) -> Result<Moved, OpsError> {
    let write = |source| OpsError::Write { path: to.to_owned(), source };
    let file = File::create_new(part).map_err(write)?;
    let info = FrameInfo::new().content_checksum(true);
    let frame = FrameEncoder::with_frame_info(info, BufWriter::new(file));
    let mut pack = Pack { archive: tar::Builder::new(frame), to, sums: String::new(), moved: Moved::default() };
    let about =
        serde_json::to_vec(&About { galebench_backup: FORMAT, program: PROGRAM.to_owned() }).unwrap_or_default();
    pack.member(ABOUT, about.len() as u64, about.as_slice())?;
    pack.stores(out)?;
    let own = fs::canonicalize(part).map_err(write)?;
    pack.folder(out, Path::new(""), &own)?;
    if pack.moved.files == 0 {
        return Err(argument(out, "has nothing to back up"));
    }
    let (sums, moved) = (std::mem::take(&mut pack.sums), pack.moved);
    pack.member(SUMS, sums.len() as u64, sums.as_bytes())?;
    let frame = pack.archive.into_inner().map_err(write)?;
    let buffered = frame.finish().map_err(|error| write(io::Error::other(error)))?;
    let file = buffered.into_inner().map_err(|error| write(error.into_error()))?;
    file.sync_all().map_err(write)?;
    fs::rename(part, to).map_err(write)?;
    Ok(moved)
}

struct Pack<'a> {
    archive: tar::Builder<FrameEncoder<BufWriter<File>>>,
    to: &'a Path,
    sums: String,
    moved: Moved,
}

impl Pack<'_> {
    /// The stores, whole although others may be writing.
    fn stores(&mut self, out: &Path) -> Result<(), OpsError> {
        for is_virtual in [false, true] {
            let path = store::default_path(out, is_virtual);
            if !path.is_file() {
                continue;
            }
            let copy = beside(self.to, &format!(".{}", name_of(&path)));
            let _ = fs::remove_file(&copy);
            let taken = Store::open(out, is_virtual)
                .and_then(|store| store.copy_to(&copy))
                .map_err(OpsError::from)
                .and_then(|()| self.file(&copy, &name_of(&path)));
            let _ = fs::remove_file(&copy);
            taken?;
        }
        Ok(())
    }

    /// All files below `out/below`, in order of their names; links are left out, and so is the archive itself (`own`).
    fn folder(&mut self, out: &Path, below: &Path, own: &Path) -> Result<(), OpsError> {
        let dir = out.join(below);
        let read = |source| OpsError::Read { path: dir.clone(), source };
        let mut entries: Vec<fs::DirEntry> =
            fs::read_dir(&dir).map_err(read)?.collect::<Result<_, _>>().map_err(read)?;
        entries.sort_by_key(fs::DirEntry::file_name);
        for entry in entries {
            let (kind, name) = (entry.file_type().map_err(read)?, entry.file_name());
            let path = below.join(&name);
            let text = path.to_str().ok_or_else(|| argument(&path, "has a name that is not UTF-8 text; rename it"))?;
            if kind.is_dir() {
                self.folder(out, &path, own)?;
            } else if kind.is_file() && !is_of_a_store(below, &name.to_string_lossy()) {
                // What is being written at the moment is no file yet.
                let is_own = fs::canonicalize(entry.path()).is_ok_and(|whole| whole == own);
                if !is_own && !text.ends_with(".part") {
                    self.file(&entry.path(), &text.replace(std::path::MAIN_SEPARATOR, "/"))?;
                }
            }
        }
        Ok(())
    }

    fn file(&mut self, path: &Path, name: &str) -> Result<(), OpsError> {
        let read = |source| OpsError::Read { path: path.to_owned(), source };
        let file = File::open(path).map_err(read)?;
        let length = file.metadata().map_err(read)?.len();
        self.moved.files += 1;
        self.moved.bytes += length;
        let sum = self.member(name, length, BufReader::new(file.take(length)))?;
        self.sums += &format!("{sum}  {name}\n");
        Ok(())
    }

    /// A member of the archive; returns the SHA-256 of what it holds.
    fn member(&mut self, name: &str, length: u64, content: impl Read) -> Result<String, OpsError> {
        let mut header = tar::Header::new_gnu();
        header.set_size(length);
        header.set_mode(0o644);
        let mut hashed = Hashing { inner: content, hash: Sha256::new(), bytes: 0 };
        self.archive
            .append_data(&mut header, name, &mut hashed)
            .map_err(|source| OpsError::Write { path: self.to.to_owned(), source })?;
        if hashed.bytes != length {
            let source = io::Error::other(format!("{name} became shorter while it was read; try again"));
            return Err(OpsError::Read { path: PathBuf::from(name), source });
        }
        Ok(hex(&hashed.hash.finalize()))
    }
}

/// Hashes what is read through it.
struct Hashing<R> {
    inner: R,
    hash: Sha256,
    bytes: u64,
}

impl<R: Read> Read for Hashing<R> {
    fn read(&mut self, to: &mut [u8]) -> io::Result<usize> {
        let count = self.inner.read(to)?;
        self.hash.update(&to[..count]);
        self.bytes += count as u64;
        Ok(count)
    }
}

/// Unpacks the archive `from` into the folder `out`, which must not exist or be empty. Everything is checked before it is
/// put in its place.
///
/// # Errors
/// A folder with anything in it; a file that is no archive, was cut off or is damaged; files that cannot be written. `out`
/// is then as it was.
pub fn restore(from: &Path, out: &Path) -> Result<Moved, OpsError> {
    let taken = fs::read_dir(out).is_ok_and(|mut entries| entries.next().is_some());
    if taken || out.is_file() {
        return Err(argument(out, "is not empty; a restore overwrites nothing, name a new folder with --out"));
    }
    let part = beside(out, ".restoring");
    let write = |source| OpsError::Write { path: part.clone(), source };
    if part.exists() {
        return Err(argument(&part, "is left from a restore that was broken off; remove it and try again"));
    }
    fs::create_dir_all(&part).map_err(write)?;
    let done = unpack(from, &part).and_then(|moved| {
        // An empty folder gives way; one that was filled meanwhile does not.
        if out.exists() {
            fs::remove_dir(out).map_err(write)?;
        }
        fs::rename(&part, out).map_err(write)?;
        Ok(moved)
    });
    if done.is_err() {
        let _ = fs::remove_dir_all(&part);
    }
    done
}

fn unpack(from: &Path, part: &Path) -> Result<Moved, OpsError> {
    let file = File::open(from).map_err(|source| OpsError::Read { path: from.to_owned(), source })?;
    let damaged = |error: &dyn std::fmt::Display| {
        argument(from, &format!("is cut off or damaged ({error}); nothing was restored, take another backup"))
    };
    let mut archive = tar::Archive::new(FrameDecoder::new(BufReader::new(file)));
    let mut sums: Option<String> = None;
    let mut about = false;
    let (mut unpacked, mut moved) = (String::new(), Moved::default());
    for (index, member) in archive.entries().map_err(|error| damaged(&error))?.enumerate() {
        let mut member = member.map_err(|error| not_ours(index, from).unwrap_or_else(|| damaged(&error)))?;
        let name = member.path().map_err(|error| damaged(&error))?.to_string_lossy().into_owned();
        match (index, name.as_str()) {
            (0, ABOUT) => {
                check_version(from, &mut member)?;
                about = true;
            }
            (0, _) => return Err(argument(from, NOT_OURS)),
            (_, SUMS) => {
                let mut text = String::new();
                member.read_to_string(&mut text).map_err(|error| damaged(&error))?;
                sums = Some(text);
            }
            _ => {
                let to = part.join(inside(&name).ok_or_else(|| damaged(&format!("member {name} leads elsewhere")))?);
                let (sum, bytes) = put(&mut member, &to, &damaged)?;
                unpacked += &format!("{sum}  {name}\n");
                moved.files += 1;
                moved.bytes += bytes;
            }
        }
    }
    // The frame's own end and check sum.
    let mut frame = archive.into_inner();
    io::copy(&mut frame, &mut io::sink()).map_err(|error| damaged(&error))?;
    match sums {
        None if !about => Err(argument(from, NOT_OURS)),
        None => Err(damaged(&format!("its last member, {SUMS}, is missing"))),
        Some(sums) if sums != unpacked => {
            let differs = sums.lines().zip(unpacked.lines()).find(|(due, now)| due != now);
            let name = differs.and_then(|(due, _)| due.split_once("  ")).map_or("a file", |(_, name)| name);
            Err(damaged(&format!("{name} is not what was packed")))
        }
        Some(_) => Ok(moved),
    }
}

const NOT_OURS: &str = "is no backup of galebench; `galebench backup` makes them";

/// A first member that cannot even be read: the file is something else.
fn not_ours(index: usize, from: &Path) -> Option<OpsError> {
    (index == 0).then(|| argument(from, NOT_OURS))
}

fn check_version(from: &Path, member: &mut impl Read) -> Result<(), OpsError> {
    let about: About = serde_json::from_reader(member).map_err(|_| argument(from, NOT_OURS))?;
    if about.galebench_backup > FORMAT {
        let why = format!(
            "has backup format {}, made by {}; this program reads up to {FORMAT}, use a newer galebench",
            about.galebench_backup, about.program
        );
        return Err(argument(from, &why));
    }
    Ok(())
}

/// Writes a member to `to`; its SHA-256 and size.
fn put(
    member: &mut impl Read,
    to: &Path,
    damaged: &dyn Fn(&dyn std::fmt::Display) -> OpsError,
) -> Result<(String, u64), OpsError> {
    let write = |source| OpsError::Write { path: to.to_owned(), source };
    if let Some(folder) = to.parent() {
        fs::create_dir_all(folder).map_err(write)?;
    }
    let mut file = File::create_new(to).map_err(write)?;
    let mut hash = Sha256::new();
    let mut buffer = vec![0; 1 << 16];
    let mut bytes = 0;
    loop {
        // Errors of the archive are told apart from those of the disk.
        let count = member.read(&mut buffer).map_err(|error| damaged(&error))?;
        if count == 0 {
            break;
        }
        hash.update(&buffer[..count]);
        file.write_all(&buffer[..count]).map_err(write)?;
        bytes += count as u64;
    }
    file.sync_all().map_err(write)?;
    Ok((hex(&hash.finalize()), bytes))
}

/// The path of a member, unless it would lead out of the folder.
fn inside(name: &str) -> Option<PathBuf> {
    let path = PathBuf::from(name);
    let plain = path.components().all(|part| matches!(part, Component::Normal(_)));
    (plain && path.components().next().is_some()).then_some(path)
}

/// Whether a file at the top is a store, or what a store keeps beside it while it is open.
fn is_of_a_store(below: &Path, name: &str) -> bool {
    below.as_os_str().is_empty()
        && (name == store::KEY_FILE
            || [false, true]
                .iter()
                .any(|is_virtual| name.starts_with(&name_of(&store::default_path(Path::new(""), *is_virtual)))))
}

fn name_of(path: &Path) -> String {
    path.file_name().map(|name| name.to_string_lossy().into_owned()).unwrap_or_default()
}

/// `path` with `tail` after its name.
fn beside(path: &Path, tail: &str) -> PathBuf {
    let mut name = path.as_os_str().to_owned();
    name.push(tail);
    PathBuf::from(name)
}

fn argument(path: &Path, why: &str) -> OpsError {
    OpsError::Argument { what: path.display().to_string(), why: why.to_owned() }
}
