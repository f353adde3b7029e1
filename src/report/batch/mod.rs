//! The report of a whole crate: HTML page, CSV, JSON and text from one summary.

mod html;
mod plots;
mod table;

use std::collections::BTreeMap;

use serde::Serialize;

use crate::record::event::LimitFacts;
use crate::results::{Grade, Outcome, ResultName};
use crate::verdict::batch::{
    Kind, Match, Member, Odd, OddWhole, Ranked, RigErrors, Spread, kinds, odd_ones, odd_wholes, pairs, rank, spread,
    to_do,
};

pub use html::html;
pub use table::{csv, text};

/// Everything that is said of a crate.
#[derive(Clone, Debug, PartialEq)]
pub struct Summary {
    /// Its name.
    pub batch: String,
    /// Whether the runs are of the virtual bench.
    pub is_virtual: bool,
    /// Its units.
    pub members: Vec<Member>,
    /// Limits of the plan.
    pub limits: BTreeMap<ResultName, LimitFacts>,
    /// Best first.
    pub ranked: Vec<Ranked>,
    /// Kinds of module in it.
    pub kinds: Vec<Kind>,
    /// Results far from their kind.
    pub odd: Vec<Odd>,
    /// Units far from their kind as a whole.
    pub odd_wholes: Vec<OddWhole>,
    /// Pairs for vehicles that take two.
    pub pairs: Vec<Match>,
    /// Why there are no pairs, if they were not looked for.
    pub no_pairs: Option<String>,
}

/// Most units for which pairs are looked for: the time grows with the third power.
pub const MOST_TO_PAIR: usize = 600;

impl Summary {
    /// Ranks the units and looks for odd ones and pairs.
    #[must_use]
    pub fn new(
        batch: String,
        is_virtual: bool,
        members: Vec<Member>,
        limits: BTreeMap<ResultName, LimitFacts>,
        rigs: &BTreeMap<String, RigErrors>,
    ) -> Self {
        let ranked = rank(&members, &limits);
        let kinds = kinds(&members);
        let (odd, odd_wholes) = (odd_ones(&members, &kinds), odd_wholes(&members, &kinds));
        let few = members.len() <= MOST_TO_PAIR;
        let pairs = if few { pairs(&members, rigs) } else { Vec::new() };
        let no_pairs = (!few).then(|| {
            format!(
                "pairs are looked for in crates of up to {MOST_TO_PAIR} units; `galebench match` finds the most alike"
            )
        });
        Self { batch, is_virtual, members, limits, ranked, kinds, odd, odd_wholes, pairs, no_pairs }
    }

    /// Number of units with each counting grade, best first; `None` counts those without.
    pub(super) fn counts(&self) -> [(Option<Grade>, usize); 5] {
        let all = [Some(Grade::Fit), Some(Grade::Restricted), Some(Grade::Undecided), Some(Grade::Scrap), None];
        all.map(|grade| (grade, self.members.iter().filter(|member| member.grade() == grade).count()))
    }

    /// Kind of the unit with this index; none of one that no run has told anything of.
    pub(super) fn kind_of(&self, member: usize) -> Option<&Kind> {
        // Members of a kind are in order.
        self.kinds.iter().find(|kind| kind.members.binary_search(&member).is_ok())
    }

    /// Numbers of all units that have the result, with their tags.
    pub(super) fn values(&self, name: ResultName) -> Vec<(&str, f64)> {
        let of = |member: &'_ Member| member.numbers.get(&name).map(|(value, _)| *value);
        self.members.iter().filter_map(|member| Some((member.tag.as_str(), of(member)?))).collect()
    }
}

#[derive(Serialize)]
struct UnitJson<'a> {
    rank: usize,
    unit: &'a str,
    kind: Option<&'a str>,
    grade: Option<Grade>,
    measured: Option<Grade>,
    given: Option<GivenJson<'a>>,
    because: &'a str,
    to_do: String,
    risk: Option<f64>,
    runs: usize,
    bench_seconds: f64,
    run: Option<&'a str>,
    shelf: Option<&'a str>,
    donor: Option<&'a str>,
    signs: &'a [String],
    limits: &'a BTreeMap<ResultName, Outcome>,
    results: BTreeMap<ResultName, f64>,
}

#[derive(Serialize)]
struct GivenJson<'a> {
    grade: Grade,
    by: &'a str,
    why: &'a str,
}

#[derive(Serialize)]
struct SummaryJson<'a> {
    format: u32,
    batch: &'a str,
    r#virtual: bool,
    counts: BTreeMap<&'static str, usize>,
    bench_seconds: f64,
    units: Vec<UnitJson<'a>>,
    spreads: BTreeMap<ResultName, Spread>,
    kinds: &'a [Kind],
    odd: &'a [Odd],
    odd_wholes: &'a [OddWhole],
    pairs: &'a [Match],
}

/// The summary as indented JSON.
#[must_use]
pub fn json(summary: &Summary) -> String {
    let units = summary.ranked.iter().enumerate().map(|(place, ranked)| {
        let member = &summary.members[ranked.member];
        UnitJson {
            rank: place + 1,
            unit: &member.tag,
            kind: summary.kind_of(ranked.member).map(|kind| kind.letter.as_str()),
            grade: member.grade(),
            measured: member.measured,
            given: member.given.as_ref().map(|(grade, by, why)| GivenJson { grade: *grade, by, why }),
            because: &ranked.because,
            to_do: to_do(member),
            risk: member.risk,
            runs: member.runs,
            bench_seconds: member.bench_s,
            run: member.run.as_deref(),
            shelf: member.shelf.as_deref(),
            donor: member.donor.as_deref(),
            signs: &member.signs,
            limits: &member.outcomes,
            results: member.numbers.iter().map(|(name, (value, _))| (*name, *value)).collect(),
        }
    });
    let values = |name: ResultName| summary.values(name).iter().map(|(_, value)| *value).collect::<Vec<_>>();
    let document = SummaryJson {
        format: 1,
        batch: &summary.batch,
        r#virtual: summary.is_virtual,
        counts: summary.counts().iter().map(|(grade, n)| (grade.map_or("none", Grade::word), *n)).collect(),
        bench_seconds: summary.members.iter().map(|member| member.bench_s).sum(),
        units: units.collect(),
        spreads: ResultName::ALL.iter().filter_map(|name| Some((*name, spread(&values(*name))?))).collect(),
        kinds: &summary.kinds,
        odd: &summary.odd,
        odd_wholes: &summary.odd_wholes,
        pairs: &summary.pairs,
    };
    // Maps with unit-variant keys, numbers and strings only: nothing that JSON cannot hold.
    serde_json::to_string_pretty(&document).unwrap_or_default() + "\n"
}

#[cfg(test)]
mod tests;
