//! Limits that come with the program, each value with where it is from.

use crate::units::{Attenuation, Length, Loss, Reflectance, ReturnLoss, Wavelength};

use super::limits::{
    AttenuationLimit, Band, Limits, LinkLossLimit, LossBound, LossLimit, ReflectanceLimit,
    ReturnLossLimit,
};

/// Two-way loss in dB above which a splice counts as bad where no limits are given.
///
/// A common contract value, from memory. It picks sentences, draws a reference and
/// fills the redo list; it judges nothing.
pub const BAD_SPLICE_DB: f64 = 0.15;

/// Sections shorter than this many metres are not judged by the built-in limits.
///
/// Our choice: on 500 m a slope of 0.3 dB/km makes 0.15 dB, as much as a bad splice,
/// and attenuation coefficients are stated for cable lengths of kilometres.
const LEAST_SECTION_M: f64 = 500.0;

const CONTRACT: &str = "common contract value, from memory";
const CABLING: &str =
    "ISO/IEC 11801 and TIA-568, as quoted in training material; depends on the edition";
const G652: &str = "ITU-T G.652.D (11/2016), from memory";
const GRADE_C: &str = "IEC 61755-1 attenuation grade C, 97 % of random matings, from memory";
const RETURN_GRADE_2: &str = "IEC 61755-1 return loss grade 2, from memory";
const BUDGET: &str = "sum of the limits for its parts";

/// The limit on a splice where none is given: what makes a joint a candidate for redoing.
pub fn bad_joint_default() -> LossLimit {
    loss(BAD_SPLICE_DB, "common contract value, from memory")
}

/// Every built-in set, with a sentence on what it is for.
pub fn built_ins() -> Vec<(Limits, &'static str)> {
    vec![
        (
            long_haul(),
            "fusion-spliced trunk cable, joints as contracts commonly ask",
        ),
        (
            access(),
            "passive access network, feeder to subscriber, measured without splitters",
        ),
        (campus(), "cabling outside between buildings of one owner"),
        (building(), "cabling inside a building"),
    ]
}

/// The built-in set of a name.
pub fn built_in(name: &str) -> Option<Limits> {
    built_ins()
        .into_iter()
        .map(|(limits, _)| limits)
        .find(|limits| limits.name == name)
}

fn loss(max_db: f64, source: &str) -> LossLimit {
    LossLimit {
        max: Loss::from_db(max_db),
        source: source.to_owned(),
    }
}

fn reflectance(max_db: f64, source: &str) -> ReflectanceLimit {
    ReflectanceLimit {
        max: Reflectance::from_db(max_db),
        std_error_db: None,
        source: source.to_owned(),
    }
}

const fn band(from_nm: f64, to_nm: f64) -> Band {
    Band {
        from: Some(Wavelength::from_nm(from_nm)),
        to: Some(Wavelength::from_nm(to_nm)),
    }
}

fn attenuation(band: Band, max_db_per_km: f64, source: &str) -> AttenuationLimit {
    AttenuationLimit {
        band,
        max: Attenuation::from_db_per_km(max_db_per_km),
        least_length: Some(Length::from_m(LEAST_SECTION_M)),
        source: source.to_owned(),
    }
}

fn budget(band: Band, splice_db: f64, connector_db: f64, db_per_km: f64) -> LinkLossLimit {
    LinkLossLimit {
        band,
        bound: LossBound::Budget {
            per_splice: Loss::from_db(splice_db),
            per_connector: Loss::from_db(connector_db),
            per_km: Attenuation::from_db_per_km(db_per_km),
            plus: Loss::from_db(0.0),
            splices: None,
            connectors: None,
        },
        source: BUDGET.to_owned(),
    }
}

/// Bands and limits of cabled G.652.D fibre, the lower one in the band around 1550 nm.
fn g652() -> [(Band, f64); 2] {
    [(band(1310.0, 1625.0), 0.40), (band(1530.0, 1565.0), 0.30)]
}

fn long_haul() -> Limits {
    Limits {
        name: "long-haul".to_owned(),
        splice_loss: Some(loss(BAD_SPLICE_DB, CONTRACT)),
        connector_loss: Some(loss(0.5, GRADE_C)),
        reflectance: Some(reflectance(-45.0, RETURN_GRADE_2)),
        section_attenuation: g652()
            .map(|(band, max)| attenuation(band, max, G652))
            .into(),
        link_loss: g652()
            .map(|(band, max)| budget(band, BAD_SPLICE_DB, 0.5, max))
            .into(),
        ..Limits::default()
    }
}

fn access() -> Limits {
    Limits {
        name: "access".to_owned(),
        splice_loss: Some(loss(0.3, CABLING)),
        connector_loss: Some(loss(0.5, GRADE_C)),
        reflectance: Some(reflectance(
            -35.0,
            "ITU-T G.984.2 (08/2019), clause 8.2.7.3, value from memory",
        )),
        orl: Some(ReturnLossLimit {
            min: ReturnLoss::from_db(32.0),
            std_error_db: None,
            source: "ITU-T G.984.2 (08/2019), clause 8.2.7.2, value from memory".to_owned(),
        }),
        section_attenuation: g652()
            .map(|(band, max)| attenuation(band, max, G652))
            .into(),
        link_loss: g652().map(|(band, max)| budget(band, 0.3, 0.5, max)).into(),
        ..Limits::default()
    }
}

fn campus() -> Limits {
    cabling("campus", 0.5)
}

fn building() -> Limits {
    cabling("building", 1.0)
}

/// Cabling standards ask alike for joints; inside a building fibre may lose more.
fn cabling(name: &str, max_db_per_km: f64) -> Limits {
    let both = band(1310.0, 1550.0);
    Limits {
        name: name.to_owned(),
        splice_loss: Some(loss(0.3, CABLING)),
        connector_loss: Some(loss(0.75, CABLING)),
        reflectance: Some(reflectance(-26.0, CABLING)),
        section_attenuation: vec![attenuation(
            both,
            max_db_per_km,
            if max_db_per_km < 1.0 {
                "TIA-568 outside plant, as quoted in training material; depends on the edition"
            } else {
                "TIA-568 inside plant, from memory; depends on the edition"
            },
        )],
        link_loss: vec![budget(both, 0.3, 0.75, max_db_per_km)],
        ..Limits::default()
    }
}
