//! Layout of `samples.arrows`: an Arrow IPC stream with one row per block.
//!
//! Columns: `t0_s`, `duration_s`, `lost`, one list of samples per channel (null where the block does not carry the
//! channel), `tach_s` (null without a tach), `stop_pressed`, `check` (a check sum of the row, because a cut of power can
//! leave zeros where samples should be). Every channel has its column in every record, so that a
//! channel which first appears late needs no second file; an unused column costs a few bytes per batch.
//! Bodies are LZ4 compressed. Any tool that reads Arrow streams reads it.

use std::collections::HashMap;
use std::sync::Arc;

use arrow_array::builder::{BooleanBuilder, Float32Builder, Float64Builder, ListBuilder, UInt64Builder};
use arrow_array::cast::AsArray;
use arrow_array::types::{Float32Type, Float64Type, UInt64Type};
use arrow_array::{Array, ArrayRef, RecordBatch};
use arrow_ipc::writer::{IpcWriteOptions, StreamWriter};
use arrow_ipc::{CompressionType, MetadataVersion};
use arrow_schema::{ArrowError, DataType, Field, Schema, SchemaRef};

use crate::bench::{Block, Channel};
use crate::record::event::FORMAT;

/// Alignment of buffers in the file; the usual 64 bytes would double the size of small batches.
const ALIGNMENT: usize = 8;

fn item(data_type: DataType) -> Arc<Field> {
    Arc::new(Field::new("item", data_type, false))
}

fn list(name: &str, data_type: DataType, unit: &str) -> Field {
    Field::new(name, DataType::List(item(data_type)), true)
        .with_metadata(HashMap::from([("unit".to_owned(), unit.to_owned())]))
}

/// Columns of the stream, in order.
fn schema() -> SchemaRef {
    let mut fields = vec![
        Field::new("t0_s", DataType::Float64, false),
        Field::new("duration_s", DataType::Float64, false),
        Field::new("lost", DataType::UInt64, false),
    ];
    fields.extend(Channel::ALL.iter().map(|channel| list(channel.name(), DataType::Float32, channel.unit())));
    fields.push(list("tach_s", DataType::Float64, "s"));
    fields.push(Field::new("stop_pressed", DataType::Boolean, true));
    fields.push(Field::new("check", DataType::UInt64, true));
    let version = format!("{}.{}", FORMAT.major, FORMAT.minor);
    Arc::new(Schema::new_with_metadata(fields, HashMap::from([("galebench_record".to_owned(), version)])))
}

/// Turns blocks into the bytes of the stream.
pub(crate) struct Encoder {
    stream: StreamWriter<Vec<u8>>,
    schema: SchemaRef,
    t0_s: Float64Builder,
    duration_s: Float64Builder,
    lost: UInt64Builder,
    channels: Vec<ListBuilder<Float32Builder>>,
    tach_s: ListBuilder<Float64Builder>,
    stop_pressed: BooleanBuilder,
    check: UInt64Builder,
    rows: usize,
}

impl Encoder {
    /// A stream whose schema already waits to be taken.
    pub(crate) fn new() -> Result<Self, ArrowError> {
        let schema = schema();
        let options = IpcWriteOptions::try_new(ALIGNMENT, false, MetadataVersion::V5)?
            .try_with_compression(Some(CompressionType::LZ4_FRAME))?;
        let stream = StreamWriter::try_new_with_options(Vec::new(), &schema, options)?;
        let channel = || ListBuilder::new(Float32Builder::new()).with_field(item(DataType::Float32));
        Ok(Self {
            stream,
            schema,
            t0_s: Float64Builder::new(),
            duration_s: Float64Builder::new(),
            lost: UInt64Builder::new(),
            channels: Channel::ALL.iter().map(|_| channel()).collect(),
            tach_s: ListBuilder::new(Float64Builder::new()).with_field(item(DataType::Float64)),
            stop_pressed: BooleanBuilder::new(),
            check: UInt64Builder::new(),
            rows: 0,
        })
    }

    /// Adds a block as the next row; returns its check sum.
    pub(crate) fn push(&mut self, block: &Block) -> u64 {
        self.t0_s.append_value(block.t0_s);
        self.duration_s.append_value(block.duration_s);
        self.lost.append_value(block.lost);
        for (column, channel) in self.channels.iter_mut().zip(Channel::ALL) {
            let samples = block.samples(channel);
            column.values().append_slice(samples.unwrap_or_default());
            column.append(samples.is_some());
        }
        self.tach_s.values().append_slice(block.tach_s.as_deref().unwrap_or_default());
        self.tach_s.append(block.tach_s.is_some());
        self.stop_pressed.append_option(block.stop_pressed);
        let check = check_sum(block);
        self.check.append_value(check);
        self.rows += 1;
        check
    }

    /// Rows added since the last batch.
    pub(crate) fn rows(&self) -> usize {
        self.rows
    }

    /// Closes the rows added so far into a batch; none, no batch.
    pub(crate) fn close_batch(&mut self) -> Result<(), ArrowError> {
        if self.rows == 0 {
            return Ok(());
        }
        let mut columns: Vec<ArrayRef> =
            vec![Arc::new(self.t0_s.finish()), Arc::new(self.duration_s.finish()), Arc::new(self.lost.finish())];
        columns.extend(self.channels.iter_mut().map(|column| Arc::new(column.finish()) as ArrayRef));
        columns.push(Arc::new(self.tach_s.finish()));
        columns.push(Arc::new(self.stop_pressed.finish()));
        columns.push(Arc::new(self.check.finish()));
        self.rows = 0;
        self.stream.write(&RecordBatch::try_new(Arc::clone(&self.schema), columns)?)
    }

    /// Closes the last batch and the stream.
    pub(crate) fn close_stream(&mut self) -> Result<(), ArrowError> {
        self.close_batch()?;
        self.stream.finish()
    }

    /// Bytes of the stream that were not yet written out; the caller clears what it wrote.
    pub(crate) fn pending(&mut self) -> &mut Vec<u8> {
        self.stream.get_mut()
    }
}

/// Blocks of a batch with what their check sum is and what it is due to be, in order. Unknown columns are passed over, missing ones mean that nothing was sampled.
pub(crate) fn summed(batch: &RecordBatch) -> Result<Vec<(Block, u64, Option<u64>)>, String> {
    let t0_s = column(batch, "t0_s", &DataType::Float64)?.ok_or("column `t0_s` is missing")?;
    let duration_s = column(batch, "duration_s", &DataType::Float64)?.ok_or("column `duration_s` is missing")?;
    let lost = column(batch, "lost", &DataType::UInt64)?;
    let stop = column(batch, "stop_pressed", &DataType::Boolean)?;
    let tach = list_column(batch, "tach_s", &DataType::Float64)?;
    let mut channels = Vec::new();
    for channel in Channel::ALL {
        if let Some(array) = list_column(batch, channel.name(), &DataType::Float32)? {
            channels.push((channel, array));
        }
    }
    let (t0_s, duration_s) = (t0_s.as_primitive::<Float64Type>(), duration_s.as_primitive::<Float64Type>());
    let block = |row: usize| Block {
        t0_s: t0_s.value(row),
        duration_s: duration_s.value(row),
        lost: lost.map_or(0, |array| array.as_primitive::<UInt64Type>().value(row)),
        channels: channels
            .iter()
            .filter(|(_, array)| array.is_valid(row))
            .map(|(channel, array)| {
                let samples = array.as_list::<i32>().value(row);
                (*channel, samples.as_primitive::<Float32Type>().values().to_vec())
            })
            .collect(),
        tach_s: tach
            .filter(|array| array.is_valid(row))
            .map(|array| array.as_list::<i32>().value(row).as_primitive::<Float64Type>().values().to_vec()),
        stop_pressed: stop.filter(|array| array.is_valid(row)).map(|array| array.as_boolean().value(row)),
    };
    let check = column(batch, "check", &DataType::UInt64)?.map(|array| array.as_primitive::<UInt64Type>());
    let summed = |row: usize| {
        let block = block(row);
        let sum = check_sum(&block);
        (block, sum, check.filter(|array| array.is_valid(row)).map(|array| array.value(row)))
    };
    Ok((0..batch.num_rows()).map(summed).collect())
}

/// Blocks of a batch, in order, each as its check sum says.
pub(crate) fn blocks(batch: &RecordBatch) -> Result<Vec<Block>, String> {
    let checked = |(block, sum, due): (Block, u64, Option<u64>)| match due {
        Some(due) if due != sum => Err(format!("the check sum of the block at {} s is wrong", block.t0_s)),
        _ => Ok(block),
    };
    summed(batch)?.into_iter().map(checked).collect()
}

/// FNV-1a over 64-bit words (offset basis and prime of the 64-bit variant): time, duration, lost samples, then per
/// channel in [`Channel::ALL`] order the number of samples plus one (0 when absent) and the bits of each, the tach edges
/// likewise, and the stop switch (0 unknown, 1 released, 2 pressed).
fn check_sum(block: &Block) -> u64 {
    let mut sum = 0xcbf2_9ce4_8422_2325_u64;
    let mut add = |word: u64| sum = (sum ^ word).wrapping_mul(0x0000_0100_0000_01b3);
    add(block.t0_s.to_bits());
    add(block.duration_s.to_bits());
    add(block.lost);
    for channel in Channel::ALL {
        let samples = block.samples(channel);
        add(samples.map_or(0, |samples| samples.len() as u64 + 1));
        samples.unwrap_or_default().iter().for_each(|value| add(u64::from(value.to_bits())));
    }
    add(block.tach_s.as_ref().map_or(0, |edges| edges.len() as u64 + 1));
    block.tach_s.iter().flatten().for_each(|edge| add(edge.to_bits()));
    add(block.stop_pressed.map_or(0, |pressed| 1 + u64::from(pressed)));
    sum
}

/// The column of that name, checked for its type.
fn column<'a>(batch: &'a RecordBatch, name: &str, due: &DataType) -> Result<Option<&'a ArrayRef>, String> {
    match batch.column_by_name(name) {
        Some(array) if array.data_type() != due => {
            Err(format!("column `{name}` holds {}, {due} is due", array.data_type()))
        }
        found => Ok(found),
    }
}

/// The list column of that name, checked for its item type.
fn list_column<'a>(batch: &'a RecordBatch, name: &str, due: &DataType) -> Result<Option<&'a ArrayRef>, String> {
    match batch.column_by_name(name) {
        None => Ok(None),
        Some(array) => match array.data_type() {
            DataType::List(item) if item.data_type() == due => Ok(Some(array)),
            other => Err(format!("column `{name}` holds {other}, a list of {due} is due")),
        },
    }
}
