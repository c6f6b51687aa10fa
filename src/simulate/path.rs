//! What light meets on its way from one port: glass and points, in order.

use super::plan::{Fibre, Plan};
use crate::units::Reflectance;

/// The end that a measurement is made from.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum From {
    A,
    B,
}

/// A stretch of glass as light travels it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Glass {
    pub(super) length_m: f64,
    pub(super) attenuation_db_per_km: f64,
    /// Backscatter coefficient where light enters.
    pub(super) backscatter_db: f64,
    /// Its change per kilometre of travel.
    pub(super) drift_db_per_km: f64,
    pub(super) group_index: f64,
}

/// What a point is; the numbers count joints and bends of the plan from A.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum What {
    Port,
    ConnectorA,
    ConnectorB,
    Joint(usize),
    Bend(usize),
    Break,
    OpenEnd,
}

/// A place where power is lost or reflected.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Point {
    pub(super) what: What,
    pub(super) loss_db: f64,
    pub(super) reflectance_db: Option<f64>,
}

/// One thing on the way.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Item {
    Glass(Glass),
    Point(Point),
}

impl Glass {
    fn of(fibre: &Fibre) -> Self {
        Self {
            length_m: fibre.length.m(),
            attenuation_db_per_km: fibre.attenuation.db_per_km(),
            backscatter_db: fibre.backscatter.db(),
            drift_db_per_km: fibre.backscatter_drift_db_per_km,
            group_index: fibre.group_index.ratio(),
        }
    }

    /// Backscatter coefficient where light leaves.
    pub(super) fn backscatter_at_exit_db(&self) -> f64 {
        self.backscatter_db + self.drift_db_per_km * self.length_m / 1000.0
    }

    fn reversed(self) -> Self {
        Self {
            backscatter_db: self.backscatter_at_exit_db(),
            drift_db_per_km: -self.drift_db_per_km,
            ..self
        }
    }

    /// The parts before and after a place within.
    fn cut(self, at_m: f64) -> (Self, Self) {
        let before = Self {
            length_m: at_m,
            ..self
        };
        let after = Self {
            length_m: self.length_m - at_m,
            backscatter_db: before.backscatter_at_exit_db(),
            ..self
        };
        (before, after)
    }
}

impl Item {
    fn point(what: What, loss_db: f64, reflectance_db: Option<f64>) -> Self {
        Self::Point(Point {
            what,
            loss_db,
            reflectance_db,
        })
    }

    fn reversed(self) -> Self {
        match self {
            Self::Glass(glass) => Self::Glass(glass.reversed()),
            Self::Point(_) => self,
        }
    }
}

/// Everything light meets from the port at one end to the outermost face.
///
/// Without a far cord the last connector is not mated: the link ends at the
/// open face there.
pub(super) fn from_port(plan: &Plan, from: From) -> Vec<Item> {
    let (instrument, near, far) = match from {
        From::A => (&plan.a, &plan.end_a, &plan.end_b),
        From::B => (plan.instrument_b(), &plan.end_b, &plan.end_a),
    };
    let (near_connector, far_connector) = match from {
        From::A => (What::ConnectorA, What::ConnectorB),
        From::B => (What::ConnectorB, What::ConnectorA),
    };
    let mut way = vec![Item::point(
        What::Port,
        instrument.port_loss.db(),
        instrument.port_reflectance.map(Reflectance::db),
    )];
    // A cord's coefficient is given at its end on A's side, like any fibre's.
    let facing = |cord: &Fibre| match from {
        From::A => Item::Glass(Glass::of(cord)),
        From::B => Item::Glass(Glass::of(cord).reversed()),
    };
    if let Some(cord) = instrument.launch_cord.as_ref().or(near.cord.as_ref()) {
        way.push(facing(cord));
    }
    way.push(Item::point(
        near_connector,
        near.loss.db(),
        near.reflectance.map(Reflectance::db),
    ));
    let mut link = link_from_a(plan);
    if from == From::B {
        link.reverse();
        for item in &mut link {
            *item = item.reversed();
        }
    }
    for item in link {
        way.push(item);
        if matches!(item, Item::Point(point) if point.what == What::Break) {
            return way;
        }
    }
    if let Some(cord) = instrument.tail_cord.as_ref().or(far.cord.as_ref()) {
        way.push(Item::point(
            far_connector,
            far.loss.db(),
            far.reflectance.map(Reflectance::db),
        ));
        way.push(facing(cord));
    }
    way.push(Item::point(
        What::OpenEnd,
        0.0,
        far.open_reflectance.map(Reflectance::db),
    ));
    way
}

/// The link without its end connectors, from A: fibres cut at bends and at the break.
pub(super) fn link_from_a(plan: &Plan) -> Vec<Item> {
    let mut cuts: Vec<(f64, Item)> = plan
        .bends
        .iter()
        .enumerate()
        .map(|(idx, bend)| {
            let point = Item::point(What::Bend(idx), bend.loss.db(), None);
            (bend.at.m(), point)
        })
        .collect();
    if let Some(broken) = &plan.broken {
        let reflectance = broken.reflectance.map(Reflectance::db);
        cuts.push((broken.at.m(), Item::point(What::Break, 0.0, reflectance)));
    }
    cuts.sort_by(|one, other| one.0.total_cmp(&other.0));
    let mut cuts = cuts.into_iter().peekable();

    let mut way = Vec::new();
    let mut start_m = 0.0;
    for (idx, fibre) in plan.fibres.iter().enumerate() {
        if idx > 0
            && let Some(joint) = plan.joints.get(idx - 1)
        {
            way.push(Item::point(
                What::Joint(idx - 1),
                joint.loss.db(),
                joint.reflectance.map(Reflectance::db),
            ));
        }
        let mut rest = Glass::of(fibre);
        let end_m = start_m + rest.length_m;
        while let Some((at_m, point)) = cuts.next_if(|cut| cut.0 < end_m) {
            let (before, after) = rest.cut(at_m - (end_m - rest.length_m));
            way.push(Item::Glass(before));
            way.push(point);
            rest = after;
        }
        way.push(Item::Glass(rest));
        start_m = end_m;
    }
    way
}
