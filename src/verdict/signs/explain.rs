//! Explaining away: what one fault makes look like the work of another.
//!
//! Two faults in one unit are as rare as their priors multiplied, so what a fault that is there explains is no evidence of a
//! second one: the strength of the second is that of its evidence times the probability that the first is not there
//! (Pearson, Probabilistic Reasoning in Intelligent Systems, 1988, section 2.2.4).

use super::{fault, rounded};
use crate::results::Sign;

/// Faults and what they show besides, causes before what is itself a cause further down.
///
/// A capacitor that is gone resets its module under load, which drops the current out, takes the output back and adds to
/// the voltage lost. A cracked joint adds its ohms to those of the switch, and its drop-outs lower the mean output of a
/// stretch and the speed at which a frequency was tried. An output taken back in the heat was below the supply all along, and a
/// unit that never gets to full speed seems to leave its frequency band.
const SHOWS_BESIDES: [(&str, &[&str]); 4] = [
    (
        fault::DRIED_CAPACITOR,
        &[fault::CRACKED_JOINT, fault::THERMAL_LIMIT_EARLY, fault::CURRENT_LIMIT_EARLY, fault::PARALLEL_SWITCH_OPEN],
    ),
    (
        fault::CRACKED_JOINT,
        &[fault::PARALLEL_SWITCH_OPEN, fault::THERMAL_LIMIT_EARLY, fault::CURRENT_LIMIT_EARLY, fault::BAND_SHIFTED],
    ),
    (fault::THERMAL_LIMIT_EARLY, &[fault::CURRENT_LIMIT_EARLY, fault::BAND_SHIFTED]),
    (fault::CURRENT_LIMIT_EARLY, &[fault::BAND_SHIFTED]),
];

/// Takes from each sign what the others explain of it; those that are left with too little to be shown go.
pub(super) fn away(signs: &mut Vec<Sign>) {
    for (cause, besides) in SHOWS_BESIDES {
        let Some(there) = signs.iter().find(|sign| sign.fault == cause).map(|sign| sign.strength) else { continue };
        for sign in signs.iter_mut().filter(|sign| besides.contains(&sign.fault.as_str())) {
            sign.strength = rounded(sign.strength * (1.0 - there));
        }
    }
    signs.retain(|sign| sign.of_bench || sign.strength >= super::SHOWN);
}

#[cfg(test)]
mod tests {
    use super::super::sign;
    use super::*;

    fn left(signs: &[(&str, f64)]) -> Vec<(String, f64)> {
        let mut all: Vec<Sign> = signs.iter().map(|(fault, strength)| sign(fault, *strength, "")).collect();
        away(&mut all);
        all.into_iter().map(|sign| (sign.fault, sign.strength)).collect()
    }

    #[test]
    fn what_a_joint_explains_is_left_with_the_chance_that_there_is_no_joint() {
        let all = left(&[(fault::THERMAL_LIMIT_EARLY, 0.9), (fault::CRACKED_JOINT, 0.85), (fault::BAND_SHIFTED, 0.9)]);
        assert_eq!(
            all,
            [
                (fault::THERMAL_LIMIT_EARLY.to_owned(), 0.14),
                (fault::CRACKED_JOINT.to_owned(), 0.85),
                (fault::BAND_SHIFTED.to_owned(), 0.12)
            ]
        );
    }

    #[test]
    fn a_cause_that_is_itself_explained_explains_no_more_than_is_left_of_it() {
        let all =
            left(&[(fault::DRIED_CAPACITOR, 0.97), (fault::CRACKED_JOINT, 0.85), (fault::PARALLEL_SWITCH_OPEN, 0.5)]);
        assert_eq!(all, [(fault::DRIED_CAPACITOR.to_owned(), 0.97)]);
    }

    #[test]
    fn signs_that_have_nothing_to_do_with_each_other_are_left_alone() {
        let both = [(fault::SLEEP_LOST, 0.9), (fault::CRACKED_JOINT, 0.97)];
        assert_eq!(left(&both), both.map(|(fault, strength)| (fault.to_owned(), strength)));
    }
}
