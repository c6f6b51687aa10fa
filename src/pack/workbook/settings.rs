//! What the numbers were made with: limits, settings, doubts.

use rust_xlsxwriter::{Workbook, XlsxError};

use super::measured::{fibre, light};
use super::sheet::{Cell, add, column};
use crate::both_ways::Direction;
use crate::pack::content::{Content, PackLink};
use crate::pack::judged::asked;
use crate::pack::named;
use crate::pack::wording::Text;
use crate::report::SourceFile;
use crate::units::Length;

/// Limits and decision rule, or that there are none.
pub(super) fn limits(workbook: &mut Workbook, content: &Content<'_>) -> Result<(), XlsxError> {
    let wording = content.wording;
    let of = |text| wording.of(text);
    let columns = [
        column(of(Text::Quantity), 44.0),
        column(of(Text::Wavelength), 18.0),
        column(of(Text::Limit), 10.0),
        column(of(Text::Unit), 10.0),
        column(of(Text::Notes), 60.0),
        column(of(Text::Source), 80.0),
    ];
    let mut rows = Vec::new();
    match content.limits {
        None => rows.push(vec![Cell::Text(of(Text::NoLimits).to_owned())]),
        Some(limits) => {
            rows.push(vec![Cell::Text(limits.name.clone())]);
            rows.push(vec![
                Cell::Text(of(Text::Coverage).to_owned()),
                Cell::Empty,
                Cell::number(Some(content.coverage), 3),
                Cell::Empty,
                Cell::Text(of(Text::DecisionRule).to_owned()),
            ]);
            rows.extend(asked(limits, wording).into_iter().map(|one| {
                vec![
                    Cell::Text(named::quantity(one.what, wording).to_owned()),
                    Cell::Text(one.band),
                    Cell::number(one.limit, 3),
                    Cell::Text(one.what.unit().to_owned()),
                    Cell::Text(one.text),
                    Cell::Text(one.source),
                ]
            }));
        }
    }
    add(workbook, of(Text::Limits), &columns, &rows, 1, wording)?;
    Ok(())
}

/// One row a value that was held against a limit; no sheet without any.
pub(super) fn judgements(workbook: &mut Workbook, content: &Content<'_>) -> Result<(), XlsxError> {
    let wording = content.wording;
    let of = |text| wording.of(text);
    let of_links = content.links.iter().flat_map(|entry| {
        let of_one = entry.judgements().iter();
        of_one.map(move |one| (fibre(entry), entry.link.wavelength, one))
    });
    let of_closures = content
        .closure_means()
        .map(|(light, one)| (Cell::Empty, light, one));
    let rows: Vec<Vec<Cell>> = of_closures
        .chain(of_links)
        .map(|(fibre, light, one)| {
            vec![
                fibre,
                Cell::number(Some(light.nm()), 0),
                Cell::Text(named::quantity(one.what, wording).to_owned()),
                Cell::Text(named::place(&one.place, wording)),
                Cell::Verdict(one.verdict),
                Cell::number(one.value, 4),
                Cell::number(one.std_error, 5),
                Cell::number(one.limit, 3),
                Cell::number(one.margin, 4),
                Cell::Text(one.what.unit().to_owned()),
                Cell::number(one.conformance, 4),
                Cell::Text(named::reason(one, wording)),
                Cell::Text(one.source.clone()),
            ]
        })
        .collect();
    if rows.is_empty() {
        return Ok(());
    }
    let columns = [
        column(of(Text::Fibre), 14.0),
        column(format!("{}, nm", of(Text::Wavelength)), 11.0),
        column(of(Text::Quantity), 26.0),
        column(of(Text::Place), 26.0),
        column(of(Text::Verdict), 12.0),
        column(of(Text::Value), 11.0),
        column(of(Text::StdError), 11.0),
        column(of(Text::Limit), 10.0),
        column(of(Text::Margin), 10.0),
        column(of(Text::Unit), 8.0),
        column(of(Text::Conformance), 14.0),
        column(of(Text::Reason), 60.0),
        column(of(Text::Source), 50.0),
    ];
    add(workbook, of(Text::Judgements), &columns, &rows, 2, wording)?;
    Ok(())
}

/// One row a raw trace: what it was taken with.
pub(super) fn settings(workbook: &mut Workbook, content: &Content<'_>) -> Result<(), XlsxError> {
    let wording = content.wording;
    let of = |text| wording.of(text);
    let columns = [
        column(of(Text::Fibre), 14.0),
        column(format!("{}, nm", of(Text::Wavelength)), 11.0),
        column(of(Text::Direction), 10.0),
        column(format!("{}, ns", of(Text::PulseWidth)), 10.0),
        column(of(Text::GroupIndex), 10.0),
        column(format!("{}, dB", of(Text::BackscatterCoefficient)), 14.0),
        column(format!("{}, s", of(Text::AveragingTime)), 11.0),
        column(format!("{}, m", of(Text::Spacing)), 11.0),
        column(of(Text::Samples), 10.0),
        column(format!("{}, m", of(Text::LaunchCord)), 10.0),
        column(format!("{}, m", of(Text::TailCord)), 10.0),
        column(of(Text::Measured), 24.0),
        column(of(Text::Instrument), 20.0),
        column(of(Text::Serial), 14.0),
        column(of(Text::CalibratedUntil), 14.0),
        column(of(Text::Operator), 16.0),
        column(of(Text::File), 30.0),
        column("SHA-256", 66.0),
    ];
    let row = |entry: &PackLink, direction: &Direction, name: &str, source: &SourceFile| {
        let header = &direction.header;
        vec![
            fibre(entry),
            light(&entry.link),
            Cell::Text(name.to_owned()),
            Cell::number(Some(direction.pulse_width.ns()), 0),
            Cell::number(Some(direction.group_index.ratio()), 4),
            Cell::number(Some(direction.backscatter.db()), 1),
            Cell::number(
                header.averaging_time_s,
                seconds_decimals(header.averaging_time_s),
            ),
            Cell::number(Some(direction.spacing.m()), 3),
            Cell::Count(direction.samples),
            Cell::number(header.launch_cord.map(Length::m), 1),
            Cell::number(header.tail_cord.map(Length::m), 1),
            Cell::text(header.measured.as_deref()),
            Cell::text(header.instrument.as_deref()),
            Cell::text(header.serial.as_deref()),
            Cell::text(header.calibrated_until.as_deref()),
            Cell::text(header.operator.as_deref()),
            Cell::Text(source.file.clone()),
            Cell::Text(source.sha256.clone()),
        ]
    };
    let rows: Vec<Vec<Cell>> = content
        .links
        .iter()
        .flat_map(|entry| {
            [
                row(entry, &entry.link.a, of(Text::AToB), &entry.provenance.a),
                row(entry, &entry.link.b, of(Text::BToA), &entry.provenance.b),
            ]
        })
        .collect();
    add(workbook, of(Text::Settings), &columns, &rows, 3, wording)?;
    Ok(())
}

/// None for whole seconds, else two: short pulses are averaged for fractions of one.
fn seconds_decimals(seconds: Option<f64>) -> usize {
    if seconds.is_some_and(|seconds| seconds.fract() != 0.0) {
        2
    } else {
        0
    }
}

/// One row a doubt.
pub(super) fn doubts(workbook: &mut Workbook, content: &Content<'_>) -> Result<(), XlsxError> {
    let wording = content.wording;
    let of = |text| wording.of(text);
    let columns = [
        column(of(Text::Fibre), 14.0),
        column(format!("{}, nm", of(Text::Wavelength)), 11.0),
        column(of(Text::Kind), 26.0),
        column(of(Text::Notes), 120.0),
    ];
    let whole = content.warnings.iter().map(|warning| {
        vec![
            Cell::Empty,
            Cell::Empty,
            Cell::Text(warning.code.clone().into_owned()),
            Cell::Text(warning.message.clone()),
        ]
    });
    let each = content.links.iter().flat_map(|entry| {
        entry.link.warnings.iter().map(move |warning| {
            vec![
                fibre(entry),
                light(&entry.link),
                Cell::Text(warning.code.clone().into_owned()),
                Cell::Text(warning.message.clone()),
            ]
        })
    });
    let rows: Vec<Vec<Cell>> = whole.chain(each).collect();
    add(workbook, of(Text::Warnings), &columns, &rows, 2, wording)?;
    Ok(())
}
