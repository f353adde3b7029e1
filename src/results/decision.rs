//! How a limit was judged: the risk that the plan accepts, and what acceptance limit follows from it for one result.

use serde::{Deserialize, Serialize};

/// What the accepted risk is a share of.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum RiskKind {
    /// Of the units that break a limit, this share may be passed nevertheless, whatever comes in.
    #[default]
    Specific,
    /// Of all units that come, this share may break a limit and be passed nevertheless.
    Global,
}

impl RiskKind {
    /// Word as in plan files.
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Self::Specific => "specific",
            Self::Global => "global",
        }
    }

    /// The kind of that word.
    #[must_use]
    pub fn from_word(word: &str) -> Option<Self> {
        [Self::Specific, Self::Global].into_iter().find(|kind| kind.word() == word)
    }
}

/// The consumer's risk that the plan accepts, and over how many looks it is spent.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct RiskRule {
    /// What `accepted` is a share of.
    pub kind: RiskKind,
    /// Accepted risk, 0 to 1.
    pub accepted: f64,
    /// Most looks at one limit in one run, the first included.
    pub looks: u32,
}

impl Default for RiskRule {
    /// What held before plans could state it: the 95 % interval as guard band, one look.
    fn default() -> Self {
        Self { kind: RiskKind::Specific, accepted: 0.025, looks: 1 }
    }
}

/// How the limit on one number was judged (JCGM 106, 8.3).
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Decision {
    /// Which look at this limit it was, from 1.
    pub look: u32,
    /// Risk spent on this look: the guard band is as wide as that asks for.
    pub risk: f64,
    /// At the smallest value allowed; null without one.
    pub min: Option<Guard>,
    /// At the largest value allowed; null without one.
    pub max: Option<Guard>,
}

/// One end of the range allowed with its guard band, in the result's unit.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Guard {
    /// The limit of the plan.
    pub limit: f64,
    /// Expanded uncertainty `U` towards that limit: half the 95 % interval on the side that counts.
    pub expanded_u: f64,
    /// Guard band over expanded uncertainty.
    pub r: f64,
    /// Guard band `w = r U`.
    pub guard_band: f64,
    /// Acceptance limit: values from here inwards meet the limit.
    pub accepted: f64,
}
