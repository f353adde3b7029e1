//! Variance components of a gauge study: units by sessions (or operators) by repeats, balanced, both drawn at random.
//!
//! Two-way analysis of variance with interaction; 95 % intervals of the components and their sums by the modified
//! large-sample method (R. K. Burdick, C. M. Borror, D. C. Montgomery, "A review of methods for measurement systems
//! capability analysis", Journal of Quality Technology 35, 2003; differences of mean squares after N. Ting et al.,
//! Journal of Statistical Computation and Simulation 35, 1990).

use statrs::distribution::{ChiSquared, ContinuousCDF, FisherSnedecor};

/// Two-sided 95 %.
const TAIL: f64 = 0.025;

/// A variance with its 95 % interval, in the square of the quantity's unit. Estimates below zero are told as zero.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Component {
    /// Estimate.
    pub variance: f64,
    /// Lower and upper end.
    pub interval: (f64, f64),
}

impl Component {
    /// Standard deviation.
    #[must_use]
    pub fn sd(&self) -> f64 {
        self.variance.sqrt()
    }

    /// Ends of the standard deviation.
    #[must_use]
    pub fn sd_interval(&self) -> (f64, f64) {
        (self.interval.0.sqrt(), self.interval.1.sqrt())
    }
}

/// What a study tells of one quantity.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Components {
    /// Units, sessions, repeats.
    pub design: [usize; 3],
    /// Mean of everything.
    pub mean: f64,
    /// Mean squares of units, sessions, their interaction, repeats.
    pub mean_squares: [f64; 4],
    /// Between repeats of one unit in one session.
    pub repeatability: Component,
    /// Between sessions, the same for all units.
    pub sessions: Component,
    /// Between sessions, different from unit to unit.
    pub interaction: Component,
    /// Sessions and interaction together.
    pub reproducibility: Component,
    /// Everything that is not the unit.
    pub gauge: Component,
    /// Between units.
    pub units: Component,
    /// All of it.
    pub total: f64,
}

/// Components of `readings[unit][session][repeat]`.
///
/// # Errors
/// In words: fewer than two of anything, cells of different size, numbers that are no numbers.
#[expect(clippy::cast_precision_loss, reason = "counts of a study")]
pub fn components(readings: &[Vec<Vec<f64>>]) -> Result<Components, String> {
    let p = readings.len();
    let o = readings.first().map_or(0, Vec::len);
    let r = readings.first().and_then(|unit| unit.first()).map_or(0, Vec::len);
    if p < 2 || o < 2 || r < 2 {
        return Err(format!(
            "{p} units, {o} sessions and {r} repeats: two of each are the least, ten, three and two are good"
        ));
    }
    if readings.iter().any(|unit| unit.len() != o || unit.iter().any(|cell| cell.len() != r)) {
        return Err("not every unit was read as often in every session".to_owned());
    }
    if readings.iter().flatten().flatten().any(|value| !value.is_finite()) {
        return Err("a reading is no number".to_owned());
    }
    let (pf, of, rf) = (p as f64, o as f64, r as f64);
    let mean = readings.iter().flatten().flatten().sum::<f64>() / (pf * of * rf);
    let cell = |unit: usize, session: usize| readings[unit][session].iter().sum::<f64>() / rf;
    let unit_mean = |unit: usize| (0..o).map(|session| cell(unit, session)).sum::<f64>() / of;
    let session_mean = |session: usize| (0..p).map(|unit| cell(unit, session)).sum::<f64>() / pf;
    let ss_units = of * rf * (0..p).map(|unit| (unit_mean(unit) - mean).powi(2)).sum::<f64>();
    let ss_sessions = pf * rf * (0..o).map(|session| (session_mean(session) - mean).powi(2)).sum::<f64>();
    let (mut ss_both, mut ss_repeats) = (0.0, 0.0);
    for (unit, sessions) in readings.iter().enumerate() {
        for (session, repeats) in sessions.iter().enumerate() {
            let own = cell(unit, session);
            ss_both += rf * (own - unit_mean(unit) - session_mean(session) + mean).powi(2);
            ss_repeats += repeats.iter().map(|value| (value - own).powi(2)).sum::<f64>();
        }
    }
    let dof = [pf - 1.0, of - 1.0, (pf - 1.0) * (of - 1.0), pf * of * (rf - 1.0)];
    let squares = [ss_units / dof[0], ss_sessions / dof[1], ss_both / dof[2], ss_repeats / dof[3]];
    let of_squares = |terms: &[(usize, f64)]| interval_of(terms, &squares, &dof);
    let [units, sessions, both, repeats] = [0, 1, 2, 3];
    let repeatability = of_squares(&[(repeats, 1.0)])?;
    let gauge = of_squares(&[(sessions, 1.0 / (pf * rf)), (both, (pf - 1.0) / (pf * rf)), (repeats, (rf - 1.0) / rf)])?;
    let units_found = of_squares(&[(units, 1.0 / (of * rf)), (both, -1.0 / (of * rf))])?;
    let sessions_found = of_squares(&[(sessions, 1.0 / (pf * rf)), (both, -1.0 / (pf * rf))])?;
    let interaction = of_squares(&[(both, 1.0 / rf), (repeats, -1.0 / rf)])?;
    // Components below zero count as none in the sums, as in the single lines.
    let reproducibility =
        of_squares(&[(sessions, 1.0 / (pf * rf)), (both, (pf - 1.0) / (pf * rf)), (repeats, -1.0 / rf)])?;
    let reproducibility =
        Component { variance: sessions_found.variance + interaction.variance, interval: reproducibility.interval };
    let gauge = Component { variance: repeatability.variance + reproducibility.variance, interval: gauge.interval };
    Ok(Components {
        design: [p, o, r],
        mean,
        mean_squares: squares,
        repeatability,
        sessions: sessions_found,
        interaction,
        reproducibility,
        gauge,
        units: units_found,
        total: gauge.variance + units_found.variance,
    })
}

/// A sum of mean squares with factors, some of them negative, with its interval.
fn interval_of(terms: &[(usize, f64)], squares: &[f64; 4], dof: &[f64; 4]) -> Result<Component, String> {
    let no = |error: &dyn std::fmt::Display| format!("no interval can be had: {error}");
    let chi = |which: usize, at: f64| -> Result<f64, String> {
        Ok(ChiSquared::new(dof[which]).map_err(|error| no(&error))?.inverse_cdf(at))
    };
    let fisher = |a: usize, b: usize, at: f64| -> Result<f64, String> {
        Ok(FisherSnedecor::new(dof[a], dof[b]).map_err(|error| no(&error))?.inverse_cdf(at))
    };
    // How far down and up a single mean square may be off, as a share of itself.
    let down = |which: usize| -> Result<f64, String> { Ok(1.0 - dof[which] / chi(which, 1.0 - TAIL)?) };
    let up = |which: usize| -> Result<f64, String> { Ok(dof[which] / chi(which, TAIL)? - 1.0) };
    let estimate: f64 = terms.iter().map(|(which, factor)| factor * squares[*which]).sum();
    let (mut below, mut above) = (0.0, 0.0);
    for &(which, factor) in terms {
        let size = (factor * squares[which]).powi(2);
        let (low, high) = if factor > 0.0 { (down(which)?, up(which)?) } else { (up(which)?, down(which)?) };
        below += low * low * size;
        above += high * high * size;
    }
    for &(plus, a) in terms.iter().filter(|(_, factor)| *factor > 0.0) {
        for &(minus, b) in terms.iter().filter(|(_, factor)| *factor < 0.0) {
            let size = a * b.abs() * squares[plus] * squares[minus];
            let f = fisher(plus, minus, 1.0 - TAIL)?;
            below += size * ((f - 1.0).powi(2) - (down(plus)? * f).powi(2) - up(minus)?.powi(2)) / f;
            let f = fisher(plus, minus, TAIL)?;
            above += size * ((1.0 - f).powi(2) - (up(plus)? * f).powi(2) - down(minus)?.powi(2)) / f;
        }
    }
    let ends = ((estimate - below.max(0.0).sqrt()).max(0.0), (estimate + above.max(0.0).sqrt()).max(0.0));
    Ok(Component { variance: estimate.max(0.0), interval: ends })
}

#[cfg(test)]
mod tests {
    use rand::SeedableRng as _;
    use rand_distr::{Distribution as _, StandardNormal};
    use rand_xoshiro::Xoshiro256PlusPlus;

    use super::*;

    /// Thermal impedance of ten power modules, three operators, three readings each (M. E. Houf, D. B. Berman,
    /// "Statistical analysis of power module thermal test equipment performance", IEEE Transactions on Components,
    /// Hybrids, and Manufacturing Technology 11, 1988; also in D. C. Montgomery, "Design and Analysis of Experiments").
    const HOUF_BERMAN: [[[f64; 3]; 3]; 10] = [
        [[37., 38., 37.], [41., 41., 40.], [41., 42., 41.]],
        [[42., 41., 43.], [42., 42., 42.], [43., 42., 43.]],
        [[30., 31., 31.], [31., 31., 31.], [29., 30., 28.]],
        [[42., 43., 42.], [43., 43., 43.], [42., 42., 42.]],
        [[28., 30., 29.], [29., 30., 29.], [31., 29., 29.]],
        [[42., 42., 43.], [45., 45., 45.], [44., 46., 45.]],
        [[25., 26., 27.], [28., 28., 30.], [29., 27., 27.]],
        [[40., 40., 40.], [43., 42., 42.], [43., 43., 41.]],
        [[25., 25., 25.], [27., 29., 28.], [26., 26., 26.]],
        [[35., 34., 34.], [35., 35., 34.], [35., 34., 35.]],
    ];

    #[test]
    fn the_published_study_comes_out_to_its_printed_digits() {
        let readings: Vec<Vec<Vec<f64>>> =
            HOUF_BERMAN.iter().map(|unit| unit.iter().map(|cell| cell.to_vec()).collect()).collect();
        let found = components(&readings).unwrap();
        let digits = |component: Component| format!("{:.3}", component.variance);
        // Five programs print these (JASP verification project, chapter 10).
        assert_eq!(digits(found.repeatability), "0.511");
        assert_eq!(digits(found.sessions), "0.565");
        assert_eq!(digits(found.interaction), "0.728");
        assert_eq!(digits(found.reproducibility), "1.293");
        assert_eq!(digits(found.gauge), "1.804");
        assert_eq!(digits(found.units), "48.293");
        assert_eq!(format!("{:.3}", found.total), "50.096");
        let squares = found.mean_squares.map(|square| format!("{square:.2}"));
        assert_eq!(squares, ["437.33", "19.63", "2.70", "0.51"]);
    }

    #[test]
    fn intervals_hold_the_truth_about_as_often_as_they_say() {
        let mut rng = Xoshiro256PlusPlus::seed_from_u64(11);
        let mut normal = |sd: f64| -> f64 {
            let z: f64 = StandardNormal.sample(&mut rng);
            sd * z
        };
        let (units_sd, sessions_sd, both_sd, repeats_sd) = (3.0, 1.0, 0.7, 1.0_f64);
        let truths = [
            repeats_sd.powi(2),
            sessions_sd * sessions_sd + both_sd * both_sd,
            sessions_sd * sessions_sd + both_sd * both_sd + repeats_sd * repeats_sd,
            units_sd * units_sd,
        ];
        let (studies, mut held) = (1000, [0_u32; 4]);
        for _ in 0..studies {
            let session: Vec<f64> = (0..4).map(|_| normal(sessions_sd)).collect();
            let mut study = Vec::new();
            for _ in 0..6 {
                let unit = normal(units_sd);
                let mut cells = Vec::new();
                for own in &session {
                    let both = normal(both_sd);
                    cells.push((0..2).map(|_| 40.0 + unit + own + both + normal(repeats_sd)).collect());
                }
                study.push(cells);
            }
            let found = components(&study).unwrap();
            let parts = [found.repeatability, found.reproducibility, found.gauge, found.units];
            for ((part, truth), held) in parts.iter().zip(truths).zip(&mut held) {
                *held += u32::from((part.interval.0..=part.interval.1).contains(&truth));
            }
        }
        // 95 % of 1 000 is 950 with a standard deviation of 7; the method is known to be a little wide or narrow.
        assert!(held.iter().all(|held| (930..=985).contains(held)), "{held:?}");
    }

    #[test]
    fn a_study_that_tells_nothing_is_refused() {
        let no = |readings: &[Vec<Vec<f64>>]| components(readings).unwrap_err();
        assert!(no(&[]).contains("0 units"));
        assert!(no(&vec![vec![vec![1.0]; 2]; 2]).contains("1 repeats"));
        let mut uneven = vec![vec![vec![1.0, 2.0]; 2]; 2];
        uneven[1][1].push(3.0);
        assert!(no(&uneven).contains("as often"));
        assert!(no(&vec![vec![vec![1.0, f64::NAN]; 2]; 2]).contains("no number"));
    }
}
