//! Energy books: what the supply gave, where it went, what is stored.

use super::motor::MotorStep;
use super::source::SourceStep;

/// Energy since the beginning, joules.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Books {
    /// Out of the supply.
    pub supply_j: f64,
    /// Heat in supply resistances and cables.
    pub cable_j: f64,
    /// Heat in the module.
    pub module_j: f64,
    /// Heat in the copper.
    pub copper_j: f64,
    /// Friction heat.
    pub friction_j: f64,
    /// Shaft work on the air.
    pub air_j: f64,
    /// Stored in the input capacitor.
    pub capacitor_j: f64,
    /// Stored in the motor's inductance.
    pub inductor_j: f64,
    /// Stored in the rotor.
    pub rotor_j: f64,
}

impl Books {
    pub(crate) fn add(&mut self, source: &SourceStep, motor: &MotorStep, module_j: f64) {
        self.supply_j += source.from_j;
        self.cable_j += source.heat_j;
        self.module_j += module_j;
        self.copper_j += motor.copper_j;
        self.friction_j += motor.friction_j;
        self.air_j += motor.air_j;
    }

    /// Heat, shaft work and stored energy together.
    #[must_use]
    pub fn accounted_j(&self) -> f64 {
        self.cable_j
            + self.module_j
            + self.copper_j
            + self.friction_j
            + self.air_j
            + self.capacitor_j
            + self.inductor_j
            + self.rotor_j
    }
}
