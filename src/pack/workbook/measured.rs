//! What was measured: links, events, sections, power-meter readings.

use rust_xlsxwriter::{Workbook, XlsxError};

use super::sheet::{Cell, add, column};
use crate::both_ways::{Event, Link, Verdict};
use crate::pack::content::{Content, Due, PackLink};
use crate::pack::named;
use crate::pack::power;
use crate::pack::wording::Text;
use crate::units::{Attenuation, Length, Loss, Measurement, Position, Reflectance, ReturnLoss};

/// Value and standard error of a measurement as two cells.
fn pair<Q: Copy>(measurement: &Measurement<Q>, number: fn(Q) -> f64, decimals: usize) -> [Cell; 2] {
    match measurement {
        Ok(measured) => [
            Cell::number(Some(number(measured.value)), decimals),
            Cell::number(measured.std_error.map(number), decimals + 1),
        ],
        Err(_) => [Cell::Empty, Cell::Empty],
    }
}

/// Reasons of what was not measured, each after its name.
pub(super) fn reasons<'r>(
    parts: impl IntoIterator<Item = (&'r str, Option<&'r str>)>,
) -> Vec<String> {
    parts
        .into_iter()
        .filter_map(|(name, reason)| Some(format!("{name}: {}", reason?)))
        .collect()
}

fn reason<Q>(measurement: &Measurement<Q>) -> Option<&str> {
    measurement
        .as_ref()
        .err()
        .map(|missing| missing.reason.as_str())
}

pub(super) fn light(link: &Link) -> Cell {
    Cell::number(Some(link.wavelength.nm()), 0)
}

pub(super) fn fibre(entry: &PackLink) -> Cell {
    Cell::Text(
        entry
            .link
            .fibre
            .clone()
            .unwrap_or_else(|| entry.page.clone()),
    )
}

/// One row a link.
pub(super) fn links(workbook: &mut Workbook, content: &Content<'_>) -> Result<(), XlsxError> {
    let wording = content.wording;
    let of = |text| wording.of(text);
    let error = of(Text::StdError);
    let columns = [
        column(of(Text::Fibre), 14.0),
        column(format!("{}, nm", of(Text::Wavelength)), 11.0),
        column(of(Text::EndA), 18.0),
        column(of(Text::EndB), 18.0),
        column(of(Text::Verdict), 12.0),
        column(format!("{}, m", of(Text::Length)), 12.0),
        column(format!("{error}, m"), 10.0),
        column(format!("{}, dB", of(Text::Loss)), 11.0),
        column(format!("{error}, dB"), 10.0),
        column(format!("{}, dB/km", of(Text::Attenuation)), 12.0),
        column(format!("{}, dB", of(Text::ReturnLossA)), 11.0),
        column(format!("{}, dB", of(Text::ReturnLossB)), 11.0),
        column(of(Text::Notes), 60.0),
    ];
    let rows: Vec<Vec<Cell>> = content
        .due()
        .into_iter()
        .map(|due| {
            let entry = match due {
                Due::Measured(entry) => entry,
                Due::Missing { fibre, wavelength } => {
                    let mut row = vec![
                        Cell::Text(fibre.name.clone()),
                        Cell::number(Some(wavelength.nm()), 0),
                        Cell::Empty,
                        Cell::Empty,
                        Cell::Verdict(Verdict::NotJudged),
                    ];
                    row.extend((0..7).map(|_| Cell::Empty));
                    let why = named::why_missing(content, fibre, wavelength);
                    let not = of(Text::NotMeasured).to_owned();
                    let parts: Vec<String> = std::iter::once(not).chain(why).collect();
                    row.push(Cell::Text(parts.join("; ")));
                    return row;
                }
            };
            let link = &entry.link;
            let notes = reasons([
                (of(Text::Length), reason(&link.length)),
                (of(Text::Loss), reason(&link.loss)),
            ]);
            let [length, length_error] = pair(&link.length, Length::m, 1);
            let [loss, loss_error] = pair(&link.loss, Loss::db, 3);
            vec![
                fibre(entry),
                light(link),
                Cell::text(link.from.as_deref()),
                Cell::text(link.to.as_deref()),
                Cell::Verdict(link.verdict),
                length,
                length_error,
                loss,
                loss_error,
                Cell::number(link.attenuation.map(Attenuation::db_per_km), 4),
                Cell::number(link.orl_a.map(ReturnLoss::db), 1),
                Cell::number(link.orl_b.map(ReturnLoss::db), 1),
                Cell::Text(notes.join("; ")),
            ]
        })
        .collect();
    add(workbook, of(Text::Fibres), &columns, &rows, 2, wording)?;
    Ok(())
}

/// One row an event.
pub(super) fn events(workbook: &mut Workbook, content: &Content<'_>) -> Result<(), XlsxError> {
    let wording = content.wording;
    let of = |text| wording.of(text);
    let error = format!("{}, dB", of(Text::StdError));
    let columns = [
        column(of(Text::Fibre), 14.0),
        column(format!("{}, nm", of(Text::Wavelength)), 11.0),
        column(of(Text::Number), 6.0),
        column(format!("{}, m", of(Text::Place)), 11.0),
        column(format!("{}, m", of(Text::StdError)), 10.0),
        column(of(Text::Kind), 16.0),
        column(of(Text::Joint), 18.0),
        column(of(Text::Verdict), 12.0),
        column(format!("{}, dB", of(Text::Loss)), 11.0),
        column(error.as_str(), 10.0),
        column(format!("{}, dB", of(Text::Limit)), 9.0),
        column(of(Text::Conformance), 14.0),
        column(format!("{}, dB", of(Text::LossAToB)), 11.0),
        column(error.as_str(), 10.0),
        column(format!("{}, dB", of(Text::LossBToA)), 11.0),
        column(error.as_str(), 10.0),
        column(format!("{}, dB", of(Text::BackscatterStep)), 12.0),
        column(error.as_str(), 10.0),
        column(format!("{}, dB", of(Text::ReflectanceA)), 12.0),
        column(format!("{}, dB", of(Text::ReflectanceB)), 12.0),
        column(of(Text::Notes), 60.0),
    ];
    let rows: Vec<Vec<Cell>> = content
        .links
        .iter()
        .flat_map(|entry| entry.link.events.iter().map(move |event| (entry, event)))
        .map(|(entry, event)| {
            let [place, place_error] = match event.position_from_b {
                None => [
                    Cell::number(Some(event.position.value.m()), 1),
                    Cell::number(event.position.std_error.map(Length::m), 2),
                ],
                Some(_) => [Cell::Empty, Cell::Empty],
            };
            let [loss, loss_error] = pair(&event.loss, Loss::db, 3);
            let [a, a_error] = pair(&event.loss_a_to_b, Loss::db, 3);
            let [b, b_error] = pair(&event.loss_b_to_a, Loss::db, 3);
            let [step, step_error] = pair(&event.backscatter_step, Loss::db, 3);
            let reflectance = |reading: Option<crate::measure::ReflectanceReading>| {
                Cell::number(reading.map(|reading| Reflectance::db(reading.value)), 1)
            };
            vec![
                fibre(entry),
                light(&entry.link),
                Cell::Count(event.number),
                place,
                place_error,
                Cell::Text(named::kind(event.kind, wording).to_owned()),
                Cell::text(event.joint.as_deref()),
                Cell::Verdict(event.verdict),
                loss,
                loss_error,
                Cell::number(event.limit.map(Loss::db), 3),
                Cell::number(event.conformance, 4),
                a,
                a_error,
                b,
                b_error,
                step,
                step_error,
                reflectance(event.reflectance_a),
                reflectance(event.reflectance_b),
                Cell::Text(event_notes(event, content).join("; ")),
            ]
        })
        .collect();
    add(workbook, of(Text::Events), &columns, &rows, 3, wording)?;
    Ok(())
}

/// What was not measured of an event and why, what is a bound, and its notes.
fn event_notes(event: &Event, content: &Content<'_>) -> Vec<String> {
    let of = |text| content.wording.of(text);
    let mut notes = reasons([
        (of(Text::Loss), reason(&event.loss)),
        (of(Text::LossAToB), reason(&event.loss_a_to_b)),
        (of(Text::LossBToA), reason(&event.loss_b_to_a)),
    ]);
    for (name, reading) in [
        (Text::ReflectanceA, event.reflectance_a),
        (Text::ReflectanceB, event.reflectance_b),
    ] {
        if reading.is_some_and(|reading| reading.is_bound) {
            notes.push(format!("{}: {}", of(name), of(Text::IsBound)));
        }
    }
    if let Some(from_b) = event.position_from_b {
        notes.push(format!("{:.1} m {}", from_b.m(), of(Text::FromB)));
    }
    if let Some(end) = event.end {
        notes.push(format!("{} {:.1} m", of(Text::To), Position::m(end)));
    }
    notes.extend(event.notes.iter().cloned());
    notes
}

/// One row a section.
pub(super) fn sections(workbook: &mut Workbook, content: &Content<'_>) -> Result<(), XlsxError> {
    let wording = content.wording;
    let of = |text| wording.of(text);
    let columns = [
        column(of(Text::Fibre), 14.0),
        column(format!("{}, nm", of(Text::Wavelength)), 11.0),
        column(format!("{}, m", of(Text::From)), 11.0),
        column(format!("{}, m", of(Text::To)), 11.0),
        column(format!("{}, dB/km", of(Text::Attenuation)), 12.0),
        column(format!("{}, dB/km", of(Text::StdError)), 12.0),
    ];
    let rows: Vec<Vec<Cell>> = content
        .links
        .iter()
        .flat_map(|entry| {
            entry
                .link
                .sections
                .iter()
                .map(move |section| (entry, section))
        })
        .map(|(entry, section)| {
            let attenuation = &section.attenuation;
            vec![
                fibre(entry),
                light(&entry.link),
                Cell::number(Some(section.from.m()), 1),
                Cell::number(Some(section.to.m()), 1),
                Cell::number(Some(attenuation.value.db_per_km()), 4),
                Cell::number(attenuation.std_error.map(Attenuation::db_per_km), 5),
            ]
        })
        .collect();
    add(workbook, of(Text::Sections), &columns, &rows, 2, wording)?;
    Ok(())
}

/// One row a reading by source and power meter; no sheet without any.
pub(super) fn power(workbook: &mut Workbook, content: &Content<'_>) -> Result<(), XlsxError> {
    let wording = content.wording;
    let of = |text| wording.of(text);
    let rows: Vec<Vec<Cell>> = content
        .links
        .iter()
        .flat_map(|entry| entry.power.iter().map(move |reading| (entry, reading)))
        .map(|(entry, reading)| {
            let found = power::agreement(reading, &entry.link.loss);
            let [loss, loss_error] = pair(&entry.link.loss, Loss::db, 3);
            vec![
                fibre(entry),
                light(&entry.link),
                Cell::Text(reading.direction.clone()),
                Cell::number(Some(reading.loss.value.db()), 3),
                Cell::number(reading.loss.std_error.map(Loss::db), 4),
                loss,
                loss_error,
                Cell::number(found.as_ref().map(|found| found.difference.value.db()), 3),
                Cell::number(
                    found
                        .as_ref()
                        .and_then(|found| found.difference.std_error)
                        .map(Loss::db),
                    4,
                ),
                Cell::Text(power::sentence(reading, &entry.link.loss)),
            ]
        })
        .collect();
    if rows.is_empty() {
        return Ok(());
    }
    let error = format!("{}, dB", of(Text::StdError));
    let columns = [
        column(of(Text::Fibre), 14.0),
        column(format!("{}, nm", of(Text::Wavelength)), 11.0),
        column(of(Text::Direction), 11.0),
        column(format!("{}, dB", of(Text::PowerMeter)), 12.0),
        column(error.as_str(), 10.0),
        column(format!("{}, dB", of(Text::Loss)), 11.0),
        column(error.as_str(), 10.0),
        column(format!("{}, dB", of(Text::Difference)), 11.0),
        column(error.as_str(), 10.0),
        column(of(Text::Notes), 60.0),
    ];
    add(workbook, of(Text::PowerMeter), &columns, &rows, 2, wording)?;
    Ok(())
}
