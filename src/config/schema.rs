//! JSON Schema of rig and plan files, for editors: the field tables in another language.

use serde_json::{Map, Value, json};

use super::field::{Bounds, Dim, Field, Kind, Need, RIG_LIMIT, Table};
use super::plan_table::PLAN;
use super::rig_table::RIG;
use super::tree::Item;
use super::walk::default_item;

/// Schema of rig files (JSON Schema 2020-12).
#[must_use]
pub fn rig() -> Value {
    document(&RIG, "galebench rig file")
}

/// Schema of plan files (JSON Schema 2020-12).
#[must_use]
pub fn plan() -> Value {
    document(&PLAN, "galebench plan file")
}

fn document(root: &'static Table, title: &str) -> Value {
    let mut schema = table(root);
    schema.insert("$schema".to_owned(), json!("https://json-schema.org/draft/2020-12/schema"));
    schema.insert("title".to_owned(), json!(title));
    Value::Object(schema)
}

fn table(table: &'static Table) -> Map<String, Value> {
    let required: Vec<&str> =
        table.fields.iter().filter(|field| matches!(field.need, Need::Required)).map(|field| field.key).collect();
    let properties: Map<String, Value> =
        table.fields.iter().map(|item| (item.key.to_owned(), Value::Object(field(item)))).collect();
    let mut schema = object(table.doc, properties);
    if !required.is_empty() {
        schema.insert("required".to_owned(), json!(required));
    }
    schema
}

fn object(doc: &str, properties: Map<String, Value>) -> Map<String, Value> {
    Map::from_iter([
        ("type".to_owned(), json!("object")),
        ("description".to_owned(), json!(doc)),
        ("properties".to_owned(), Value::Object(properties)),
        ("additionalProperties".to_owned(), json!(false)),
    ])
}

fn field(field: &'static Field) -> Map<String, Value> {
    let mut schema = kind(field.kind);
    schema.insert("description".to_owned(), json!(field.doc));
    if let Need::Default(text) = field.need
        && let Some(value) = default_value(field.kind, text)
    {
        schema.insert("default".to_owned(), value);
    }
    schema
}

fn kind(kind_of: Kind) -> Map<String, Value> {
    let schema = match kind_of {
        Kind::Text => json!({ "type": "string", "minLength": 1 }),
        Kind::Word(words) => json!({ "enum": words() }),
        Kind::Quantity(dim, bounds) => quantity(dim, bounds, None),
        Kind::UpTo(dim, bounds) => quantity(dim, bounds, Some(RIG_LIMIT)),
        Kind::Number(bounds) => number(bounds),
        Kind::Count(least, most) => json!({ "type": "integer", "minimum": least, "maximum": most }),
        Kind::Flag => json!({ "type": "boolean" }),
        Kind::List(of, least) => json!({ "type": "array", "minItems": least, "items": kind(*of) }),
        Kind::Table(of) => return table(of),
        Kind::Keyed(keys) => {
            let entry = |(key, of, words): (&'static str, &'static Table, &'static str)| {
                let mut schema = table(of);
                schema.insert("description".to_owned(), json!(words));
                (key.to_owned(), Value::Object(schema))
            };
            return object("", keys().into_iter().map(entry).collect());
        }
        Kind::Choice(of) => {
            let mut schema = table(of);
            schema.insert("minProperties".to_owned(), json!(1));
            schema.insert("maxProperties".to_owned(), json!(1));
            return schema;
        }
    };
    match schema {
        Value::Object(schema) => schema,
        _ => Map::new(),
    }
}

/// A text of number and unit. The range cannot be put into a pattern; it is in the comment.
fn quantity(dim: Dim, bounds: Bounds, word: Option<&str>) -> Value {
    let units: Vec<String> = dim.units().iter().map(|(unit, _)| escaped(unit)).collect();
    let number = r"[+-]?([0-9]+\.?[0-9]*|\.[0-9]+)([eE][+-]?[0-9]+)?";
    let words = word.map_or(String::new(), |word| format!("|{}", escaped(word)));
    let pattern = format!("^\\s*({number}\\s*({}){words})\\s*$", units.join("|"));
    json!({
        "type": "string",
        "pattern": pattern,
        "examples": [dim.example()],
        "$comment": format!("{}, {}", dim.words(), bounds.words(|base| dim.show(base))),
    })
}

/// A unit or word as part of a pattern; `/` is the only special character that units have beside letters and `%`.
fn escaped(unit: &str) -> String {
    unit.replace('/', "\\/")
}

fn number(bounds: Bounds) -> Value {
    match bounds {
        Bounds::Any => json!({ "type": "number" }),
        Bounds::Positive => json!({ "type": "number", "exclusiveMinimum": 0 }),
        Bounds::NotNegative => json!({ "type": "number", "minimum": 0 }),
        Bounds::Between(low, high) => json!({ "type": "number", "minimum": low, "maximum": high }),
    }
}

/// A default as it would stand in the file; nothing for tables, whose keys have their own.
fn default_value(kind_of: Kind, text: &'static str) -> Option<Value> {
    Some(match (kind_of, default_item(kind_of, text)?) {
        (Kind::List(of, _), Item::List(_)) => {
            let parts = text.split(", ").filter(|part| !part.is_empty());
            parts.map(|part| default_value(*of, part)).collect::<Option<Vec<_>>>()?.into()
        }
        (_, Item::Count(count)) => json!(count),
        (_, Item::Flag(flag)) => json!(flag),
        (Kind::Number(_), Item::Number(number)) => json!(number),
        _ => json!(text),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn as_json(text: &str) -> Value {
        serde_json::to_value(toml::from_str::<toml::Table>(text).unwrap()).unwrap()
    }

    fn shipped(folder: &str) -> Vec<(std::path::PathBuf, String)> {
        let entries = std::fs::read_dir(folder).unwrap().map(|entry| entry.unwrap().path());
        let mut files: Vec<_> = entries.filter(|path| path.extension().is_some_and(|ext| ext == "toml")).collect();
        files.sort();
        files.into_iter().map(|path| (path.clone(), std::fs::read_to_string(path).unwrap())).collect()
    }

    #[test]
    fn every_shipped_file_validates() {
        let (rigs, plans) = (jsonschema::validator_for(&rig()).unwrap(), jsonschema::validator_for(&plan()).unwrap());
        let mut count = 0;
        for (folder, validator) in [("rigs", &rigs), ("rigs/faults", &rigs), ("test-plans", &plans)] {
            for (path, text) in shipped(folder) {
                let errors: Vec<String> = validator.iter_errors(&as_json(&text)).map(|e| e.to_string()).collect();
                assert!(errors.is_empty(), "{}: {errors:?}", path.display());
                count += 1;
            }
        }
        assert!(count >= 7, "only {count} files were looked at");
    }

    #[test]
    fn broken_files_are_refused_by_the_schema_too() {
        let validator = jsonschema::validator_for(&rig()).unwrap();
        let text = std::fs::read_to_string("rigs/virtual.toml").unwrap();
        for (good, bad) in [
            ("instant_current = \"110 A\"", "instant_current = 110"),
            ("instant_current = \"110 A\"", "instant_current = \"110 V\""),
            ("instant_current = \"110 A\"", "instant_curent = \"110 A\""),
            ("kind = \"linear-low\"", "kind = \"linear\""),
            ("sinks = true", "sinks = \"yes\""),
        ] {
            assert!(text.contains(good), "{good}");
            assert!(!validator.is_valid(&as_json(&text.replacen(good, bad, 1))), "{bad}");
        }
        let validator = jsonschema::validator_for(&plan()).unwrap();
        let two = "name = \"x\"\n[[stage]]\nfirst_power = {}\nsleep = {}\n";
        assert!(!validator.is_valid(&as_json(two)), "two stages in one");
    }
}
