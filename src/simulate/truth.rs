//! What is true of a simulated link, to hold measurements against.

use serde::{Deserialize, Serialize};

use super::Seen;
use super::fibre::ns_per_m;
use super::path::{Glass, Item, What, link_from_a};
use super::plan::Plan;
use crate::units::{
    Attenuation, BackscatterCoefficient, Length, Level, Loss, Position, Reflectance, ReturnLoss,
    Wavelength,
};

/// All that is true of a link and of its two traces.
///
/// Positions named `position_m` lie on A's axis as A's stated group index shows
/// it, from the first connector on A's side; `true_position_m` is metres of
/// glass from there.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Truth {
    /// Cable's name.
    pub cable: String,
    /// Fibre's name or number.
    pub fibre: String,
    /// Place of end A.
    pub from: String,
    /// Place of end B.
    pub to: String,
    /// Wavelength.
    #[serde(rename = "wavelength_nm")]
    pub wavelength: Wavelength,
    /// Seed of the noise.
    pub seed: u64,
    /// Length between the first and last connector on A's axis.
    #[serde(rename = "length_m")]
    pub length: Length,
    /// The same by B's stated group index.
    #[serde(rename = "length_on_b_m")]
    pub length_on_b: Length,
    /// The same in metres of glass.
    #[serde(rename = "true_length_m")]
    pub true_length: Length,
    /// Loss from before the first to after the last connector; null if broken.
    #[serde(rename = "loss_db")]
    pub loss: Option<Loss>,
    /// Every event of the link from A to B.
    pub events: Vec<TrueEvent>,
    /// Every stretch between two events.
    pub sections: Vec<TrueSection>,
    /// Echoes that stand out, nearest first, A's before B's.
    pub echoes: Vec<TrueEcho>,
    /// What is true of A's trace.
    pub a: TrueTrace,
    /// What is true of B's trace.
    pub b: TrueTrace,
}

/// What an event is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum TrueKind {
    /// An end of the link, or a reflective joint.
    Connector,
    /// A joint that does not reflect.
    Splice,
    /// Loss by curvature.
    Bend,
    /// Where the fibre is interrupted.
    Break,
    /// The open end of a link without a cord at B.
    End,
}

/// One event of the link.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct TrueEvent {
    /// Its name in the plan.
    pub name: String,
    /// What it is.
    pub kind: TrueKind,
    /// Place on A's axis.
    #[serde(rename = "position_m")]
    pub position: Position,
    /// Distance from B's connector as B's stated group index shows it.
    #[serde(rename = "position_from_b_m")]
    pub position_from_b: Position,
    /// Metres of glass from A's connector.
    #[serde(rename = "true_position_m")]
    pub true_position: Position,
    /// True loss; null at a break or an open end.
    #[serde(rename = "loss_db")]
    pub loss: Option<Loss>,
    /// What a perfect reading from A gives; null where light or backscatter is missing.
    #[serde(rename = "loss_a_to_b_db")]
    pub loss_a_to_b: Option<Loss>,
    /// What a perfect reading from B gives; null where light or backscatter is missing.
    #[serde(rename = "loss_b_to_a_db")]
    pub loss_b_to_a: Option<Loss>,
    /// Half the difference of the two readings; positive where backscatter
    /// falls going away from A.
    #[serde(rename = "backscatter_step_db")]
    pub backscatter_step: Option<Loss>,
    /// Reflectance; null where it reflects nothing.
    #[serde(rename = "reflectance_db")]
    pub reflectance: Option<Reflectance>,
}

/// A stretch of fibre between two events.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct TrueSection {
    /// Start on A's axis.
    #[serde(rename = "from_m")]
    pub from: Position,
    /// End on A's axis.
    #[serde(rename = "to_m")]
    pub to: Position,
    /// Attenuation per kilometre of glass.
    #[serde(rename = "attenuation_db_per_km")]
    pub attenuation: Attenuation,
    /// Slope that A's trace shows per displayed kilometre; B's differs where
    /// the backscatter drifts.
    #[serde(rename = "slope_from_a_db_per_km")]
    pub slope_from_a: Attenuation,
    /// Slope that B's trace shows per displayed kilometre.
    #[serde(rename = "slope_from_b_db_per_km")]
    pub slope_from_b: Attenuation,
    /// Backscatter coefficient at 1 ns at the end on A's side.
    #[serde(rename = "backscatter_db")]
    pub backscatter: BackscatterCoefficient,
}

/// The end that a trace is taken from.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum TracedFrom {
    /// End A.
    A,
    /// End B.
    B,
}

/// An echo in one trace.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct TrueEcho {
    /// The trace that shows it.
    pub seen_from: TracedFrom,
    /// Where that trace shows it, from its port.
    #[serde(rename = "distance_m")]
    pub distance: Position,
    /// The same place on A's axis.
    #[serde(rename = "position_m")]
    pub position: Position,
    /// The reflectors in the order in which light meets them.
    pub of: Vec<String>,
    /// Level of the echo alone on the trace's scale.
    #[serde(rename = "level_db")]
    pub level: Level,
    /// Height above the backscatter there before receiver and noise; null
    /// where there is no backscatter.
    pub height_db: Option<f64>,
}

/// What is true of one trace.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct TrueTrace {
    /// Where it shows the link's connector at its own end, from its port.
    #[serde(rename = "first_connector_m")]
    pub first_connector: Position,
    /// Where it shows the outermost face that light reaches, from its port.
    #[serde(rename = "outermost_m")]
    pub outermost: Position,
    /// Level of the backscatter at the port.
    #[serde(rename = "start_level_db")]
    pub start_level: Level,
    /// Level of the noise's root mean square; null without noise.
    #[serde(rename = "noise_level_db")]
    pub noise_level: Option<Level>,
    /// Root mean square of the constant noise against launched power; null without noise.
    pub noise_rms: Option<f64>,
    /// Return loss of the link alone, both end connectors included and cords
    /// excluded, against the power arriving at this end's connector.
    #[serde(rename = "return_loss_db")]
    pub return_loss: ReturnLoss,
}

/// Collects the truth from the plan and from what each direction saw.
pub(super) fn collect(plan: &Plan, seed: u64, a: &Seen, b: &Seen) -> Truth {
    let link = link_from_a(plan);
    let glass_ns: f64 = link.iter().map(travel_ns).sum();
    let on_axis_m = |ns: f64, seen: &Seen| ns / seen.ns_per_shown_m;
    let axis = |what, at_ns: f64, at_m: f64| {
        let (name, kind, loss_db, reflectance_db) = describe(plan, what);
        let reading_a = a.readings.iter().find(|r| r.0 == what).and_then(|r| r.1);
        let reading_b = b.readings.iter().find(|r| r.0 == what).and_then(|r| r.1);
        TrueEvent {
            name,
            kind,
            position: Position::from_m(on_axis_m(at_ns, a)),
            position_from_b: Position::from_m(on_axis_m(glass_ns - at_ns, b)),
            true_position: Position::from_m(at_m),
            loss: loss_db.map(Loss::from_db),
            loss_a_to_b: reading_a.map(Loss::from_db),
            loss_b_to_a: reading_b.map(Loss::from_db),
            backscatter_step: reading_a
                .zip(reading_b)
                .map(|(a_db, b_db)| Loss::from_db(0.5 * (a_db - b_db))),
            reflectance: reflectance_db.map(Reflectance::from_db),
        }
    };
    let (mut now_ns, mut now_m) = (0.0, 0.0);
    let mut events = vec![axis(What::ConnectorA, now_ns, now_m)];
    let mut sections = Vec::new();
    for item in &link {
        match item {
            Item::Point(point) => events.push(axis(point.what, now_ns, now_m)),
            Item::Glass(glass) => {
                let from_m = on_axis_m(now_ns, a);
                now_ns += travel_ns(item);
                now_m += glass.length_m;
                sections.push(section(glass, from_m, on_axis_m(now_ns, a), a, b));
            }
        }
    }
    events.push(axis(What::ConnectorB, now_ns, now_m));
    let mut echoes = echoes_of(plan, TracedFrom::A, a, glass_ns, a);
    echoes.extend(echoes_of(plan, TracedFrom::B, b, glass_ns, a));
    let lost_db: f64 = events
        .iter()
        .filter_map(|e| e.loss)
        .map(Loss::db)
        .sum::<f64>()
        + (plan.fibres.iter())
            .map(|f| f.attenuation.db_per_km() * f.length.km())
            .sum::<f64>();
    Truth {
        cable: plan.cable.clone(),
        fibre: plan.fibre.clone(),
        from: plan.from.clone(),
        to: plan.to.clone(),
        wavelength: plan.wavelength,
        seed,
        length: Length::from_m(on_axis_m(glass_ns, a)),
        length_on_b: Length::from_m(on_axis_m(glass_ns, b)),
        true_length: plan.length(),
        loss: plan.broken.is_none().then(|| Loss::from_db(lost_db)),
        events,
        sections,
        echoes,
        a: trace_of(a, What::ConnectorA),
        b: trace_of(b, What::ConnectorB),
    }
}

fn travel_ns(item: &Item) -> f64 {
    match item {
        Item::Glass(glass) => glass.length_m * ns_per_m(glass.group_index),
        Item::Point(_) => 0.0,
    }
}

fn section(glass: &Glass, from_m: f64, to_m: f64, a: &Seen, b: &Seen) -> TrueSection {
    // Displayed one-way level falls by α and rises by half the coefficient's drift.
    let per_shown = |db_per_km: f64, seen: &Seen| {
        Attenuation::from_db_per_km(db_per_km * seen.ns_per_shown_m / ns_per_m(glass.group_index))
    };
    let half_drift = 0.5 * glass.drift_db_per_km;
    TrueSection {
        from: Position::from_m(from_m),
        to: Position::from_m(to_m),
        attenuation: Attenuation::from_db_per_km(glass.attenuation_db_per_km),
        slope_from_a: per_shown(glass.attenuation_db_per_km - half_drift, a),
        slope_from_b: per_shown(glass.attenuation_db_per_km + half_drift, b),
        backscatter: BackscatterCoefficient::from_db(glass.backscatter_db),
    }
}

/// Name, kind, loss and reflectance of a place, from the plan.
fn describe(plan: &Plan, what: What) -> (String, TrueKind, Option<f64>, Option<f64>) {
    let named = |name: &str, fallback: String| {
        if name.is_empty() {
            fallback
        } else {
            name.to_owned()
        }
    };
    let end = |end: &super::plan::LinkEnd, fallback: &str| {
        let name = named(&end.name, fallback.to_owned());
        let reflectance_db = end.reflectance.map(Reflectance::db);
        (
            name,
            TrueKind::Connector,
            Some(end.loss.db()),
            reflectance_db,
        )
    };
    match what {
        What::Port => ("port".to_owned(), TrueKind::Connector, None, None),
        What::ConnectorA => end(&plan.end_a, "connector at A"),
        What::ConnectorB if plan.end_b.cord.is_none() && plan.a.tail_cord.is_none() => {
            let name = named(&plan.end_b.name, "end".to_owned());
            let reflectance_db = plan.end_b.open_reflectance.map(Reflectance::db);
            (name, TrueKind::End, None, reflectance_db)
        }
        What::ConnectorB => end(&plan.end_b, "connector at B"),
        What::Joint(idx) => {
            let fallback = format!("joint {}", idx + 1);
            match plan.joints.get(idx) {
                Some(joint) => {
                    let kind = match joint.reflectance {
                        Some(_) => TrueKind::Connector,
                        None => TrueKind::Splice,
                    };
                    let reflectance_db = joint.reflectance.map(Reflectance::db);
                    let name = named(&joint.name, fallback);
                    (name, kind, Some(joint.loss.db()), reflectance_db)
                }
                None => (fallback, TrueKind::Splice, None, None),
            }
        }
        What::Bend(idx) => {
            let bend = plan.bends.get(idx);
            let name = named(
                bend.map_or("", |bend| &bend.name),
                format!("bend {}", idx + 1),
            );
            (name, TrueKind::Bend, bend.map(|bend| bend.loss.db()), None)
        }
        What::Break => {
            let reflectance_db = (plan.broken.as_ref())
                .and_then(|broken| broken.reflectance)
                .map(Reflectance::db);
            ("break".to_owned(), TrueKind::Break, None, reflectance_db)
        }
        What::OpenEnd => ("open end".to_owned(), TrueKind::End, None, None),
    }
}

fn echoes_of(
    plan: &Plan,
    seen_from: TracedFrom,
    seen: &Seen,
    glass_ns: f64,
    a: &Seen,
) -> Vec<TrueEcho> {
    let first_ns = match seen_from {
        TracedFrom::A => seen.connector_ns(What::ConnectorA),
        TracedFrom::B => seen.connector_ns(What::ConnectorB),
    };
    seen.echoes
        .iter()
        .filter(|(echo, _)| seen.shown_m(echo.flash.at_ns) <= seen.range_m)
        .filter_map(|(echo, backscatter)| {
            let height_db =
                (*backscatter > 0.0).then(|| 5.0 * (1.0 + echo.flash.power / backscatter).log10());
            let stands_out = match height_db {
                // What levels rounded to 0.001 dB can show.
                Some(height_db) => height_db >= 0.001,
                None => echo.flash.power >= 0.1 * seen.noise_rms,
            };
            if !stands_out {
                return None;
            }
            let from_connector_ns = echo.flash.at_ns - first_ns;
            let on_a_ns = match seen_from {
                TracedFrom::A => from_connector_ns,
                TracedFrom::B => glass_ns - from_connector_ns,
            };
            Some(TrueEcho {
                seen_from,
                distance: Position::from_m(seen.shown_m(echo.flash.at_ns)),
                position: Position::from_m(on_a_ns / a.ns_per_shown_m),
                of: echo.of.iter().map(|&what| describe(plan, what).0).collect(),
                level: seen.level(echo.flash.power),
                height_db,
            })
        })
        .collect()
}

fn trace_of(seen: &Seen, connector: What) -> TrueTrace {
    let noisy = seen.noise_rms > 0.0;
    TrueTrace {
        first_connector: Position::from_m(seen.shown_m(seen.connector_ns(connector))),
        outermost: Position::from_m(seen.shown_m(seen.end_ns)),
        start_level: seen.level(seen.start_power),
        noise_level: noisy.then(|| seen.level(seen.noise_rms)),
        noise_rms: noisy.then_some(seen.noise_rms),
        return_loss: ReturnLoss::from_db(seen.return_loss_db),
    }
}
