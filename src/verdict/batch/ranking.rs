//! Which units are best and why, and what to do with each.

use std::cmp::Ordering;
use std::collections::BTreeMap;

use super::member::{Member, Standing};
use crate::record::event::LimitFacts;
use crate::results::{Grade, ResultName};
use crate::units::{for_people, significant};

/// A unit with its place.
#[derive(Clone, Debug, PartialEq)]
pub struct Ranked {
    /// Index into the members.
    pub member: usize,
    /// Why it stands there.
    pub because: String,
}

/// Best first: by grade, then by the risk of breaking a limit, then by the room left to the tightest limit.
#[must_use]
pub fn rank(members: &[Member], limits: &BTreeMap<ResultName, LimitFacts>) -> Vec<Ranked> {
    let tightest: Vec<_> = members.iter().map(|member| member.tightest(limits)).collect();
    let mut order: Vec<usize> = (0..members.len()).collect();
    order.sort_by(|a, b| {
        let (x, y) = (&members[*a], &members[*b]);
        let lower = |a: Option<f64>, b: Option<f64>| match (a, b) {
            (Some(a), Some(b)) => a.total_cmp(&b),
            (Some(_), None) => Ordering::Less,
            (None, Some(_)) => Ordering::Greater,
            (None, None) => Ordering::Equal,
        };
        let room = |i: usize| tightest[i].map(|(_, room)| -room);
        y.grade().cmp(&x.grade()).then(lower(x.risk, y.risk)).then(lower(room(*a), room(*b))).then(x.tag.cmp(&y.tag))
    });
    let ranked = |member| Ranked { member, because: because(&members[member], tightest[member], limits) };
    order.into_iter().map(ranked).collect()
}

fn because(member: &Member, tightest: Option<(ResultName, f64)>, limits: &BTreeMap<ResultName, LimitFacts>) -> String {
    let mut parts = Vec::new();
    if let Some((grade, by, why)) = &member.given {
        let measured = member.measured.map_or("no verdict", Grade::word);
        parts.push(format!("{} by {by}: {why} (measured: {measured})", grade.word()));
    }
    match &member.standing {
        Standing::Judged => parts.extend(member.reasons.first().cloned()),
        Standing::Stopped(why) => parts.push(format!("stopped: {why}")),
        Standing::Skipped(why) => parts.push(format!("passed over: {why}")),
        Standing::Waiting => parts.push("not run yet".to_owned()),
    }
    if let Some((name, limit, (value, _))) =
        tightest.and_then(|(name, _)| Some((name, limits.get(&name)?, member.numbers.get(&name)?)))
    {
        let (factor, unit) = for_people(name.unit(), *value);
        let limit = crate::verdict::limit_words(limit, name.unit());
        let shown = format!("{} {unit}", significant(value * factor, 3));
        parts.push(format!("closest to its limit: {} {}, {limit}", name.words(), shown.trim_end()));
    }
    parts.join("; ")
}

/// What to do with a unit, in one phrase.
#[must_use]
pub fn to_do(member: &Member) -> String {
    // A person's grade goes by their reason; of a measured one the bound, which stands before its evidence.
    let reason = || match &member.given {
        Some((_, _, why)) => why.clone(),
        None => {
            let first = member.reasons.first().map_or("", String::as_str);
            first.split_once(": ").map_or(first, |(bound, _)| bound).to_owned()
        }
    };
    match (&member.standing, member.grade()) {
        (_, Some(Grade::Fit)) => "fit it, within the load stated".to_owned(),
        (_, Some(Grade::Restricted)) => format!("fit it only within its bounds: {}", reason()),
        (_, Some(Grade::Undecided)) => format!("find out more: {}", reason()),
        (_, Some(Grade::Scrap)) => match member.signs.first() {
            Some(fault) => format!("do not fit it: {fault}"),
            None => format!("do not fit it: {}", reason()),
        },
        (Standing::Skipped(why), None) => format!("run it, once this is put right: {why}"),
        (Standing::Stopped(why), None) => format!("run it again; it was stopped: {why}"),
        (Standing::Waiting | Standing::Judged, None) => "run it".to_owned(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn member(tag: &str, grade: Grade, risk: f64, drop_v: f64) -> Member {
        let mut member = Member::waiting(tag);
        member.standing = Standing::Judged;
        member.measured = Some(grade);
        member.risk = Some(risk);
        member.reasons = vec!["meets all 1 limits of the plan".to_owned()];
        member.numbers.insert(ResultName::DropV, (drop_v, 0.01));
        member
    }

    fn limits() -> BTreeMap<ResultName, LimitFacts> {
        BTreeMap::from([(ResultName::DropV, LimitFacts { max: Some(0.5), ..LimitFacts::default() })])
    }

    #[test]
    fn grade_counts_before_risk_before_room_and_a_persons_grade_counts() {
        let mut given = member("TQ-0005", Grade::Scrap, 0.9, 0.9);
        given.given = Some((Grade::Fit, "the foreman".to_owned(), "loose clip".to_owned()));
        let members = [
            member("TQ-0001", Grade::Scrap, 0.99, 0.7),
            member("TQ-0002", Grade::Fit, 0.02, 0.4),
            member("TQ-0003", Grade::Fit, 0.01, 0.45),
            member("TQ-0004", Grade::Fit, 0.01, 0.2),
            given,
            Member::waiting("TQ-0006"),
        ];
        let ranked = rank(&members, &limits());
        let tags: Vec<&str> = ranked.iter().map(|ranked| members[ranked.member].tag.as_str()).collect();
        assert_eq!(tags, ["TQ-0004", "TQ-0003", "TQ-0002", "TQ-0005", "TQ-0001", "TQ-0006"]);
        assert!(
            ranked[1]
                .because
                .contains("closest to its limit: voltage lost in the module flat out 450 mV, at most 500 mV"),
            "{}",
            ranked[1].because
        );
        assert!(ranked[3].because.starts_with("fit by the foreman: loose clip (measured: scrap)"));
        assert_eq!(to_do(&members[5]), "run it");
        let mut given = members[1].clone();
        given.given = Some((Grade::Restricted, "the foreman".to_owned(), "low current use".to_owned()));
        assert_eq!(to_do(&given), "fit it only within its bounds: low current use");
    }
}
