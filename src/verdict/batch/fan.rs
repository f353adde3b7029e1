//! The load fan behind the speeds of a unit: speeds measured with different fans say nothing of how two units compare, and a
//! fan warm from the unit before turns more slowly.

use crate::results::{Fitted, LoadFan};

/// Change of the resistance of copper per kelvin, from 20 degrees on.
const COPPER_PER_K: f64 = 3.93e-3;
/// Constants of one fan differ by this share from run to run: brushes, cables, the module in its path.
const SAME_FAN: f64 = 0.12;
/// How far apart two runs on one fan may have been in warmth where no run tells, kelvin: one after a rest, one after a soak.
const UNKNOWN_K: f64 = 15.0;
/// Share of the speed that a fan loses per kelvin of its copper where its constants are unknown: those of a fan that drops a
/// fifth of its voltage in the copper flat out.
const UNKNOWN_PER_K: f64 = 0.2 / 1.4 * COPPER_PER_K;

/// What a run tells of its load fan.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Fan {
    /// The fan that the rig file names.
    pub named: Option<String>,
    /// Resistance at the begin of the first start, ohm.
    pub resistance: Option<Fitted>,
    /// Back-EMF constant, volt seconds.
    pub ke: Option<Fitted>,
    /// Torque of the air over the square of the speed.
    pub air: Option<Fitted>,
}

impl Fan {
    /// As a run identified it.
    #[must_use]
    pub fn of(fan: Option<&LoadFan>) -> Self {
        let Some(fan) = fan else { return Self::default() };
        let known = |fitted: Fitted| (fitted.value > 0.0 && fitted.value.is_finite()).then_some(fitted);
        Self {
            named: None,
            resistance: known(fan.resistance_ohm),
            ke: fan.ke_v_s.and_then(known),
            air: fan.air_nm_s2.and_then(known),
        }
    }

    /// Whether two runs were taken with different fans: by name, or by a back-EMF constant that no warmth changes.
    #[must_use]
    pub fn is_other(&self, than: &Self) -> bool {
        let named = self.named.as_ref().zip(than.named.as_ref()).is_some_and(|(a, b)| a != b);
        let far = |a: Option<Fitted>, b: Option<Fitted>| {
            a.zip(b).is_some_and(|(a, b)| {
                (a.value - b.value).abs() > SAME_FAN * a.value.max(b.value) + 3.0 * a.u.hypot(b.u)
            })
        };
        named || far(self.ke, than.ke)
    }

    /// Standard uncertainty of the difference of two speeds near `rpm` from the warmth of the fan in both runs, rpm.
    ///
    /// The fan's resistance at the first start tells how warm it still was from the unit before. How much of that was left
    /// when the speeds were read is not known: anything from nothing to all, hence the square root of 3.
    #[must_use]
    pub fn warmth_u(&self, than: &Self, rpm: f64) -> f64 {
        let apart_k = match (self.resistance, than.resistance) {
            (Some(a), Some(b)) => {
                let share = (a.value / b.value).ln();
                let u = (a.u / a.value).hypot(b.u / b.value);
                (share / COPPER_PER_K).hypot(u / COPPER_PER_K)
            }
            _ => UNKNOWN_K,
        };
        rpm.abs() * self.per_k(rpm).max(than.per_k(rpm)) * apart_k / 3.0_f64.sqrt()
    }

    /// Share of the speed lost per kelvin of copper: with `V = Ke w + I R` and `Ke I = c w²` at a given output voltage,
    /// `dw / w = -a q / (1 + 2 q)` per kelvin, where `q = I R / (Ke w) = R c w / Ke²`.
    fn per_k(&self, rpm: f64) -> f64 {
        match (self.resistance, self.ke, self.air) {
            (Some(ohm), Some(ke), Some(air)) => {
                let rad_s = rpm.abs() * std::f64::consts::TAU / 60.0;
                let q = ohm.value * air.value * rad_s / (ke.value * ke.value);
                COPPER_PER_K * q / (1.0 + 2.0 * q)
            }
            _ => UNKNOWN_PER_K,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const fn fitted(value: f64, u: f64) -> Option<Fitted> {
        Some(Fitted { value, u })
    }

    fn fan(ohm: f64, ke: f64) -> Fan {
        Fan { named: None, resistance: fitted(ohm, 0.0), ke: fitted(ke, 0.001), air: fitted(1e-5, 0.0) }
    }

    #[test]
    fn a_speed_of_the_model_moves_by_what_the_warmth_says() {
        // The speed at 12 V by the fan's own equations, 10 K apart.
        let speed = |ohm: f64| {
            let (ke, air) = (0.05_f64, 1e-5_f64);
            let a = ohm * air / ke;
            (-ke + (ke * ke + 4.0 * a * 12.0).sqrt()) / (2.0 * a) * 60.0 / std::f64::consts::TAU
        };
        let (cold, warm) = (0.1, 0.1 * (10.0 * COPPER_PER_K).exp());
        let due = (speed(cold) - speed(warm)).abs() / 3.0_f64.sqrt();
        let said = fan(cold, 0.05).warmth_u(&fan(warm, 0.05), speed(cold));
        assert!((said / due - 1.0).abs() < 0.03, "{said} {due}");
        assert!(fan(cold, 0.05).warmth_u(&fan(cold, 0.05), 2000.0) < 1e-9);
        assert!(Fan::default().warmth_u(&Fan::default(), 2000.0) > 5.0, "what is not known is not nothing");
    }

    #[test]
    fn fans_are_told_apart_by_name_and_by_constant_and_not_by_warmth() {
        assert!(!fan(0.1, 0.05).is_other(&fan(0.13, 0.051)));
        assert!(fan(0.1, 0.05).is_other(&fan(0.1, 0.065)));
        let named = |name: &str| Fan { named: Some(name.to_owned()), ..fan(0.1, 0.05) };
        assert!(named("big").is_other(&named("small")) && !named("big").is_other(&fan(0.1, 0.05)));
    }
}
