//! From the soaks on the bench to a hot day under the bonnet: case temperature at the plan's ambient, and the ambient up to
//! which the case stays below what the plan allows.
//!
//! The case rises above the air around it by what the module loses. In hotter air it loses more, because its switches
//! conduct worse (some 0.4 % per kelvin), and less, because the copper of the fan takes less current. How much of the loss
//! is conduction is not known, so the rise is taken to grow by half of that per kelvin, evenly between none and all of it
//! (JCGM 100, 4.3.7). Air moves differently behind a radiator than on a bench: nothing here corrects for that, and every
//! surface that shows the prediction says so.

use crate::record::recording::Recording;
use crate::results::{Findings, HotDay, SoakedHeat};
use crate::verdict::rule;

/// Growth of the loss of a switch per kelvin.
const CONDUCTION_PER_K: f64 = 0.004;
/// Growth of the rise per kelvin of ambient: the middle between none and that, and its standard uncertainty.
const GROWTH: f64 = 0.5 * CONDUCTION_PER_K;
/// Half the range over the root of three.
const GROWTH_U: f64 = 0.5 * CONDUCTION_PER_K / 1.732_050_8;

/// One prediction per soak; none unless the plan states what is under the bonnet.
#[must_use]
pub fn hot_day(findings: &Findings, rec: &Recording) -> Vec<HotDay> {
    let plan = &rec.header.plan_facts;
    let Some(asked) = plan.under_bonnet else { return Vec::new() };
    let risk = rule::spent(rule::accepted(plan), 1, plan.risk.looks);
    findings.soaks.iter().filter_map(|soak| predict(soak, asked.ambient_c, asked.highest_case_c, risk)).collect()
}

fn predict(soak: &SoakedHeat, ambient_c: f64, highest_case_c: f64, risk: f64) -> Option<HotDay> {
    let rise_k = soak.rise.as_number().filter(|rise| rise.is_finite() && soak.ambient_c.is_finite())?;
    let warmer = |ambient_c: f64, growth: f64| rise_k * (1.0 + growth * (ambient_c - soak.ambient_c));
    let case_c = ambient_c + warmer(ambient_c, GROWTH);
    let [low, high] = soak.rise.interval.unwrap_or_default();
    // Both reaches at 95 %: that of the rise on its side, and that of its growth.
    let scale = 1.0 + GROWTH * (ambient_c - soak.ambient_c);
    let by_growth = 1.96 * (warmer(ambient_c, GROWTH + GROWTH_U) - warmer(ambient_c, GROWTH)).abs();
    let reach = |end: f64| ((end - rise_k).abs() * scale).hypot(by_growth);
    let interval = [low.map(|low| case_c - reach(low)), high.map(|high| case_c + reach(high))];
    Some(HotDay {
        duty_pct: soak.duty_pct,
        supply_a: soak.supply_a,
        ambient_c,
        case_c,
        interval,
        highest_case_c,
        most_ambient_c: most_ambient(soak, highest_case_c, risk),
    })
}

/// Ambient at which the case, with its guard band for `risk`, is just at `highest_case_c`; `None` for a bound.
fn most_ambient(soak: &SoakedHeat, highest_case_c: f64, risk: f64) -> Option<f64> {
    let rise_k = soak.rise.as_number()?;
    let [_, above] = rule::reach(&soak.rise, risk)?;
    let z = above.r * 1.96;
    let case_guarded = |ambient_c: f64| {
        let apart = ambient_c - soak.ambient_c;
        let scale = 1.0 + GROWTH * apart;
        ambient_c + rise_k * scale + (above.guard_band() * scale).hypot(z * GROWTH_U * rise_k * apart)
    };
    // It grows with the ambient by one and a little: each step leaves a few percent of the distance.
    let mut ambient_c = highest_case_c - rise_k;
    for _ in 0..60 {
        ambient_c += highest_case_c - case_guarded(ambient_c);
    }
    ambient_c.is_finite().then_some(ambient_c)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::record::event::UnderBonnetFacts;
    use crate::results::{Contribution, Measured, ResultName, RiskRule};

    fn soak(rise_k: f64, u_k: f64) -> SoakedHeat {
        let parts = vec![Contribution::common("sensors", u_k)];
        let rise = Measured::number(ResultName::HeatRiseK, rise_k, 1.96, parts, "first-order fit", 1);
        SoakedHeat { duty_pct: 85.0, supply_a: Some(18.0), ambient_c: 22.0, rise }
    }

    fn predicted(soak: SoakedHeat, under_bonnet: Option<UnderBonnetFacts>) -> Vec<HotDay> {
        let mut rec = Recording::default();
        rec.header.plan_facts.under_bonnet = under_bonnet;
        rec.header.plan_facts.risk = RiskRule::default();
        hot_day(&Findings { soaks: vec![soak], ..Findings::default() }, &rec)
    }

    const ASKED: UnderBonnetFacts = UnderBonnetFacts { ambient_c: 72.0, highest_case_c: 110.0 };

    #[test]
    fn nothing_is_predicted_unasked() {
        assert_eq!(predicted(soak(30.0, 1.0), None), Vec::new());
    }

    #[test]
    fn the_rise_is_carried_to_hotter_air_with_its_interval() {
        let day = predicted(soak(30.0, 1.0), Some(ASKED)).remove(0);
        // 50 K hotter: 10 % more rise, between none and 20 %.
        assert!((day.case_c - (72.0 + 33.0)).abs() < 1e-9, "{day:?}");
        let half = (1.96_f64 * 1.1).hypot(1.96 * 30.0 * 50.0 * 0.002 / 3.0_f64.sqrt());
        assert!((day.interval[1].unwrap() - day.case_c - half).abs() < 1e-6, "{day:?} {half}");
        assert!((day.case_c - day.interval[0].unwrap() - half).abs() < 1e-6);
    }

    #[test]
    fn the_most_ambient_leaves_the_guard_band_below_the_highest_case() {
        let day = predicted(soak(30.0, 1.0), Some(ASKED)).remove(0);
        let most = day.most_ambient_c.unwrap();
        let there = predicted(soak(30.0, 1.0), Some(UnderBonnetFacts { ambient_c: most, ..ASKED })).remove(0);
        assert!((there.interval[1].unwrap() - 110.0).abs() < 0.01, "at 2.5 % the 95 % interval ends there: {there:?}");
        let surer = predicted(soak(30.0, 0.2), Some(ASKED)).remove(0);
        assert!(surer.most_ambient_c.unwrap() > most);
    }

    #[test]
    fn a_bound_bounds_below_only() {
        let mut seen = soak(30.0, 1.0);
        seen.rise.interval = Some([Some(25.0), None]);
        let day = predicted(seen, Some(ASKED)).remove(0);
        assert!(day.interval[0].is_some() && day.interval[1].is_none() && day.most_ambient_c.is_none(), "{day:?}");
    }
}
