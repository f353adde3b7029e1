//! What the unit makes of its command at one frequency.

use serde::{Deserialize, Serialize};

use super::Fitted;

/// One command frequency that was tried.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct ByFrequency {
    /// Command frequency, hertz.
    pub hz: f64,
    /// What the unit did there: `follows`, `misreads`, `hunts`, `stops`, `full`, `holds`; null where only thresholds were
    /// looked for.
    pub did: Option<String>,
    /// Duty that the unit acts as if it were given, less the commanded one, points: from its output there and the curve at
    /// the frequency at which it was characterised, where it is 0 by definition. Null where it does not follow.
    pub decode_error_pct: Option<Fitted>,
    /// Lowest rising duty at which the output chops, points of duty; null where that was not looked for or not found.
    pub output_on_pct: Option<Fitted>,
    /// Highest falling duty at which it stops.
    pub output_off_pct: Option<Fitted>,
    /// Duty that started the fan, one start.
    pub start_duty_pct: Option<Fitted>,
    /// Duty, reached from turning, below which it stopped, one stop.
    pub stop_duty_pct: Option<Fitted>,
}
