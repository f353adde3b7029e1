//! Signals out of a CAN database (`.dbc` file).

use std::path::Path;

#[cfg(feature = "can")]
use can_dbc::{Dbc, DbcError, MessageId, MultiplexIndicator, SignalExtendedValueType, ValueType};

use super::field::nearest;
use crate::driver::can::signal::Signal;
#[cfg(feature = "can")]
use crate::driver::can::signal::{ByteOrder, Coding, FrameId, Layout};

/// A file larger than this is no database of a bench.
const MOST_BYTES: u64 = 4 << 20;

/// A signal of a database.
#[derive(Clone, Debug, PartialEq)]
pub struct Entry {
    /// Message and signal, with a point between.
    pub name: String,
    /// Bytes of its message.
    pub bytes: u64,
    /// The signal, or why it cannot be read.
    pub signal: Result<Signal, String>,
}

/// Every signal of the database at `path`.
///
/// # Errors
/// Not there, not readable, no database; in words, with line and column where there is one.
pub fn load(path: &Path) -> Result<Vec<Entry>, String> {
    let facts = std::fs::metadata(path).map_err(|error| match error.kind() {
        std::io::ErrorKind::NotFound => "no such file; it is looked for beside the rig file".to_owned(),
        _ => error.to_string(),
    })?;
    if !facts.is_file() || facts.len() > MOST_BYTES {
        return Err(format!("it is no file of at most {MOST_BYTES} bytes"));
    }
    signals(&std::fs::read(path).map_err(|error| error.to_string())?)
}

/// The signal `name` among `entries`, with the bytes of its message.
///
/// # Errors
/// What is wrong, and what to do about it.
pub(super) fn find(entries: &[Entry], name: &str) -> Result<(Signal, u64), (String, String)> {
    let mut named = entries.iter().filter(|entry| entry.name == name);
    match (named.next(), named.next()) {
        (Some(_), Some(_)) => Err((format!("the database has more than one signal `{name}`"), String::new())),
        (Some(entry), None) => match &entry.signal {
            Ok(signal) => Ok((signal.clone(), entry.bytes)),
            Err(why) => Err((format!("`{name}` cannot be used: {why}"), String::new())),
        },
        (None, _) => {
            let known = nearest(name, entries.iter().map(|entry| entry.name.as_str()));
            let help = known.map_or_else(
                || "write MESSAGE.SIGNAL as the database names them".to_owned(),
                |known| format!("did you mean `{known}`?"),
            );
            Err((format!("the database has no signal `{name}`"), help))
        }
    }
}

/// Every signal of a database; old tools write text of one byte for each character, which is taken as well.
///
/// # Errors
/// Where it is no database; in words.
#[cfg(feature = "can")]
pub fn signals(bytes: &[u8]) -> Result<Vec<Entry>, String> {
    let text = match std::str::from_utf8(bytes) {
        Ok(text) => text.to_owned(),
        // Latin-1, whose characters are the first of Unicode.
        Err(_) => bytes.iter().map(|byte| char::from(*byte)).collect(),
    };
    let dbc = Dbc::try_from(text.as_str()).map_err(|error| words(&error))?;
    let mut entries = Vec::new();
    for message in &dbc.messages {
        for signal in &message.signals {
            let name = format!("{}.{}", message.name, signal.name);
            entries.push(Entry {
                name,
                bytes: message.size,
                signal: translated(&dbc, message.id, message.size, signal),
            });
        }
    }
    Ok(entries)
}

/// Every signal of a database.
///
/// # Errors
/// Always: this program cannot read one.
#[cfg(not(feature = "can"))]
pub fn signals(_bytes: &[u8]) -> Result<Vec<Entry>, String> {
    Err("this program was built without it: build with the cargo feature `can`".to_owned())
}

#[cfg(feature = "can")]
fn translated(dbc: &Dbc, id: MessageId, size: u64, signal: &can_dbc::Signal) -> Result<Signal, String> {
    let frame = match id {
        MessageId::Standard(id) => FrameId::new(u32::from(id), false),
        MessageId::Extended(id) => FrameId::new(id, true),
    };
    let frame = frame.ok_or("the identifier of its message has more bits than CAN allows")?;
    if !matches!(signal.multiplexer_indicator, MultiplexIndicator::Plain | MultiplexIndicator::Multiplexor) {
        return Err("it is multiplexed: it stands in some frames of its message only".to_owned());
    }
    let coding = match dbc.extended_value_type_for_signal(id, &signal.name) {
        Some(SignalExtendedValueType::IEEEfloat32Bit | SignalExtendedValueType::IEEEdouble64bit) => Coding::Float,
        _ if signal.value_type == ValueType::Signed => Coding::Signed,
        _ => Coding::Unsigned,
    };
    let order = match signal.byte_order {
        can_dbc::ByteOrder::LittleEndian => ByteOrder::Little,
        can_dbc::ByteOrder::BigEndian => ByteOrder::Big,
    };
    let layout = Layout::new(signal.start_bit, signal.size, order, coding)?;
    if layout.bytes() as u64 > size {
        return Err(format!("it reaches beyond the {size} bytes of its message"));
    }
    if !(signal.factor.is_finite() && signal.offset.is_finite() && signal.factor != 0.0) {
        return Err("its factor is 0 or no number".to_owned());
    }
    Ok(Signal { frame, layout, scale: signal.factor, offset: signal.offset, unit: signal.unit.trim().to_owned() })
}

#[cfg(feature = "can")]
fn words(error: &DbcError) -> String {
    let DbcError::Pest(error) = error else { return error.to_string() };
    // The first line of the long form is an arrow and the place.
    let long = error.to_string();
    let place = long.lines().next().unwrap_or_default().trim().trim_start_matches("--> ");
    match place.split_once(':') {
        Some((line, column)) => format!("line {line}, column {column}: {}", error.variant.message()),
        None => error.variant.message().into_owned(),
    }
}

#[cfg(all(test, feature = "can"))]
mod tests {
    use super::*;

    const SMALL: &str = "VERSION \"\"\n\nNS_ :\n\nBS_:\n\nBU_: Bench\n\n\
        BO_ 291 Sense: 8 Bench\n\
        \x20SG_ Current : 0|16@1- (0.01,-5) [-200|200] \"A\" Vector__XXX\n\
        \x20SG_ Speed : 23|16@0+ (0.25,0) [0|8000] \"rpm\" Vector__XXX\n\
        \x20SG_ Heat : 32|32@1- (1,0) [0|0] \"\u{b0}C\" Vector__XXX\n\n\
        BO_ 2566845717 Long: 2 Bench\n\
        \x20SG_ Wide : 0|32@1+ (1,0) [0|0] \"\" Vector__XXX\n\
        \x20SG_ Sel M : 0|4@1+ (1,0) [0|0] \"\" Vector__XXX\n\
        \x20SG_ Part m1 : 4|4@1+ (1,0) [0|0] \"\" Vector__XXX\n\n\
        SIG_VALTYPE_ 291 Heat : 1;\n";

    #[test]
    fn signals_come_with_frame_bits_factor_and_unit() {
        let entries = signals(SMALL.as_bytes()).unwrap();
        let find = |name: &str| find(&entries, name).map(|(signal, _)| signal);
        assert_eq!(super::find(&entries, "Long.Sel").unwrap().1, 2);
        let current = find("Sense.Current").unwrap();
        assert_eq!(current.frame, FrameId::Standard(0x123));
        assert_eq!((current.unit.as_str(), current.scale, current.offset), ("A", 0.01, -5.0));
        assert_eq!(current.layout, Layout::new(0, 16, ByteOrder::Little, Coding::Signed).unwrap());
        // 0x0BB8 quarters of a turn a minute, high byte first.
        let speed = find("Sense.Speed").unwrap();
        assert_eq!(speed.decode(&[0, 0, 0x0B, 0xB8, 0, 0, 0, 0]), Some(750.0));
        let heat = find("Sense.Heat").unwrap();
        assert_eq!(heat.layout, Layout::new(32, 32, ByteOrder::Little, Coding::Float).unwrap());
        // Bit 31 of the number marks 29 bits.
        assert_eq!(find("Long.Sel").unwrap().frame, FrameId::Extended(0x18FE_F515));
        let why = |name: &str| find(name).unwrap_err();
        assert!(why("Long.Wide").0.contains("beyond the 2 bytes"), "{:?}", why("Long.Wide"));
        assert!(why("Long.Part").0.contains("multiplexed"));
        assert_eq!(why("Sense.Curent").1, "did you mean `Sense.Current`?");
    }

    /// Layouts and data at random; the values were computed with cantools 45.1.0, which reads the same database.
    #[test]
    fn another_decoder_finds_the_same_values() {
        let entries = load(Path::new("tests/fixtures/can/layouts.dbc")).unwrap();
        let table = std::fs::read_to_string("tests/fixtures/can/layouts.csv").unwrap();
        let mut compared = 0;
        for line in table.lines().skip(1) {
            let [name, data, value] = line.split(',').collect::<Vec<_>>().try_into().unwrap();
            let data = u64::from_str_radix(data, 16).unwrap().to_be_bytes();
            let value: f64 = value.parse().unwrap();
            let got = find(&entries, name).unwrap().0.decode(&data).unwrap();
            assert!((got - value).abs() <= 1e-12 * value.abs().max(1.0), "{line}: {got}");
            compared += 1;
        }
        assert_eq!(compared, 3 * entries.len());
    }

    #[test]
    fn text_of_old_tools_is_read() {
        let old: Vec<u8> = SMALL.chars().map(|c| u8::try_from(u32::from(c)).unwrap()).collect();
        assert!(std::str::from_utf8(&old).is_err());
        let entries = signals(&old).unwrap();
        assert_eq!(find(&entries, "Sense.Heat").unwrap().0.unit, "°C");
    }

    #[test]
    fn what_is_no_database_is_told_with_its_place() {
        let error = signals(SMALL.replace("23|16@0+", "23|16@2+").as_bytes()).unwrap_err();
        assert!(error.starts_with("line 1") && error.contains("column"), "{error}");
        assert!(load(Path::new("rigs/no-such.dbc")).unwrap_err().contains("no such file"));
        assert!(load(Path::new("rigs")).unwrap_err().contains("no file"));
    }
}
