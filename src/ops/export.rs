//! The history of a fleet as one Parquet file.

use std::fs::File;
use std::path::{Path, PathBuf};

use parquet::arrow::ArrowWriter;
use parquet::basic::Compression;
use parquet::file::properties::WriterProperties;

use crate::ops::OpsError;
use crate::ops::labels::document;
use crate::record::RESULTS_FILE;
use crate::report::columns::Columns;
use crate::store::Store;

/// Rows of a group, the unit in which query engines read.
const GROUP_ROWS: usize = 50_000;

/// What went into the file.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Exported {
    /// Runs.
    pub runs: u64,
    /// Rows: one for each result of each run.
    pub rows: u64,
}

/// Writes the results of all runs, real ones or those of the virtual bench, to `file`, or of one `batch`. Never holds more
/// than one group of rows. The file is there whole or not at all.
///
/// # Errors
/// A store that cannot be read, results that cannot be understood, a file that cannot be written.
pub fn parquet(root: &Path, is_virtual: bool, batch: Option<&str>, file: &Path) -> Result<Exported, OpsError> {
    const RUNS_AT_A_TIME: u32 = 500;
    let mut part = file.as_os_str().to_owned();
    part.push(".part");
    let part = PathBuf::from(part);
    let failed = |source: std::io::Error| OpsError::Write { path: file.to_owned(), source };
    let refused = |error: parquet::errors::ParquetError| failed(std::io::Error::other(error));
    let properties = WriterProperties::builder().set_compression(Compression::SNAPPY).build();
    let store = Store::open(root, is_virtual)?;
    let mut columns = Columns::default();
    let batch_of = |columns: &Columns| columns.batch().map_err(|error| failed(std::io::Error::other(error)));
    let out = File::create(&part).map_err(failed)?;
    let mut writer = ArrowWriter::try_new(out, batch_of(&columns)?.schema(), Some(properties)).map_err(refused)?;
    let mut exported = Exported::default();
    let mut after = 0;
    loop {
        let rows = store.walk(batch, after, RUNS_AT_A_TIME)?;
        let Some((last, _)) = rows.last() else { break };
        after = *last;
        for (_, row) in rows {
            store.bring(&row)?;
            let results = row.dir.join(RESULTS_FILE).exists().then(|| document(&row.dir)).transpose()?;
            columns.push(row, is_virtual, results);
            exported.runs += 1;
            if columns.rows() >= GROUP_ROWS {
                exported.rows += columns.rows() as u64;
                writer.write(&batch_of(&std::mem::take(&mut columns))?).map_err(refused)?;
                writer.flush().map_err(refused)?;
            }
        }
    }
    exported.rows += columns.rows() as u64;
    writer.write(&batch_of(&columns)?).map_err(refused)?;
    let out = writer.into_inner().map_err(refused)?;
    out.sync_all().map_err(failed)?;
    std::fs::rename(&part, file).map_err(failed)?;
    Ok(exported)
}
