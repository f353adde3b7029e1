//! A file after the walk: checked values by key, each with its place in the text.

use std::collections::BTreeMap;
use std::ops::Range;

/// A value with its place.
#[derive(Clone, Debug)]
pub(crate) struct Node {
    /// The value.
    pub(crate) item: Item,
    /// Where the value stands, in bytes; for a default the header of the table that could hold it.
    pub(crate) span: Range<usize>,
}

/// A checked value. Numbers are in base units, duties and ratios as fractions.
#[derive(Clone, Debug)]
pub(crate) enum Item {
    /// Text or a word.
    Text(String),
    /// A number or quantity.
    Number(f64),
    /// A whole number.
    Count(u64),
    /// As far as the rig goes.
    RigLimit,
    /// True or false.
    Flag(bool),
    /// Items in order.
    List(Vec<Node>),
    /// Values by key.
    Table(BTreeMap<&'static str, Node>),
    /// Something stands there, but not what is due; the walk has told.
    Wrong,
}

impl Node {
    /// The node at a dotted path of keys and list positions, such as `stage.3.sweep.step`.
    pub(crate) fn at(&self, path: &str) -> Option<&Self> {
        path.split('.').try_fold(self, |node, key| match &node.item {
            Item::Table(table) => table.get(key),
            Item::List(list) => list.get(key.parse::<usize>().ok()?),
            _ => None,
        })
    }

    /// The number at a path.
    pub(crate) fn number(&self, path: &str) -> Option<f64> {
        match self.at(path)?.item {
            Item::Number(number) => Some(number),
            _ => None,
        }
    }

    /// The whole number at a path.
    pub(crate) fn count(&self, path: &str) -> Option<u64> {
        match self.at(path)?.item {
            Item::Count(count) => Some(count),
            _ => None,
        }
    }

    /// The text at a path.
    pub(crate) fn text(&self, path: &str) -> Option<&str> {
        match &self.at(path)?.item {
            Item::Text(text) => Some(text),
            _ => None,
        }
    }

    /// The flag at a path.
    pub(crate) fn flag(&self, path: &str) -> Option<bool> {
        match self.at(path)?.item {
            Item::Flag(flag) => Some(flag),
            _ => None,
        }
    }

    /// The items at a path.
    pub(crate) fn list(&self, path: &str) -> Option<&[Self]> {
        match &self.at(path)?.item {
            Item::List(list) => Some(list),
            _ => None,
        }
    }

    /// The texts of the list at a path.
    pub(crate) fn texts(&self, path: &str) -> Option<Vec<String>> {
        self.list(path)?
            .iter()
            .map(|node| match &node.item {
                Item::Text(text) => Some(text.clone()),
                _ => None,
            })
            .collect()
    }

    /// The numbers of the list at a path.
    pub(crate) fn numbers(&self, path: &str) -> Option<Vec<f64>> {
        self.list(path)?
            .iter()
            .map(|node| match node.item {
                Item::Number(number) => Some(number),
                _ => None,
            })
            .collect()
    }

    /// The keys and values of the table at a path.
    pub(crate) fn entries(&self, path: &str) -> Option<&BTreeMap<&'static str, Self>> {
        match &self.at(path)?.item {
            Item::Table(table) => Some(table),
            _ => None,
        }
    }
}
