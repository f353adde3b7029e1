//! What a soak on the bench says of a hot day under a bonnet.

use serde::{Deserialize, Serialize};

use super::Measured;

/// Heating of the case in one soak, as fitted.
#[derive(Clone, Debug, PartialEq)]
pub struct SoakedHeat {
    /// Command duty, percent.
    pub duty_pct: f64,
    /// Mean supply current of its last tenth; `None` where none was recorded.
    pub supply_a: Option<f64>,
    /// Ambient meanwhile.
    pub ambient_c: f64,
    /// Case less ambient, carried on to its end; a bound when too little of it was seen.
    pub rise: Measured,
}

/// Case temperature to be expected of a duty held for long at the plan's under-bonnet ambient.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct HotDay {
    /// Command duty held, percent.
    pub duty_pct: f64,
    /// Supply current that it took on the bench; null where none was recorded.
    pub supply_a: Option<f64>,
    /// Ambient of the prediction, from the plan.
    pub ambient_c: f64,
    /// Case temperature expected there.
    pub case_c: f64,
    /// Its 95 % interval; an open end is null: too little of the warming was seen.
    pub interval: [Option<f64>; 2],
    /// Highest case temperature that the plan allows.
    pub highest_case_c: f64,
    /// Ambient up to which the case stays below that, with the risk of the plan; null when it is not known.
    pub most_ambient_c: Option<f64>,
}
