//! Two ways of finding joints to compare with, each trace by itself and then
//! matched by position.
//!
//! Both get what the program has: the linearised levels with their noise, the
//! strong peaks, the ends of the link and the tie between the two axes, and half
//! of the rate of false events for each direction, since one seen from either end
//! counts. Both leave the pulse's ramp out of every line, place each event again
//! with windows up to its neighbours, and weigh samples by their noise.

use bothends::both_ways::{Known, cords, register};
use bothends::detect::DetectSettings;
use bothends::measure::look;
use bothends::trace::Trace;

use super::one_way::{Found, one_way};
use super::score::{Kind, Report, Seen};

/// How the events of one trace are found.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Baseline {
    /// Two windows side by side, from a few pulses to the whole section.
    Windows,
    /// Optimal partitioning into straight lines.
    Segments,
}

impl Baseline {
    /// Name in the table.
    pub(crate) const fn name(self) -> &'static str {
        match self {
            Self::Windows => "two windows, one way",
            Self::Segments => "change points, one way",
        }
    }
}

/// Measures a link by a baseline; none where the ends cannot be tied.
pub(crate) fn measure(
    a: &Trace,
    b: &Trace,
    how: Baseline,
    settings: DetectSettings,
) -> Option<Report> {
    let cords = cords(a, b).ok()?;
    let looks = [
        look(a, cords.at_a, cords.at_b, settings),
        look(b, cords.at_b, cords.at_a, settings),
    ];
    let index_ratio = b.group_index().ratio() / a.group_index().ratio();
    let axis = register(&looks[0], &looks[1], index_ratio, Known::default())?;
    let half = settings.false_events_per_1000_km / 2.0;
    let near_m = looks[0].near.own_m;
    let length_m = match looks[0].far {
        Some(far) => far.own_m - near_m,
        None => axis.place(looks[1].near.own_m),
    };
    let [of_a, of_b] = looks.each_ref().map(|look| one_way(look, how, half));
    let spacing_m = looks[0].eye.spacing_m;
    let at_a: Vec<(f64, f64, Found)> = (of_a.into_iter())
        .map(|f| (looks[0].eye.metres(f.x) - near_m, f.error * spacing_m, f))
        .collect();
    let at_b: Vec<(f64, f64, Found)> = (of_b.into_iter())
        .map(|f| {
            let at_m = axis.place(looks[1].eye.metres(f.x));
            (at_m, f.error * looks[1].eye.spacing_m, f)
        })
        .collect();
    let pulse_m = looks[0].eye.pulse_samples * spacing_m;
    let seen = matched(&at_a, &at_b, pulse_m)
        .into_iter()
        .filter(|s| (-pulse_m..=length_m + pulse_m).contains(&s.at_m))
        .collect();
    Some(Report {
        seen,
        length_m: Some(length_m),
    })
}

/// Pairs events of both directions, the nearest against their errors first.
fn matched(at_a: &[(f64, f64, Found)], at_b: &[(f64, f64, Found)], pulse_m: f64) -> Vec<Seen> {
    let mut pairs: Vec<(f64, usize, usize)> = Vec::new();
    for (i, a) in at_a.iter().enumerate() {
        for (j, b) in at_b.iter().enumerate() {
            let apart = (a.0 - b.0).abs() / (pulse_m + 4.0 * a.1.hypot(b.1));
            if apart < 1.0 {
                pairs.push((apart, i, j));
            }
        }
    }
    pairs.sort_by(|p, q| p.0.total_cmp(&q.0));
    let mut partner_of_a = vec![None; at_a.len()];
    let mut partner_of_b = vec![None; at_b.len()];
    for (_, i, j) in pairs {
        if partner_of_a[i].is_none() && partner_of_b[j].is_none() {
            partner_of_a[i] = Some(j);
            partner_of_b[j] = Some(i);
        }
    }
    let kind = |is_peak: bool| {
        if is_peak {
            Kind::Connector
        } else {
            Kind::Splice
        }
    };
    let alone = |(at_m, _, found): &(f64, f64, Found)| Seen {
        at_m: *at_m,
        to_m: *at_m,
        kind: kind(found.is_reflective),
        loss_db: None,
        loss_error_db: None,
        at_error_m: None,
        reflectances_db: Vec::new(),
    };
    let mut seen: Vec<Seen> = (at_a.iter().zip(&partner_of_a))
        .map(|(a, partner)| match partner.and_then(|j| at_b.get(j)) {
            Some(b) => {
                let (wa, wb) = (a.1.powi(-2), b.1.powi(-2));
                let both = a.2.loss.zip(b.2.loss);
                let at_m = (wa * a.0 + wb * b.0) / (wa + wb);
                Seen {
                    at_m,
                    to_m: at_m,
                    kind: kind(a.2.is_reflective || b.2.is_reflective),
                    loss_db: both.map(|(p, q)| f64::midpoint(p.0, q.0)),
                    loss_error_db: both.map(|(p, q)| 0.5 * (p.1 + q.1).sqrt()),
                    at_error_m: Some((wa + wb).powf(-0.5)),
                    reflectances_db: Vec::new(),
                }
            }
            None => alone(a),
        })
        .collect();
    seen.extend(
        (at_b.iter().zip(&partner_of_b))
            .filter(|(_, partner)| partner.is_none())
            .map(|(b, _)| alone(b)),
    );
    seen.sort_by(|p, q| p.at_m.total_cmp(&q.at_m));
    seen
}
