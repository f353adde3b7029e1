//! The command over its frequency: how far the unit misreads the duty at each that was tried, and where its output and the
//! fan come on at those for which the plan asks.

use crate::analysis::frequency::{self, Tried};
use crate::analysis::response::{Kind, Response};
use crate::analysis::threshold_fit::Bracket;
use crate::analysis::thresholds::{self, At, same};
use crate::record::recording::Recording;
use crate::results::{ByFrequency, CurvePoint, Findings, Fitted};

/// Between two points of the curve closer than this the duty cannot be read, share of full.
const LEAST_RISE: f64 = 0.01;

/// Fills in the table by frequency, lowest first. Needs the curve to have been read before.
pub(crate) fn find(rec: &Recording, findings: &mut Findings) {
    let mut rows: Vec<ByFrequency> = Vec::new();
    if let Some(response) = Response::of(rec)
        && let Some((nominal_hz, tried)) = frequency::all_tried(rec, &response)
    {
        let characteristic = characteristic(&findings.curve, &response);
        let at_nominal = tried.iter().find(|tried| same(tried.hz, nominal_hz));
        let reference = at_nominal.and_then(|tried| Some((tried, duty_of(&characteristic, tried.share.value)?)));
        for tried in &tried {
            let error = reference.and_then(|reference| decode_error(&characteristic, reference, tried));
            let row = row_at(&mut rows, tried.hz);
            // Of several tries at one frequency the last holds.
            (row.did, row.decode_error_pct) = (Some(tried.did.to_owned()), error);
        }
    }
    let duty_u_pct = rec.header.bench.duty_u_pct;
    for At { hz, on, off, start, stop } in thresholds::by_frequency(rec) {
        let row = row_at(&mut rows, hz);
        let fitted = |bracket: Option<Bracket>| bracket.and_then(|bracket| middle(&bracket, duty_u_pct));
        for (place, found) in [
            (&mut row.output_on_pct, fitted(on)),
            (&mut row.output_off_pct, fitted(off)),
            (&mut row.start_duty_pct, fitted(start)),
            (&mut row.stop_duty_pct, fitted(stop)),
        ] {
            *place = found.or(*place);
        }
    }
    rows.sort_by(|a, b| a.hz.total_cmp(&b.hz));
    findings.by_frequency = rows;
}

fn row_at(rows: &mut Vec<ByFrequency>, hz: f64) -> &mut ByFrequency {
    let index = rows.iter().position(|row| same(row.hz, hz)).unwrap_or_else(|| {
        rows.push(ByFrequency {
            hz,
            did: None,
            decode_error_pct: None,
            output_on_pct: None,
            output_off_pct: None,
            start_duty_pct: None,
            stop_duty_pct: None,
        });
        rows.len() - 1
    });
    &mut rows[index]
}

fn middle(bracket: &Bracket, duty_u_pct: f64) -> Option<Fitted> {
    let width = bracket.width()?;
    Some(Fitted { value: bracket.middle(), u: (width / 12.0_f64.sqrt()).hypot(duty_u_pct) })
}

/// Duty over the answering quantity as a share of full, rising: the settled points of the curve, those of one duty as one.
fn characteristic(curve: &[CurvePoint], response: &Response) -> Vec<(f64, f64)> {
    let level = |point: &CurvePoint| match response.kind {
        Kind::Output => point.output_v.zip(point.supply_v.filter(|v| *v > 1.0)).map(|(output, supply)| output / supply),
        Kind::Speed(_) => point.speed_rpm,
        Kind::Current => point.supply_a,
    };
    let mut points: Vec<(f64, f64)> =
        curve.iter().filter_map(|point| Some((level(point)? / response.full, point.duty_pct))).collect();
    points.sort_by(|a, b| a.1.total_cmp(&b.1));
    let mut all: Vec<(f64, f64)> = Vec::new();
    for group in points.chunk_by(|a, b| (a.1 - b.1).abs() < 0.05) {
        let share = group.iter().map(|(share, _)| share).sum::<f64>() / group.len() as f64;
        // Flat parts tell no duty: there the first point holds.
        if share > LEAST_RISE && all.last().is_none_or(|(before, _)| share - before > LEAST_RISE) {
            all.push((share, group[0].1));
        }
    }
    all
}

/// Duty at which the unit gives this share of full, with the points of duty per share there; `None` outside its curve.
fn duty_of(characteristic: &[(f64, f64)], share: f64) -> Option<(f64, f64)> {
    characteristic.windows(2).find_map(|pair| {
        let ((low, from), (high, to)) = (pair[0], pair[1]);
        let slope = (to - from) / (high - low);
        (low..=high).contains(&share).then_some((from + slope * (share - low), slope))
    })
}

/// What the output tells of the duty read, against that at the nominal frequency, come to in the same way.
fn decode_error(
    characteristic: &[(f64, f64)],
    (nominal, (nominal_duty, nominal_slope)): (&Tried, (f64, f64)),
    tried: &Tried,
) -> Option<Fitted> {
    if !matches!(tried.did, frequency::FOLLOWS | frequency::MISREADS) {
        return None;
    }
    let (duty, slope) = duty_of(characteristic, tried.share.value)?;
    let u = (slope * tried.share.u).hypot(nominal_slope * nominal.share.u);
    Some(Fitted { value: duty - nominal_duty, u }).filter(|_| u.is_finite())
}

#[cfg(test)]
mod tests {
    use crate::analysis::synthetic::{Bench, at};
    use crate::bench::{Channel, Setting};
    use crate::record::event::SpanKind;
    use crate::results::Direction;
    use crate::units::Hertz;

    /// Output over duty: nothing to 10 %, then straight to all of it at 90 %.
    fn output_v(duty_pct: f64) -> f64 {
        13.0 * ((duty_pct - 10.0) / 80.0).clamp(0.0, 1.0)
    }

    #[test]
    fn the_duty_that_a_unit_reads_is_told_by_its_output_and_its_curve() {
        let mut bench = Bench::new(61);
        let supply: &dyn Fn(f64) -> f64 = &|_| 13.0;
        for duty in [20.0, 35.0, 50.0, 65.0, 80.0, 95.0] {
            let t0_s = bench.t_s;
            bench.set(Setting { frequency: Hertz(140.0), ..at(duty) });
            let volts = move |_: f64| output_v(duty);
            bench.run(3.0, &[(Channel::OutputV, &volts, 0.01), (Channel::SupplyV, supply, 0.01)]);
            bench.span(SpanKind::Point { direction: Direction::Up }, t0_s);
        }
        // Reads 0.4 points more at 250 Hz, six tenths of the duty at 40 Hz, and nothing at 600 Hz.
        for (hz, read) in [(140.0, 50.0), (250.0, 50.4), (40.0, 30.0), (600.0, 0.0)] {
            let t0_s = bench.t_s;
            bench.set(Setting { frequency: Hertz(hz), ..at(50.0) });
            let volts = move |_: f64| output_v(read);
            bench.run(3.0, &[(Channel::OutputV, &volts, 0.01), (Channel::SupplyV, supply, 0.01)]);
            bench.span(SpanKind::Follow, t0_s);
        }
        let found = crate::analysis::analyse(&bench.rec).by_frequency;
        let told: Vec<(f64, &str, Option<f64>)> = found
            .iter()
            .map(|row| (row.hz, row.did.as_deref().unwrap_or(""), row.decode_error_pct.map(|error| error.value)))
            .collect();
        let [(_, misreads, Some(low)), (_, _, Some(nominal)), (_, follows, Some(high)), (_, stops, None)] = told[..]
        else {
            panic!("{told:?}")
        };
        assert_eq!((misreads, follows, stops), ("misreads", "follows", "stops"));
        assert!((low + 20.0).abs() < 0.1 && nominal.abs() < 1e-9 && (high - 0.4).abs() < 0.05, "{told:?}");
        assert!(found[2].decode_error_pct.is_some_and(|error| error.u > 0.0 && error.u < 0.05), "{found:?}");
    }
}
