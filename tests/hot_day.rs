//! What a soak on the bench says of a hot day, beside the same unit in hot air.

mod support;

use galebench::config::plan::Stage;
use galebench::config::rig::ModuleKind;
use galebench::driver::virtual_bench::VirtualBench;
use galebench::plant::statics;
use galebench::results::{Grade, ResultName};
use galebench::units::{Celsius, Seconds};

/// Seed that nothing was tuned on.
const SEED: u64 = 1201;

#[test]
fn the_case_in_hot_air_lies_in_the_interval_predicted_on_the_bench() {
    for (offset, kind) in
        [ModuleKind::LinearLow, ModuleKind::SCurveLowSide, ModuleKind::KickStart].into_iter().enumerate()
    {
        let seed = SEED + offset as u64;
        let rig = support::rig("rigs/virtual.toml", kind, seed, &[]);
        let mut plan = support::plan("test-plans/full.toml");
        plan.stages.retain(|stage| {
            let needed = matches!(
                stage,
                Stage::FirstPower { .. } | Stage::SupplyOpen { .. } | Stage::LineCheck { .. } | Stage::Discover { .. }
            );
            needed || matches!(stage, Stage::SoftStart { .. } | Stage::Soak { .. })
        });
        for stage in &mut plan.stages {
            if let Stage::Soak { duties, each } = stage {
                duties.retain(|duty| duty.fraction() > 0.8);
                *each = Seconds(1800.0);
            }
        }
        plan.limits.clear();
        let asked = plan.under_bonnet.as_mut().expect("the full plan asks for a hot day");
        (asked.ambient, asked.highest_case) = (Celsius(80.0), Celsius(90.0));
        let spec = support::virtual_spec(&mut rig.clone()).clone();
        let cool = VirtualBench::plant_config(&rig, &spec, seed);
        let run = support::run(rig, plan);
        let document = &run.evaluated.document;
        let [day] = document.hot_day.as_slice() else { panic!("one soak: {:?}", document.hot_day) };
        // The unit's own rise on the bench, and how much larger it is in hot air with a fan as much hotter.
        let hz = document.results[&ResultName::CommandHz].as_number().expect("a frequency");
        let ratio = statics::ratio_at(&cool, 0.01 * day.duty_pct, hz);
        let mut hot = cool.clone();
        hot.ambient_c = 80.0;
        let copper_c = cool.ambient_c + 30.0;
        let grows =
            statics::heat(&hot, ratio, copper_c + 80.0 - cool.ambient_c).0 / statics::heat(&cool, ratio, copper_c).0;
        let on_bench = support::true_number(&run.truth, ResultName::HeatRiseK).expect("a true rise");
        let truth = 80.0 + on_bench * grows;
        let [Some(low), Some(high)] = day.interval else { panic!("held long enough: {day:?}") };
        assert!((low..=high).contains(&truth), "{}: {truth} {day:?}", kind.name());
        let most = day.most_ambient_c.expect("held long enough");
        assert!(most < 90.0 - on_bench, "guarded: {day:?}");
        let verdict = document.verdict.as_ref().expect("a verdict");
        let restricted =
            verdict.reasons.iter().any(|reason| reason.contains("fit only where the air at it stays below"));
        assert_eq!(restricted, most < 80.0, "{:?}", verdict.reasons);
        assert_ne!(verdict.grade, Grade::Fit);
    }
}
