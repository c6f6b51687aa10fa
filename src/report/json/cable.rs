//! A whole cable: `bothends.cable/1`.

use std::collections::BTreeMap;

use rayon::prelude::*;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::judgement::JudgementObject;
use super::link::{LinkReport, WarningObject, db, metres};
use crate::both_ways::Verdict;
use crate::cable::{
    CableLink, CableResult, Calibration, Evidence, Finding, FindingKind, Joint, JointKind, NamedBy,
    RedoEntry, Visit,
};
use crate::report::number::{error_rounded, rounded};
use crate::report::{Provenance, SourceFile};
use crate::units::{Length, Loss, Measured, Position, Wavelength};

/// A cable with its joints, findings, redo list and links.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[schemars(deny_unknown_fields, title = "bothends.cable/1")]
pub struct CableReport {
    /// Name and version of this form.
    #[schemars(extend("const" = "bothends.cable/1"))]
    pub schema: String,
    /// The cable as a whole.
    pub cable: CableHead,
    /// Every joint at every wavelength, from A to B.
    pub joints: Vec<JointObject>,
    /// What is wrong.
    pub findings: Vec<FindingObject>,
    /// What to splice again, most worth it first.
    pub redo: Vec<RedoObject>,
    /// The closures to open for it.
    pub visits: Vec<VisitObject>,
    /// The links; left out where they stand on lines of their own.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub links: Option<Vec<LinkReport>>,
    /// Files that gave no link.
    pub skipped: Vec<SkippedObject>,
    /// How metres of fibre turn into chainage; null without a plan.
    pub calibration: Option<CalibrationObject>,
    /// What decided.
    pub rules: RulesObject,
    /// Doubts about the cable as a whole.
    pub warnings: Vec<WarningObject>,
    /// Name and version of the program.
    pub program: String,
    /// Time that the user gave for the report.
    pub report_time: Option<String>,
}

/// The cable as a whole.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[schemars(deny_unknown_fields)]
pub struct CableHead {
    /// Its name.
    pub name: Option<String>,
    /// End A.
    pub from: Option<String>,
    /// End B.
    pub to: Option<String>,
    /// Number of fibres.
    pub fibres: usize,
    /// Wavelengths, shortest first.
    pub wavelengths_nm: Vec<f64>,
    /// Fibre from the first connector to the last, the middle one of all fibres.
    pub length_m: Option<f64>,
    /// Verdict on the cable as a whole.
    #[schemars(with = "String", extend("enum" = ["pass", "fail", "undecided", "not judged"]))]
    pub verdict: Verdict,
    /// Verdicts on each wavelength and each fibre; present where limits were applied.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub verdicts: Option<VerdictsObject>,
}

/// Verdicts on the parts of a cable, each the worst of what it holds.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[schemars(deny_unknown_fields)]
pub struct VerdictsObject {
    /// By wavelength in nanometres, in the order of `wavelengths_nm`.
    #[schemars(with = "Vec<String>")]
    pub by_wavelength: Vec<Verdict>,
    /// By name of the fibre.
    #[schemars(with = "BTreeMap<String, String>")]
    pub by_fibre: BTreeMap<String, Verdict>,
}

/// One joint at one wavelength.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[schemars(deny_unknown_fields)]
pub struct JointObject {
    /// Its name.
    pub name: String,
    /// What the name rests on.
    #[schemars(extend("enum" = ["plan", "order"]))]
    pub named_by: String,
    /// What it is.
    #[schemars(extend("enum" = ["end A", "joint", "end B"]))]
    pub kind: String,
    /// The wavelength.
    pub wavelength_nm: f64,
    /// Place in metres of fibre of a fibre of usual length.
    pub position_m: Option<f64>,
    /// Its standard error.
    pub position_std_error_m: Option<f64>,
    /// By how much single fibres lie off it.
    pub scatter_m: Option<f64>,
    /// Place along the route; null without a plan.
    pub chainage_m: Option<f64>,
    /// Fibres in which it shows in a trace.
    pub seen_in: usize,
    /// Fibres whose two-way loss was measured.
    pub measured: usize,
    /// Mean of their two-way losses.
    pub mean_db: Option<f64>,
    /// The greatest.
    pub max_db: Option<f64>,
    /// Their standard deviation.
    pub std_db: Option<f64>,
    /// The mean against the limit for a closure's mean; null where no limit asks for it.
    pub mean_judgement: Option<JudgementObject>,
    /// Verdict on all fibres here and their mean.
    #[schemars(with = "String", extend("enum" = ["pass", "fail", "undecided", "not judged"]))]
    pub verdict: Verdict,
}

/// One finding.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[schemars(deny_unknown_fields)]
pub struct FindingObject {
    /// What it is.
    #[schemars(extend("enum" = ["break", "crossed fibres", "swapped ends", "duplicate file", "missing partner", "bad joint", "bend", "shifted tray", "outlier", "looks bad one way", "splicing machine", "poor settings"]))]
    pub kind: String,
    /// The fibres.
    pub fibres: Vec<String>,
    /// The joint.
    pub joint: Option<String>,
    /// Place: of one fibre on its own axis, of several on the cable's.
    pub position_m: Option<f64>,
    /// The wavelength.
    pub wavelength_nm: Option<f64>,
    /// The loss it is about.
    pub loss_db: Option<f64>,
    /// Its standard error.
    pub loss_std_error_db: Option<f64>,
    /// What it is and what to do.
    pub message: String,
    /// What it rests on.
    pub evidence: BTreeMap<String, EvidenceValue>,
}

/// A piece of evidence.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(untagged)]
pub enum EvidenceValue {
    /// A number; the key has its unit.
    Number(f64),
    /// Words.
    Text(String),
    /// Names.
    Names(Vec<String>),
}

/// One joint of one fibre to splice again.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[schemars(deny_unknown_fields)]
pub struct RedoObject {
    /// Counted from 1.
    pub rank: usize,
    /// The fibre.
    pub fibre: String,
    /// Its tube.
    pub tube: Option<String>,
    /// Its colour.
    pub colour: Option<String>,
    /// The joint.
    pub joint: String,
    /// Wavelength at which it is worst.
    pub wavelength_nm: f64,
    /// Place in metres of this fibre from A's first connector.
    pub position_m: Option<f64>,
    /// Along the route from A.
    pub chainage_from_a_m: Option<f64>,
    /// Along the route from B.
    pub chainage_from_b_m: Option<f64>,
    /// Two-way loss.
    pub loss_db: Option<f64>,
    /// Its standard error.
    pub loss_std_error_db: Option<f64>,
    /// Upper estimate of what the two fibres force; null where it cannot be said.
    pub forced_db: Option<f64>,
    /// What workmanship can win back.
    pub workmanship_db: Option<f64>,
    /// Loss to expect of a new joint.
    pub expected_after_db: Option<f64>,
    /// What that rests on.
    pub expected_from: String,
    /// Verdict on the link once its redo entries are done as expected.
    #[schemars(with = "String", extend("enum" = ["pass", "fail", "undecided", "not judged"]))]
    pub link_verdict_after: Verdict,
}

/// One closure to open.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[schemars(deny_unknown_fields)]
pub struct VisitObject {
    /// The joint.
    pub joint: String,
    /// Ranks of the redo entries.
    pub ranks: Vec<usize>,
    /// Time of the steps whose times are known.
    pub seconds: Option<f64>,
    /// Those steps.
    pub steps: Vec<VisitStepObject>,
    /// Steps whose times nobody gave; not in the sum.
    pub not_counted: Vec<String>,
}

/// A step of a visit.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[schemars(deny_unknown_fields)]
pub struct VisitStepObject {
    /// What is done.
    pub step: String,
    /// How often.
    pub times: usize,
    /// Seconds each.
    pub seconds: Option<f64>,
    /// Where the time comes from.
    #[schemars(extend("enum" = ["given", "common practice, no source"]))]
    pub from: String,
}

/// A file without a link.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[schemars(deny_unknown_fields)]
pub struct SkippedObject {
    /// Its name.
    pub file: String,
    /// Why.
    pub reason: String,
}

/// Fibre = helix factor · chainage + slack · (closures passed + ½).
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[schemars(deny_unknown_fields)]
pub struct CalibrationObject {
    /// Metres of fibre for a metre of cable.
    pub helix_factor: Option<f64>,
    /// Its standard error; null where it was given.
    pub helix_factor_std_error: Option<f64>,
    /// Fibre coiled in each closure.
    pub slack_m: Option<f64>,
    /// Its standard error.
    pub slack_std_error_m: Option<f64>,
    /// The closures it rests on.
    pub closures: Vec<CalibratedObject>,
    /// Closures at which no joint was found.
    pub unmatched: Vec<String>,
}

/// One closure of a calibration.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[schemars(deny_unknown_fields)]
pub struct CalibratedObject {
    /// Its name.
    pub name: String,
    /// Its chainage in the plan.
    pub chainage_m: Option<f64>,
    /// Fibre as measured less fibre as calibrated.
    pub residual_m: Option<f64>,
}

/// What decided.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[schemars(deny_unknown_fields)]
pub struct RulesObject {
    /// Name of the limits; null without.
    pub limits: Option<String>,
    /// Standard errors that a value keeps from its limit.
    pub coverage_factor: Option<f64>,
    /// Two-way loss above which a splice is bad where no limits are given.
    pub bad_splice_db: Option<f64>,
    /// Where that value comes from.
    #[schemars(extend("enum" = ["given", "common contract value"]))]
    pub bad_splice_from: String,
    /// Chance of a false finding of one kind in the whole cable.
    pub false_finding_chance: Option<f64>,
}

impl CableReport {
    /// Puts a cable into the form that is printed, its links included.
    pub fn new(result: &CableResult, program: &str, report_time: Option<&str>) -> Self {
        let joint_name = |index: usize| {
            result
                .joints
                .get(index)
                .map_or_else(String::new, |j| j.name.clone())
        };
        Self {
            schema: "bothends.cable/1".to_owned(),
            cable: CableHead {
                name: result.name.clone(),
                from: result.from.clone(),
                to: result.to.clone(),
                fibres: result.fibres.len(),
                wavelengths_nm: result
                    .wavelengths
                    .iter()
                    .copied()
                    .map(Wavelength::nm)
                    .collect(),
                length_m: result.length.map(Length::m).and_then(metres),
                verdict: result.verdict(),
                verdicts: result.rules.limits.as_ref().map(|_| verdicts(result)),
            },
            joints: result.joints.iter().flat_map(joint_objects).collect(),
            findings: result
                .findings
                .iter()
                .map(|finding| finding_object(finding, &joint_name))
                .collect(),
            redo: result
                .redo
                .iter()
                .map(|entry| redo_object(entry, result, &joint_name))
                .collect(),
            visits: result
                .visits
                .iter()
                .map(|visit| visit_object(visit, &result.redo, &joint_name))
                .collect(),
            links: Some(
                (result.links.par_iter())
                    .map(|link| link_report(link, program, report_time))
                    .collect(),
            ),
            skipped: result
                .skipped
                .iter()
                .map(|skipped| SkippedObject {
                    file: skipped.file.clone(),
                    reason: skipped.reason.clone(),
                })
                .collect(),
            calibration: result.calibration.as_ref().map(calibration_object),
            rules: RulesObject {
                limits: result.rules.limits.clone(),
                coverage_factor: rounded(result.rules.coverage, 4),
                bad_splice_db: db(result.rules.bad_splice.db()),
                bad_splice_from: if result.rules.bad_splice_is_default {
                    "common contract value".to_owned()
                } else {
                    "given".to_owned()
                },
                false_finding_chance: rounded(result.rules.false_finding_chance, 6),
            },
            warnings: result.warnings.iter().map(Into::into).collect(),
            program: program.to_owned(),
            report_time: report_time.map(str::to_owned),
        }
    }
}

/// One link of a cable in the form of `bothends.link/1`.
pub fn link_report(link: &CableLink, program: &str, report_time: Option<&str>) -> LinkReport {
    let source = |source: &crate::cable::Source| SourceFile {
        file: source.file.clone(),
        sha256: source.sha256.clone(),
    };
    let provenance = Provenance {
        program: program.to_owned(),
        a: source(&link.a),
        b: source(&link.b),
        report_time: report_time.map(str::to_owned),
        judged: link.judged.clone(),
    };
    LinkReport::new(&link.link, &provenance)
}

fn verdicts(result: &CableResult) -> VerdictsObject {
    VerdictsObject {
        by_wavelength: (0..result.wavelengths.len())
            .map(|wavelength| result.verdict_at(wavelength))
            .collect(),
        by_fibre: (result.fibres.iter().enumerate())
            .map(|(index, fibre)| (fibre.name.clone(), result.verdict_of_fibre(index)))
            .collect(),
    }
}

fn joint_objects(joint: &Joint) -> Vec<JointObject> {
    joint
        .statistics
        .iter()
        .map(|statistics| JointObject {
            name: joint.name.clone(),
            named_by: match joint.named_by {
                NamedBy::Plan => "plan",
                NamedBy::Order => "order",
            }
            .to_owned(),
            kind: match joint.kind {
                JointKind::EndA => "end A",
                JointKind::Joint => "joint",
                JointKind::EndB => "end B",
            }
            .to_owned(),
            wavelength_nm: statistics.wavelength.nm(),
            position_m: metres(joint.position.value.m()),
            position_std_error_m: joint
                .position
                .std_error
                .and_then(|error| error_rounded(error.m())),
            scatter_m: joint.scatter.map(Length::m).and_then(error_rounded),
            chainage_m: joint.chainage.map(Length::m).and_then(metres),
            seen_in: joint.seen_in,
            measured: statistics.measured,
            mean_db: statistics.mean.map(Loss::db).and_then(db),
            max_db: statistics.max.map(Loss::db).and_then(db),
            std_db: statistics.std.map(Loss::db).and_then(db),
            mean_judgement: statistics.mean_judged.as_ref().map(JudgementObject::from),
            verdict: statistics.verdict,
        })
        .collect()
}

fn loss_pair(loss: Option<Measured<Loss>>) -> (Option<f64>, Option<f64>) {
    (
        loss.and_then(|l| db(l.value.db())),
        loss.and_then(|l| l.std_error)
            .and_then(|e| error_rounded(e.db())),
    )
}

fn finding_object(finding: &Finding, joint_name: &dyn Fn(usize) -> String) -> FindingObject {
    let (loss_db, loss_std_error_db) = loss_pair(finding.loss);
    FindingObject {
        kind: FindingKind::word(finding.kind).to_owned(),
        fibres: finding.fibres.clone(),
        joint: finding.joint.map(joint_name),
        position_m: finding.position.map(Position::m).and_then(metres),
        wavelength_nm: finding.wavelength.and_then(|w| rounded(w.nm(), 3)),
        loss_db,
        loss_std_error_db,
        message: finding.message.clone(),
        evidence: finding
            .evidence
            .iter()
            .filter_map(|(key, value)| {
                let value = match value {
                    Evidence::Number(number) => EvidenceValue::Number(rounded(*number, 4)?),
                    Evidence::Text(text) => EvidenceValue::Text(text.clone()),
                    Evidence::Names(names) => EvidenceValue::Names(names.clone()),
                };
                Some(((*key).to_owned(), value))
            })
            .collect(),
    }
}

fn redo_object(
    entry: &RedoEntry,
    result: &CableResult,
    joint_name: &dyn Fn(usize) -> String,
) -> RedoObject {
    let fibre = result.fibres.get(entry.fibre);
    let (loss_db, loss_std_error_db) = loss_pair(Some(entry.loss));
    RedoObject {
        rank: entry.rank,
        fibre: fibre.map_or_else(String::new, |f| f.name.clone()),
        tube: fibre.and_then(|f| f.tube.clone()),
        colour: fibre.and_then(|f| f.colour.clone()),
        joint: joint_name(entry.joint),
        wavelength_nm: entry.wavelength.nm(),
        position_m: metres(entry.position.m()),
        chainage_from_a_m: entry.chainage_from_a.map(Length::m).and_then(metres),
        chainage_from_b_m: entry.chainage_from_b.map(Length::m).and_then(metres),
        loss_db,
        loss_std_error_db,
        forced_db: loss_pair(entry.forced).0,
        workmanship_db: loss_pair(entry.workmanship).0,
        expected_after_db: entry.expected_after.map(Loss::db).and_then(db),
        expected_from: entry.expected_from.clone(),
        link_verdict_after: entry.link_verdict_after,
    }
}

fn visit_object(
    visit: &Visit,
    redo: &[RedoEntry],
    joint_name: &dyn Fn(usize) -> String,
) -> VisitObject {
    VisitObject {
        joint: joint_name(visit.joint),
        ranks: visit
            .entries
            .iter()
            .filter_map(|index| redo.get(*index).map(|entry| entry.rank))
            .collect(),
        seconds: rounded(visit.seconds, 1),
        steps: visit
            .steps
            .iter()
            .map(|step| VisitStepObject {
                step: step.step.clone(),
                times: step.times,
                seconds: rounded(step.seconds, 1),
                from: if step.given {
                    "given".to_owned()
                } else {
                    "common practice, no source".to_owned()
                },
            })
            .collect(),
        not_counted: visit.not_counted.clone(),
    }
}

fn calibration_object(calibration: &Calibration) -> CalibrationObject {
    CalibrationObject {
        helix_factor: rounded(calibration.helix_factor.value, 6),
        helix_factor_std_error: calibration.helix_factor.std_error.and_then(error_rounded),
        slack_m: metres(calibration.slack.value.m()),
        slack_std_error_m: calibration
            .slack
            .std_error
            .and_then(|error| error_rounded(error.m())),
        closures: calibration
            .closures
            .iter()
            .map(|closure| CalibratedObject {
                name: closure.name.clone(),
                chainage_m: metres(closure.chainage.m()),
                residual_m: metres(closure.residual.m()),
            })
            .collect(),
        unmatched: calibration.unmatched.clone(),
    }
}
