//! CSV of a cable: the matrix, the joints, the fibres; a missing value is an empty cell.

use super::ReportError;
use super::csv::{finished, number, text, word};
use super::number::{error_rounded, rounded};
use crate::cable::CableResult;
use crate::units::{Attenuation, Length, Loss, Measurement};

fn parts(loss: &Measurement<Loss>) -> [String; 2] {
    let known = loss.as_ref().ok();
    [
        number(known.and_then(|l| rounded(l.value.db(), 4))),
        number(known.and_then(|l| error_rounded(l.std_error?.db()))),
    ]
}

/// Writes the matrix, one row for a fibre at a joint and wavelength.
///
/// # Errors
/// [`ReportError::Csv`] if the text cannot be written.
pub fn cable_matrix(result: &CableResult) -> Result<String, ReportError> {
    let mut writer = ::csv::Writer::from_writer(Vec::new());
    writer.write_record([
        "cable",
        "fibre",
        "tube",
        "colour",
        "joint",
        "wavelength_nm",
        "position_m",
        "loss_db",
        "loss_std_error_db",
        "loss_a_to_b_db",
        "loss_a_to_b_std_error_db",
        "loss_b_to_a_db",
        "loss_b_to_a_std_error_db",
        "backscatter_step_db",
        "backscatter_step_std_error_db",
        "shows",
        "limit_db",
        "verdict",
        "not_measured",
    ])?;
    for (f, j, w, cell) in result.matrix.iter() {
        let (Some(fibre), Some(joint), Some(wavelength)) = (
            result.fibres.get(f),
            result.joints.get(j),
            result.wavelengths.get(w),
        ) else {
            continue;
        };
        let [loss, loss_error] = parts(&cell.loss);
        let [a, a_error] = parts(&cell.loss_a_to_b);
        let [b, b_error] = parts(&cell.loss_b_to_a);
        let [step, step_error] = parts(&cell.backscatter_step);
        let why = cell
            .loss
            .as_ref()
            .err()
            .map(|missing| missing.reason.as_str());
        writer.write_record([
            text(result.name.as_deref()),
            text(Some(&fibre.name)),
            text(fibre.tube.as_deref()),
            text(fibre.colour.as_deref()),
            text(Some(&joint.name)),
            number(Some(wavelength.nm())),
            number(cell.position.and_then(|p| rounded(p.m(), 2))),
            loss,
            loss_error,
            a,
            a_error,
            b,
            b_error,
            step,
            step_error,
            cell.seen.to_string(),
            number(cell.limit.and_then(|l| rounded(l.db(), 4))),
            word(&cell.verdict)?,
            text(why),
        ])?;
    }
    finished(writer)
}

/// Writes the joints, one row for a joint and wavelength.
///
/// # Errors
/// [`ReportError::Csv`] if the text cannot be written.
pub fn cable_joints(result: &CableResult) -> Result<String, ReportError> {
    let mut writer = ::csv::Writer::from_writer(Vec::new());
    writer.write_record([
        "cable",
        "joint",
        "wavelength_nm",
        "position_m",
        "chainage_m",
        "seen_in",
        "measured",
        "mean_db",
        "max_db",
        "std_db",
        "mean_limit_db",
        "mean_verdict",
        "verdict",
        "mean_reason",
    ])?;
    for joint in &result.joints {
        for one in &joint.statistics {
            let db = |loss: Option<Loss>| number(loss.and_then(|l| rounded(l.db(), 4)));
            let mean = one.mean_judged.as_ref();
            writer.write_record([
                text(result.name.as_deref()),
                text(Some(&joint.name)),
                number(Some(one.wavelength.nm())),
                number(rounded(joint.position.value.m(), 2)),
                number(joint.chainage.and_then(|c| rounded(c.m(), 2))),
                joint.seen_in.to_string(),
                one.measured.to_string(),
                db(one.mean),
                db(one.max),
                db(one.std),
                number(mean.and_then(|mean| mean.limit)),
                mean.map_or(Ok(String::new()), |mean| word(&mean.verdict))?,
                word(&one.verdict)?,
                text(mean.map(|mean| mean.reason.as_str())),
            ])?;
        }
    }
    finished(writer)
}

/// Writes the fibres, one row for a fibre and wavelength.
///
/// # Errors
/// [`ReportError::Csv`] if the text cannot be written.
pub fn cable_fibres(result: &CableResult) -> Result<String, ReportError> {
    let mut writer = ::csv::Writer::from_writer(Vec::new());
    writer.write_record([
        "cable",
        "fibre",
        "tube",
        "colour",
        "wavelength_nm",
        "length_m",
        "length_std_error_m",
        "loss_db",
        "loss_std_error_db",
        "attenuation_db_per_km",
        "orl_a_db",
        "orl_b_db",
        "verdict",
        "file_a",
        "file_b",
    ])?;
    for link in &result.links {
        let Some(fibre) = result.fibres.get(link.fibre) else {
            continue;
        };
        let length = link.link.length.as_ref().ok();
        let [loss, loss_error] = parts(&link.link.loss);
        let orl =
            |orl: Option<crate::units::ReturnLoss>| number(orl.and_then(|o| rounded(o.db(), 2)));
        writer.write_record([
            text(result.name.as_deref()),
            text(Some(&fibre.name)),
            text(fibre.tube.as_deref()),
            text(fibre.colour.as_deref()),
            number(Some(link.link.wavelength.nm())),
            number(length.and_then(|l| rounded(l.value.m(), 2))),
            number(
                length
                    .and_then(|l| l.std_error)
                    .map(Length::m)
                    .and_then(error_rounded),
            ),
            loss,
            loss_error,
            number(
                link.link
                    .attenuation
                    .map(Attenuation::db_per_km)
                    .and_then(|a| rounded(a, 4)),
            ),
            orl(link.link.orl_a),
            orl(link.link.orl_b),
            word(&link.link.verdict)?,
            text(Some(&link.a.file)),
            text(Some(&link.b.file)),
        ])?;
    }
    finished(writer)
}
