//! Starts and stops that come with the output itself: the fan would have started lower, or run on lower, had there been any
//! output to offer it.
//!
//! A fan starts at the higher of two duties, and stops at the higher of two: that of the module, which is the same in every
//! trial, and its own, which scatters. Where the output came on (or went off) at the same step, a trial tells of the fan's own
//! only that it lies lower.

use super::threshold_fit::{self, Bracket, Located, ThresholdFit};

/// What trials tell of which some came with the output.
#[derive(Clone, Debug, PartialEq)]
pub(super) enum Came {
    /// All of them: the threshold is the module's, and lies in what all brackets share.
    Always(Bracket),
    /// Some of them.
    Sometimes(Box<Above>),
}

/// The fan's own threshold, and where it lies above the module's.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Above {
    /// Of the fan alone.
    pub(super) fan: ThresholdFit,
    /// Duty that suffices in half of the trials.
    pub(super) centre: Located,
    /// Duty that suffices in 95 of 100.
    pub(super) p95: Located,
}

/// So many trials that all come with the output leave it no room for chance.
const ALWAYS: usize = 6;

/// Tells trials that came with the output from others; `None` where none did, or where they agree on nothing.
///
/// `output` is where the output comes on, or goes off, by all trials.
pub(super) fn of(brackets: &[Bracket], output: Bracket) -> Option<Came> {
    let comes_with = |bracket: &Bracket| bracket.below < output.at;
    let with = brackets.iter().filter(|bracket| comes_with(bracket)).count();
    if with == 0 {
        return None;
    }
    if with == brackets.len() {
        let closed = brackets.iter().filter(|bracket| bracket.width().is_some()).count();
        let shared = in_common(&[brackets, &[output]].concat()).filter(|shared| shared.width().is_some());
        return shared.filter(|_| closed >= ALWAYS).map(Came::Always);
    }
    let open = |bracket: &Bracket| if comes_with(bracket) { Bracket::under(bracket.at) } else { *bracket };
    let fan = threshold_fit::fit(&brackets.iter().map(open).collect::<Vec<_>>())?;
    // No fan turns without output.
    let above = |at: &Located| Located {
        value: at.value.max(output.middle()),
        low: Some(at.low.map_or(output.below, |low| low.max(output.below))),
        high: at.high.map(|high| high.max(output.at)),
    };
    let (centre, p95) = (above(&fan.centre), above(&fan.p95));
    Some(Came::Sometimes(Box::new(Above { fan, centre, p95 })))
}

/// What all brackets have in common; `None` when they contradict.
pub(super) fn in_common(brackets: &[Bracket]) -> Option<Bracket> {
    let below = brackets.iter().map(|b| b.below).reduce(f64::max)?;
    let at = brackets.iter().map(|b| b.at).reduce(f64::min)?;
    (below < at).then_some(Bracket { below, at })
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand::SeedableRng;
    use rand_distr::{Distribution, Normal};
    use rand_xoshiro::Xoshiro256PlusPlus;

    const ON: f64 = 11.3;
    const OUTPUT: Bracket = Bracket { below: 11.29, at: 11.31 };
    const STEP: f64 = 0.1;

    /// Eight starts of such a fan behind a module whose output comes on at [`ON`], each from its own part of a step.
    fn starts(median: f64, sigma: f64, rng: &mut Xoshiro256PlusPlus) -> Vec<Bracket> {
        let fan = Normal::new(median, sigma).unwrap();
        let one = |i: u32| {
            let offset = STEP * (f64::from(i) * 0.618).fract();
            let at = ((fan.sample(rng).max(ON) - offset) / STEP).ceil() * STEP + offset;
            Bracket { below: at - STEP, at }
        };
        (0..8).map(one).collect()
    }

    fn holds(at: &Located, truth: f64) -> bool {
        at.low.is_none_or(|low| low <= truth) && at.high.is_none_or(|high| truth <= high)
    }

    #[test]
    fn starts_that_come_with_the_output_leave_half_and_95_of_100_inside_their_intervals() {
        let mut rng = Xoshiro256PlusPlus::seed_from_u64(7);
        for (median, sigma) in [(11.0, 0.35), (11.2, 0.35), (11.3, 0.2), (11.1, 0.1), (11.4, 0.1)] {
            let truth = ON.max(median);
            let truth_95 = ON.max(median + threshold_fit::Z95 * sigma);
            let (mut all, mut held, mut held_95, mut error) = (0.0, 0.0, 0.0, 0.0);
            for _ in 0..120 {
                let Some(Came::Sometimes(above)) = of(&starts(median, sigma, &mut rng), OUTPUT) else { continue };
                all += 1.0;
                error += above.centre.value - truth;
                held += f64::from(u8::from(holds(&above.centre, truth)));
                held_95 += f64::from(u8::from(holds(&above.p95, truth_95)));
            }
            // 95 of 100 expected; under 90 has a chance of about 1 in 100 (binomial).
            assert!(held >= 0.9 * all && held_95 >= 0.9 * all, "{median} {sigma}: {held} and {held_95} of {all}");
            // On the average hardly high: with the output's starts among the fan's own it would be.
            assert!(error / all < 0.25 * sigma, "{median} {sigma}: {}", error / all);
        }
    }

    #[test]
    fn starts_that_all_come_with_the_output_are_the_modules_own() {
        let mut rng = Xoshiro256PlusPlus::seed_from_u64(8);
        let brackets = starts(10.0, 0.1, &mut rng);
        let Some(Came::Always(shared)) = of(&brackets, OUTPUT) else { panic!("{brackets:?}") };
        assert!(shared.below >= OUTPUT.below && shared.at <= OUTPUT.at && shared.below < ON && ON <= shared.at);
        assert_eq!(of(&brackets[..3], OUTPUT), None, "three may do so by chance");
        assert_eq!(of(&brackets, Bracket { below: 10.0, at: 10.2 }), None, "long on by then");
        let slow = Bracket { below: 11.35, at: 11.45 };
        assert!(matches!(of(&[&brackets[..], &[slow]].concat(), OUTPUT), Some(Came::Sometimes(_))));
    }
}
