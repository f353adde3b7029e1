//! The walk: a recoverable parse of the TOML text, then one pass along the field table that checks every value and
//! notes every problem. What is wrong is marked so in the tree, and rules across keys still see the rest.

use std::collections::BTreeMap;
use std::ops::Range;

use toml::Spanned;
use toml::de::{DeTable, DeValue};

use super::diagnostic::Sheet;
use super::field::{Bounds, Dim, Field, Kind, Need, RIG_LIMIT, Table, nearest, quoted};
use super::tree::{Item, Node};
use crate::units::ParseQuantityError;

/// Walks the text of `sheet` along `table`; problems go to the sheet.
pub(crate) fn walk(sheet: &mut Sheet<'_>, table: &'static Table) -> Node {
    let (document, errors) = DeTable::parse_recoverable(sheet.text);
    let broken: Vec<Range<usize>> = errors.iter().map(|error| error.span().unwrap_or(0..0)).collect();
    for (error, span) in errors.iter().zip(&broken) {
        let help = syntax_help(sheet.text, span);
        sheet.problem(span.clone(), format!("not valid TOML: {}", error.message().trim()), help);
    }
    let broken_lines = broken.iter().map(|span| line_of(sheet.text, span.start)).collect();
    let mut walker = Walker { sheet, broken_lines, path: Vec::new() };
    let values = walker.table(document.get_ref(), table, 0..0);
    Node { item: Item::Table(values), span: 0..0 }
}

/// The keys that stand at the top of `text`, as far as it can be read.
pub(crate) fn top_keys(text: &str) -> Vec<String> {
    let (document, _) = DeTable::parse_recoverable(text);
    document.get_ref().keys().map(|key| key.get_ref().to_string()).collect()
}

/// The span of the line around `at`, without its end.
fn line_of(text: &str, at: usize) -> Range<usize> {
    let at = at.min(text.len());
    let bytes = text.as_bytes();
    let start = bytes[..at].iter().rposition(|&b| b == b'\n').map_or(0, |i| i + 1);
    let end = bytes[at..].iter().position(|&b| b == b'\n').map_or(text.len(), |i| at + i);
    start..end
}

/// The mistake that people make most: a quantity without quotes.
fn syntax_help(text: &str, span: &Range<usize>) -> Option<String> {
    let line = text.get(line_of(text, span.start))?;
    let (_, value) = line.split_once('=')?;
    let value = value.split('#').next().unwrap_or_default().trim();
    let bare =
        value.starts_with(|c: char| c.is_ascii_digit()) && value.ends_with(|c: char| c.is_alphabetic() || c == '%');
    bare.then(|| format!("text and quantities stand in double quotes: \"{value}\""))
}

struct Walker<'s, 'a> {
    sheet: &'s mut Sheet<'a>,
    broken_lines: Vec<Range<usize>>,
    path: Vec<String>,
}

impl Walker<'_, '_> {
    /// Notes a problem, unless it only repeats that the line is not valid TOML.
    fn problem(&mut self, span: &Range<usize>, title: String, help: Option<String>) {
        let repeats = self.broken_lines.iter().any(|line| line.start <= span.start && span.start <= line.end);
        if !repeats {
            self.sheet.problem(span.clone(), title, help);
        }
    }

    /// The key in hand, as written in messages.
    fn name(&self) -> String {
        self.path.join(".")
    }

    /// The table in hand, as written in messages.
    fn table_name(&self) -> String {
        if self.path.is_empty() { "the file".to_owned() } else { format!("`{}`", self.name()) }
    }

    /// `key` in the table in hand, as written in messages.
    fn name_of(&self, key: &str) -> String {
        if self.path.is_empty() { key.to_owned() } else { format!("{}.{key}", self.name()) }
    }

    fn within<T>(&mut self, key: &str, work: impl FnOnce(&mut Self) -> T) -> T {
        self.path.push(key.to_owned());
        let result = work(self);
        self.path.pop();
        result
    }

    fn table(
        &mut self,
        found: &DeTable<'_>,
        table: &'static Table,
        header: Range<usize>,
    ) -> BTreeMap<&'static str, Node> {
        let known: Vec<&str> = table.fields.iter().map(|field| field.key).collect();
        self.unknown_keys(found, &known);
        let unknown = found.keys().map(|key| key.get_ref().as_ref()).filter(|key| !known.contains(key));
        let unknown: Vec<&str> = unknown.take(64).collect();
        let mut values = BTreeMap::new();
        for field in table.fields {
            let value = match find(found, field.key) {
                Some(value) => Some(self.within(field.key, |walker| walker.value(value, field.kind))),
                None => self.left_out(field, &header, &unknown),
            };
            if let Some(value) = value {
                values.insert(field.key, value);
            }
        }
        values
    }

    fn unknown_keys(&mut self, found: &DeTable<'_>, known: &[&str]) {
        for key in found.keys().filter(|key| !known.contains(&key.get_ref().as_ref())) {
            let help = match nearest(key.get_ref(), known.iter().copied()) {
                Some(word) => format!("did you mean `{word}`?"),
                None => format!("keys known here: {}", known.join(", ")),
            };
            if self.sheet.is_full() {
                return;
            }
            let place = if self.path.is_empty() { String::new() } else { format!(" in `{}`", self.name()) };
            self.problem(&key.span(), format!("unknown key `{}`{place}", key.get_ref()), Some(help));
        }
    }

    /// The value of a key that is not in the file.
    fn left_out(&mut self, field: &'static Field, header: &Range<usize>, unknown: &[&str]) -> Option<Node> {
        match field.need {
            Need::Optional => None,
            Need::Required => {
                // Where lines could not be read the key may well be in one of them, and a misspelt key was told.
                let misspelt = || unknown.iter().any(|key| nearest(key, [field.key]).is_some());
                if self.broken_lines.is_empty() && !misspelt() {
                    let (title, help) = self.missing_words(field);
                    self.problem(header, title, Some(help));
                }
                None
            }
            Need::Default(text) => {
                let item = match field.kind {
                    Kind::Table(table) => Item::Table(
                        self.within(field.key, |walker| walker.table(&DeTable::new(), table, header.clone())),
                    ),
                    Kind::Keyed(_) | Kind::Choice(_) => Item::Table(BTreeMap::new()),
                    kind => default_item(kind, text)?,
                };
                Some(Node { item, span: header.clone() })
            }
        }
    }

    /// Title and help for a key that must be there and is not.
    fn missing_words(&self, field: &'static Field) -> (String, String) {
        let mut doc = field.doc.trim_end_matches('.').to_owned();
        if doc.chars().nth(1).is_some_and(char::is_lowercase)
            && let Some(first) = doc.get_mut(..1)
        {
            first.make_ascii_lowercase();
        }
        match field.kind.example() {
            Some(example) => (
                format!("{} lacks the key `{}`", self.table_name(), field.key),
                format!("due there: {doc}; for example {} = {example}", field.key),
            ),
            None => (format!("the file lacks the table `[{}]`", self.name_of(field.key)), format!("due there: {doc}")),
        }
    }

    /// The value as a node, marked wrong when it is not what is due.
    fn value(&mut self, value: &Spanned<DeValue<'_>>, kind: Kind) -> Node {
        let item = self.item(value, kind).unwrap_or(Item::Wrong);
        Node { item, span: value.span() }
    }

    fn item(&mut self, value: &Spanned<DeValue<'_>>, kind: Kind) -> Option<Item> {
        let span = value.span();
        Some(match (kind, value.get_ref()) {
            (Kind::Text | Kind::Word(_) | Kind::Quantity(..) | Kind::UpTo(..), DeValue::String(text)) => {
                self.text(text, kind, &span)?
            }
            (Kind::Number(bounds), DeValue::Integer(_) | DeValue::Float(_)) => {
                let number = self.number(value.get_ref(), &span)?;
                self.bounded(number, bounds, &span, |base| crate::units::significant(base, 6))?
            }
            (Kind::Count(least, most), DeValue::Integer(digits)) => {
                let count = u64::from_str_radix(&digits.as_str().replace('_', ""), digits.radix()).ok();
                match count.filter(|count| (least..=most).contains(count)) {
                    Some(count) => Item::Count(count),
                    None => {
                        let title =
                            format!("`{}` is {}; from {least} to {most} is allowed", self.name(), digits.as_str());
                        self.problem(&span, title, None);
                        return None;
                    }
                }
            }
            (Kind::Flag, DeValue::Boolean(flag)) => Item::Flag(*flag),
            (Kind::List(of, least), DeValue::Array(items)) => {
                if items.len() < least {
                    let title =
                        format!("`{}` needs at least {least} item{}", self.name(), if least == 1 { "" } else { "s" });
                    self.problem(&span, title, None);
                    return None;
                }
                let nodes = items.iter().enumerate();
                let nodes = nodes.map(|(i, item)| self.within(&(i + 1).to_string(), |walker| walker.value(item, *of)));
                Item::List(nodes.collect())
            }
            (Kind::Table(table), DeValue::Table(found)) => Item::Table(self.table(found, table, span.clone())),
            (Kind::Keyed(keys), DeValue::Table(found)) => Item::Table(self.keyed(found, &keys())),
            (Kind::Choice(table), DeValue::Table(found)) => Item::Table(self.choice(found, table, &span)?),
            (_, other) => {
                self.wrong_kind(other, kind, &span);
                return None;
            }
        })
    }

    fn keyed(
        &mut self,
        found: &DeTable<'_>,
        keys: &[(&'static str, &'static Table, &'static str)],
    ) -> BTreeMap<&'static str, Node> {
        self.unknown_keys(found, &keys.iter().map(|(key, ..)| *key).collect::<Vec<_>>());
        let mut values = BTreeMap::new();
        for (key, table, _) in keys {
            if let Some(value) = find(found, key) {
                values.insert(*key, self.within(key, |walker| walker.value(value, Kind::Table(table))));
            }
        }
        values
    }

    fn choice(
        &mut self,
        found: &DeTable<'_>,
        table: &'static Table,
        span: &Range<usize>,
    ) -> Option<BTreeMap<&'static str, Node>> {
        let known: Vec<&'static str> = table.fields.iter().map(|field| field.key).collect();
        self.unknown_keys(found, &known);
        if found.is_empty() {
            self.problem(
                span,
                format!("{} is empty", self.table_name()),
                Some(format!("name one of {}", known.join(", "))),
            );
            return None;
        }
        let here: Vec<&'static Field> = table.fields.iter().filter(|field| find(found, field.key).is_some()).collect();
        if let [_, second, ..] = here.as_slice() {
            let at = found.keys().find(|key| key.get_ref() == second.key).map_or(span.clone(), Spanned::span);
            let title = format!("{} names more than one: `{}` and `{}`", self.table_name(), here[0].key, second.key);
            self.problem(&at, title, Some("begin each with its own `[[stage]]`".to_owned()));
            return None;
        }
        let field = here.first()?;
        let value = find(found, field.key)?;
        let node = self.within(field.key, |walker| walker.value(value, field.kind));
        Some(BTreeMap::from([(field.key, node)]))
    }

    fn text(&mut self, text: &str, kind: Kind, span: &Range<usize>) -> Option<Item> {
        match kind {
            Kind::Word(words) => {
                let words = words();
                if words.contains(&text) {
                    return Some(Item::Text(text.to_owned()));
                }
                let help = nearest(text, words.iter().copied()).map(|word| format!("did you mean \"{word}\"?"));
                self.problem(span, format!("`{}` is \"{text}\"; allowed: {}", self.name(), quoted(&words)), help);
                None
            }
            Kind::UpTo(..) if text.trim() == RIG_LIMIT => Some(Item::RigLimit),
            Kind::Quantity(dim, bounds) | Kind::UpTo(dim, bounds) => {
                let help = match kind {
                    Kind::UpTo(..) => format!("or write \"{RIG_LIMIT}\""),
                    _ => String::new(),
                };
                let base = self.quantity(text, dim, span, &help)?;
                self.bounded(base, bounds, span, |base| dim.show(base))
            }
            _ if text.trim().is_empty() => {
                self.problem(span, format!("`{}` is empty; text is due", self.name()), None);
                None
            }
            _ => Some(Item::Text(text.to_owned())),
        }
    }

    fn quantity(&mut self, text: &str, dim: Dim, span: &Range<usize>, more: &str) -> Option<f64> {
        let error = match dim.parse(text) {
            Ok(base) if base.is_finite() => return Some(base),
            Ok(_) => {
                self.problem(span, format!("`{}` is \"{text}\", which is too large a number", self.name()), None);
                return None;
            }
            Err(error) => error,
        };
        let (title, help) = quantity_words(&self.name(), text, dim, &error);
        let help = [help, more.to_owned()].into_iter().filter(|part| !part.is_empty()).collect::<Vec<_>>().join("; ");
        self.problem(span, title, Some(help).filter(|help| !help.is_empty()));
        None
    }

    fn number(&mut self, value: &DeValue<'_>, span: &Range<usize>) -> Option<f64> {
        let number = match value {
            DeValue::Float(digits) => digits.as_str().replace('_', "").parse::<f64>().ok(),
            DeValue::Integer(digits) => {
                #[expect(clippy::cast_precision_loss, reason = "a plain number needs no more than 53 bits")]
                let number =
                    i64::from_str_radix(&digits.as_str().replace('_', ""), digits.radix()).ok().map(|n| n as f64);
                number
            }
            _ => None,
        };
        if number.is_none() {
            self.problem(span, format!("`{}` is too large a number", self.name()), None);
        }
        number
    }

    fn bounded(
        &mut self,
        base: f64,
        bounds: Bounds,
        span: &Range<usize>,
        show: impl Fn(f64) -> String,
    ) -> Option<Item> {
        if bounds.refuses(base) {
            let title = format!("`{}` is {}; allowed: {}", self.name(), show(base), bounds.words(&show));
            self.problem(span, title, None);
            return None;
        }
        Some(Item::Number(base))
    }

    fn wrong_kind(&mut self, found: &DeValue<'_>, kind: Kind, span: &Range<usize>) {
        let name = self.name();
        let (title, help) = match (kind, found) {
            (Kind::Quantity(dim, _) | Kind::UpTo(dim, _), DeValue::Integer(_) | DeValue::Float(_)) => {
                let digits = match found {
                    DeValue::Integer(digits) => digits.to_string(),
                    DeValue::Float(digits) => digits.to_string(),
                    _ => String::new(),
                };
                (
                    format!("`{name}` is a bare number; {} with its unit is due", dim.words()),
                    format!("write it as text, for example \"{digits} {}\"", dim.symbol()),
                )
            }
            (Kind::List(Kind::Choice(_), _), DeValue::Table(_)) => (
                format!("`{name}` is a single table; it is a list, because the order counts"),
                format!("begin each with a line `[[{name}]]`"),
            ),
            _ => (format!("`{name}` is {}; {} is due", type_words(found), kind.due()), String::new()),
        };
        self.problem(span, title, Some(help).filter(|help| !help.is_empty()));
    }
}

/// The value of `key`.
fn find<'t, 'i>(table: &'t DeTable<'i>, key: &str) -> Option<&'t Spanned<DeValue<'i>>> {
    table.iter().find(|(name, _)| name.get_ref() == key).map(|(_, value)| value)
}

/// Title and help for a text that is not the quantity due.
fn quantity_words(name: &str, text: &str, dim: Dim, error: &ParseQuantityError) -> (String, String) {
    match error {
        ParseQuantityError::NoUnit { found, .. } => (
            format!("`{name}` is \"{found}\" without a unit; {} is due", dim.words()),
            format!("write the unit, for example \"{found} {}\"", dim.symbol()),
        ),
        ParseQuantityError::WrongUnit { unit, .. } => {
            let units = dim.units().iter().map(|(unit, _)| *unit).collect::<Vec<_>>();
            let other = Dim::ALL.iter().find(|other| other.units().iter().any(|(symbol, _)| symbol == unit));
            let title = match other {
                Some(other) => format!("`{name}` is \"{text}\", {}; {} is due", other.words(), dim.words()),
                None => format!("`{name}` is \"{text}\", and `{unit}` is no known unit; {} is due", dim.words()),
            };
            let same = units.iter().find(|known| known.eq_ignore_ascii_case(unit));
            let help = match same {
                Some(known) => format!("upper and lower case count: `{known}`"),
                None => format!("units allowed: {}", units.join(", ")),
            };
            (title, help)
        }
        ParseQuantityError::NotANumber { found, .. } if found.contains(',') => {
            let pointed = text.replace(',', ".");
            let example = if dim.parse(&pointed).is_ok() { &pointed } else { dim.example() };
            (
                format!(
                    "`{name}` is \"{text}\"; numbers are written with a decimal point, without thousands separators"
                ),
                format!("for example \"{example}\""),
            )
        }
        ParseQuantityError::NotANumber { .. } => (
            format!("`{name}` is \"{text}\"; {} is due", dim.words()),
            format!("a number and a unit, for example \"{}\"", dim.example()),
        ),
        ParseQuantityError::OutOfRange(why) => (format!("`{name}` is \"{text}\"; {why}"), String::new()),
    }
}

const fn type_words(value: &DeValue<'_>) -> &'static str {
    match value {
        DeValue::String(_) => "text",
        DeValue::Integer(_) => "a whole number",
        DeValue::Float(_) => "a number",
        DeValue::Boolean(_) => "true or false",
        DeValue::Datetime(_) => "a date or time",
        DeValue::Array(_) => "a list",
        DeValue::Table(_) => "a table",
    }
}

/// A default of the field table as a value; `None` when the table itself is wrong, which a test rules out.
pub(crate) fn default_item(kind: Kind, text: &'static str) -> Option<Item> {
    Some(match kind {
        Kind::Text | Kind::Word(_) => Item::Text(text.to_owned()),
        Kind::UpTo(..) if text == RIG_LIMIT => Item::RigLimit,
        Kind::Quantity(dim, _) | Kind::UpTo(dim, _) => Item::Number(dim.parse(text).ok()?),
        Kind::Number(_) => Item::Number(text.parse().ok()?),
        Kind::Count(..) => Item::Count(text.parse().ok()?),
        Kind::Flag => Item::Flag(text.parse().ok()?),
        Kind::List(of, _) => {
            let parts = text.split(", ").filter(|part| !part.is_empty());
            let items = parts.map(|part| Some(Node { item: default_item(*of, part)?, span: 0..0 }));
            Item::List(items.collect::<Option<Vec<_>>>()?)
        }
        Kind::Table(_) | Kind::Keyed(_) | Kind::Choice(_) => return None,
    })
}
