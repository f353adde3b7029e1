//! The language of field tables: one table per kind of file says which keys there are, what each holds, and what it
//! means. The walker, the defaults and the JSON Schema all read the same table.

use crate::units::{
    self, AmpHours, AmpSquaredSeconds, Amps, Celsius, Duty, Farads, Henries, Hertz, Kelvin, Ohms, ParseQuantityError,
    Quantity, Ratio, Rpm, Seconds, Volts, VoltsPerSecond,
};

/// What an upper end may say instead of a value.
pub(crate) const RIG_LIMIT: &str = "to the rig limit";

/// Keys of one TOML table.
#[derive(Debug)]
pub(crate) struct Table {
    /// What the table is about.
    pub(crate) doc: &'static str,
    /// Its keys.
    pub(crate) fields: &'static [Field],
}

/// One key.
#[derive(Debug)]
pub(crate) struct Field {
    /// Its name.
    pub(crate) key: &'static str,
    /// What its value is.
    pub(crate) kind: Kind,
    /// Whether it may be left out.
    pub(crate) need: Need,
    /// What it means.
    pub(crate) doc: &'static str,
}

/// A key that must be there.
pub(crate) const fn required(key: &'static str, kind: Kind, doc: &'static str) -> Field {
    Field { key, kind, need: Need::Required, doc }
}

/// A key that may be left out and then has no value.
pub(crate) const fn optional(key: &'static str, kind: Kind, doc: &'static str) -> Field {
    Field { key, kind, need: Need::Optional, doc }
}

/// A key that may be left out and then has `value`, written as [`Need::Default`] says.
pub(crate) const fn default(key: &'static str, kind: Kind, value: &'static str, doc: &'static str) -> Field {
    Field { key, kind, need: Need::Default(value), doc }
}

/// Whether a key may be left out.
#[derive(Clone, Copy, Debug)]
pub(crate) enum Need {
    /// It must be there.
    Required,
    /// Without it there is no value.
    Optional,
    /// Without it this is the value, written as in the file without quotes, list items separated by commas. For a
    /// table the text is empty: its own defaults hold.
    Default(&'static str),
}

/// What a value is.
#[derive(Clone, Copy, Debug)]
pub(crate) enum Kind {
    /// Any text that is not empty.
    Text,
    /// One of these words.
    Word(fn() -> Vec<&'static str>),
    /// A quantity as text with its unit.
    Quantity(Dim, Bounds),
    /// The same, or [`RIG_LIMIT`].
    UpTo(Dim, Bounds),
    /// A plain number.
    Number(Bounds),
    /// A plain whole number from the first to the second.
    Count(u64, u64),
    /// `true` or `false`.
    Flag,
    /// A list with at least this many items.
    List(&'static Kind, usize),
    /// A table.
    Table(&'static Table),
    /// A table whose keys are computed: name, what it holds, meaning.
    Keyed(fn() -> Vec<(&'static str, &'static Table, &'static str)>),
    /// A table in which exactly one of the keys stands.
    Choice(&'static Table),
}

/// Range of a number, in base units.
#[derive(Clone, Copy, Debug)]
pub(crate) enum Bounds {
    /// Any finite number.
    Any,
    /// Above zero.
    Positive,
    /// Zero or more.
    NotNegative,
    /// From the first to the second, both allowed.
    Between(f64, f64),
}

impl Bounds {
    /// What is due, when `value` is not allowed.
    pub(crate) fn refuses(self, value: f64) -> bool {
        !match self {
            Self::Any => value.is_finite(),
            Self::Positive => value.is_finite() && value > 0.0,
            Self::NotNegative => value.is_finite() && value >= 0.0,
            Self::Between(low, high) => (low..=high).contains(&value),
        }
    }

    /// The range in words, with `show` printing a base-unit number.
    pub(crate) fn words(self, show: impl Fn(f64) -> String) -> String {
        match self {
            Self::Any => "a finite number".to_owned(),
            Self::Positive => "above 0".to_owned(),
            Self::NotNegative => "0 or more".to_owned(),
            Self::Between(low, high) => format!("from {} to {}", show(low), show(high)),
        }
    }
}

macro_rules! dims {
    ($($name:ident: $example:literal),+ $(,)?) => {
        /// The dimensions that files can hold.
        #[derive(Clone, Copy, Debug, PartialEq, Eq)]
        pub(crate) enum Dim { $(#[doc = stringify!($name)] $name),+ }

        impl Dim {
            /// All of them.
            pub(crate) const ALL: &'static [Self] = &[$(Self::$name),+];

            /// Reads a text; the number is in base units (duties and ratios as fractions).
            pub(crate) fn parse(self, text: &str) -> Result<f64, ParseQuantityError> {
                match self { $(Self::$name => units::parse::<$name>(text).map(Quantity::to_base)),+ }
            }

            /// Symbol of the base unit.
            pub(crate) const fn symbol(self) -> &'static str {
                match self { $(Self::$name => $name::SYMBOL),+ }
            }

            /// Name with its article, such as `a current`.
            pub(crate) const fn words(self) -> &'static str {
                match self { $(Self::$name => $name::DIMENSION),+ }
            }

            /// Accepted units with their factors to the base unit.
            pub(crate) const fn units(self) -> &'static [(&'static str, f64)] {
                match self { $(Self::$name => $name::UNITS),+ }
            }

            /// A text of this dimension.
            pub(crate) const fn example(self) -> &'static str {
                match self { $(Self::$name => $example),+ }
            }
        }
    };
}

dims! {
    Volts: "13 V",
    Amps: "25 A",
    Ohms: "22 Ohm",
    Hertz: "140 Hz",
    Rpm: "2600 rpm",
    Seconds: "2 min",
    Celsius: "25 °C",
    Kelvin: "0.3 K",
    Farads: "3 mF",
    Henries: "0.2 mH",
    AmpHours: "80 Ah",
    AmpSquaredSeconds: "4000 A2s",
    VoltsPerSecond: "500 V/s",
    Ratio: "0.5 %",
    Duty: "85 %",
}

impl Dim {
    /// A base-unit number as text with its unit.
    pub(crate) fn show(self, base: f64) -> String {
        let number = if self.symbol() == "%" { base * 100.0 } else { base };
        format!("{} {}", units::significant(number, 6), self.symbol())
    }
}

impl Kind {
    /// A value as it would stand in a file; `None` for tables.
    pub(crate) fn example(self) -> Option<String> {
        Some(match self {
            Self::Text => "\"bench 1\"".to_owned(),
            Self::Word(words) => words().first().map(|word| format!("\"{word}\""))?,
            Self::Quantity(dim, _) | Self::UpTo(dim, _) => format!("\"{}\"", dim.example()),
            Self::Number(_) => "1.5".to_owned(),
            Self::Count(least, _) => least.to_string(),
            Self::Flag => "true".to_owned(),
            Self::List(of, _) => format!("[{}]", of.example()?),
            Self::Table(_) | Self::Keyed(_) | Self::Choice(_) => return None,
        })
    }

    /// What is due, with its article.
    pub(crate) fn due(self) -> String {
        match self {
            Self::Text => "text in double quotes".to_owned(),
            Self::Word(words) => format!("one of {}", quoted(&words())),
            Self::Quantity(dim, _) => format!("{} as text with its unit, such as \"{}\"", dim.words(), dim.example()),
            Self::UpTo(dim, _) => {
                format!("{} as text with its unit, such as \"{}\", or \"{RIG_LIMIT}\"", dim.words(), dim.example())
            }
            Self::Number(_) => "a plain number without unit".to_owned(),
            Self::Count(..) => "a plain whole number".to_owned(),
            Self::Flag => "true or false".to_owned(),
            Self::List(..) => "a list in square brackets".to_owned(),
            Self::Table(_) | Self::Keyed(_) | Self::Choice(_) => "a table".to_owned(),
        }
    }
}

/// `"a", "b", "c"`.
pub(crate) fn quoted(words: &[&str]) -> String {
    words.iter().map(|word| format!("\"{word}\"")).collect::<Vec<_>>().join(", ")
}

/// The word of `known` that `found` was probably meant to be.
pub(crate) fn nearest<'a>(found: &str, known: impl IntoIterator<Item = &'a str>) -> Option<&'a str> {
    // Key names are short; a hostile one of megabytes is not worth a quadratic comparison.
    if found.chars().count() > 64 {
        return None;
    }
    known
        .into_iter()
        .map(|word| (strsim::damerau_levenshtein(&found.to_lowercase(), word), word))
        .filter(|(distance, word)| *distance <= (word.chars().count() / 3).max(1))
        .min_by_key(|(distance, _)| *distance)
        .map(|(_, word)| word)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::bench::Channel;
    use crate::config::plan_table::PLAN;
    use crate::config::rig_build::CONTROLS;
    use crate::config::rig_table::RIG;
    use crate::config::tree::Item;
    use crate::config::walk::default_item;

    /// Calls `look` with every field below `table`.
    fn each_field(table: &'static Table, look: &mut dyn FnMut(&'static Field)) {
        for field in table.fields {
            look(field);
            each_table(field.kind, &mut |table| each_field(table, look));
        }
    }

    fn each_table(kind: Kind, look: &mut dyn FnMut(&'static Table)) {
        match kind {
            Kind::Table(table) | Kind::Choice(table) => look(table),
            Kind::Keyed(keys) => keys().into_iter().for_each(|(_, table, _)| look(table)),
            Kind::List(of, _) => each_table(*of, look),
            _ => {}
        }
    }

    fn within_bounds(kind: Kind, item: &Item) -> bool {
        match (kind, item) {
            (Kind::Quantity(_, bounds) | Kind::UpTo(_, bounds) | Kind::Number(bounds), Item::Number(value)) => {
                !bounds.refuses(*value)
            }
            (Kind::Count(least, most), Item::Count(count)) => (least..=most).contains(count),
            (Kind::Word(words), Item::Text(word)) => words().contains(&word.as_str()),
            (Kind::List(of, least), Item::List(items)) => {
                items.len() >= least && items.iter().all(|node| within_bounds(*of, &node.item))
            }
            _ => true,
        }
    }

    #[test]
    fn every_default_is_a_value_that_the_file_could_hold() {
        let mut defaults = 0;
        for table in [&RIG, &PLAN] {
            each_field(table, &mut |field| {
                let Need::Default(text) = field.need else { return };
                if matches!(field.kind, Kind::Table(_) | Kind::Keyed(_)) {
                    assert_eq!(text, "", "{}", field.key);
                    return;
                }
                let item = default_item(field.kind, text).unwrap_or_else(|| panic!("{}: {text}", field.key));
                assert!(within_bounds(field.kind, &item), "{}: {text}", field.key);
                defaults += 1;
            });
        }
        assert!(defaults > 40, "only {defaults} defaults were looked at");
    }

    #[test]
    fn every_example_is_a_value_of_its_dimension() {
        for dim in Dim::ALL {
            dim.parse(dim.example()).unwrap();
        }
    }

    #[test]
    fn the_rig_table_knows_every_channel_and_control() {
        let keys = |name: &str| {
            let field = RIG.fields.iter().find(|field| field.key == name).unwrap();
            let Kind::Table(table) = field.kind else { panic!("{name} is no table") };
            table.fields.iter().map(|field| field.key).collect::<Vec<_>>()
        };
        assert_eq!(keys("channel"), Channel::ALL.map(Channel::name));
        assert_eq!(keys("control"), CONTROLS.map(crate::driver::Control::name));
    }
}
