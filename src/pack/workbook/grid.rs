//! The matrix of fibres and joints, and the joints to do again.

use rust_xlsxwriter::{Workbook, XlsxError};

use super::sheet::{Cell, Column, above, add, column};
use crate::cable::CableResult;
use crate::pack::content::Content;
use crate::pack::named;
use crate::pack::wording::{Text, Wording};
use crate::units::{Length, Loss, Position, Wavelength};

/// A row of the matrix: name, and for each joint its cell, its limit, and why it is empty.
struct Row {
    fibre: String,
    tube: Option<String>,
    colour: Option<String>,
    wavelength_nm: f64,
    cells: Vec<(Cell, Option<f64>, Option<String>)>,
}

/// Fibre and wavelength down, joints across.
pub(super) fn matrix(workbook: &mut Workbook, content: &Content<'_>) -> Result<(), XlsxError> {
    let wording = content.wording;
    let (names, rows) = match content.cable {
        Some(cable) => of_cable(cable, wording),
        None => of_links(content),
    };
    let mut columns: Vec<Column> = vec![
        column(wording.of(Text::Fibre), 14.0),
        column(wording.of(Text::Tube), 10.0),
        column(wording.of(Text::Colour), 10.0),
        column(format!("{}, nm", wording.of(Text::Wavelength)), 11.0),
    ];
    let before = columns.len();
    columns.extend(names.iter().map(|name| column(format!("{name}, dB"), 11.0)));
    columns.push(column(wording.of(Text::Notes), 60.0));
    let cells: Vec<Vec<Cell>> = rows
        .iter()
        .map(|row| {
            let mut cells = vec![
                Cell::Text(row.fibre.clone()),
                Cell::text(row.tube.as_deref()),
                Cell::text(row.colour.as_deref()),
                Cell::number(Some(row.wavelength_nm), 0),
            ];
            cells.extend(row.cells.iter().map(|(cell, ..)| cell.clone()));
            let notes: Vec<String> = names
                .iter()
                .zip(&row.cells)
                .filter_map(|(name, (.., why))| Some(format!("{name}: {}", why.as_ref()?)))
                .collect();
            cells.resize(before + names.len(), Cell::Empty);
            cells.push(Cell::Text(notes.join("; ")));
            cells
        })
        .collect();
    let sheet = add(
        workbook,
        wording.of(Text::Matrix),
        &columns,
        &cells,
        4,
        wording,
    )?;
    for at in 0..names.len() {
        let limit = rows
            .iter()
            .filter_map(|row| row.cells.get(at)?.1)
            .reduce(f64::max);
        if let Some(limit) = limit {
            above(sheet, before + at, rows.len(), limit)?;
        }
    }
    Ok(())
}

fn of_cable(cable: &CableResult, wording: &Wording) -> (Vec<String>, Vec<Row>) {
    let names = cable
        .joints
        .iter()
        .map(|joint| joint.name.clone())
        .collect();
    let mut rows = Vec::new();
    for (index, fibre) in cable.fibres.iter().enumerate() {
        for (light, wavelength) in cable.wavelengths.iter().enumerate() {
            let cells = (0..cable.joints.len())
                .map(|joint| match cable.matrix.cell(index, joint, light) {
                    None => (Cell::Empty, None, Some(wording.of(Text::NoLink).to_owned())),
                    Some(cell) => match &cell.loss {
                        Ok(loss) => (
                            Cell::Judged(loss.value.db(), cell.verdict),
                            cell.limit.map(Loss::db),
                            None,
                        ),
                        Err(missing) => (Cell::Empty, None, Some(missing.reason.clone())),
                    },
                })
                .collect();
            rows.push(Row {
                fibre: fibre.name.clone(),
                tube: fibre.tube.clone(),
                colour: fibre.colour.clone(),
                wavelength_nm: wavelength.nm(),
                cells,
            });
        }
    }
    (names, rows)
}

/// Without a cable: each link's own events, by number.
fn of_links(content: &Content<'_>) -> (Vec<String>, Vec<Row>) {
    let most = content
        .links
        .iter()
        .map(|entry| entry.link.events.len())
        .max()
        .unwrap_or(0);
    let name = |at: usize| match content.links {
        [only] => only
            .link
            .events
            .get(at)
            .and_then(|event| event.joint.clone())
            .unwrap_or_else(|| (at + 1).to_string()),
        _ => (at + 1).to_string(),
    };
    let rows = content
        .links
        .iter()
        .map(|entry| Row {
            fibre: entry
                .link
                .fibre
                .clone()
                .unwrap_or_else(|| entry.page.clone()),
            tube: None,
            colour: None,
            wavelength_nm: entry.link.wavelength.nm(),
            cells: entry
                .link
                .events
                .iter()
                .map(|event| match &event.loss {
                    Ok(loss) => (
                        Cell::Judged(loss.value.db(), event.verdict),
                        event.limit.map(Loss::db),
                        None,
                    ),
                    Err(missing) => (Cell::Empty, None, Some(missing.reason.clone())),
                })
                .collect(),
        })
        .collect();
    ((0..most).map(name).collect(), rows)
}

/// The joints to do again; no sheet without any.
pub(super) fn redo(workbook: &mut Workbook, content: &Content<'_>) -> Result<(), XlsxError> {
    let wording: &Wording = content.wording;
    let Some(cable) = content.cable.filter(|cable| !cable.redo.is_empty()) else {
        return Ok(());
    };
    let of = |text| wording.of(text);
    let columns = [
        column(of(Text::Rank), 6.0),
        column(of(Text::Fibre), 14.0),
        column(of(Text::Tube), 10.0),
        column(of(Text::Colour), 10.0),
        column(of(Text::Joint), 18.0),
        column(format!("{}, nm", of(Text::Wavelength)), 11.0),
        column(format!("{}, m", of(Text::Place)), 11.0),
        column(format!("{}, m", of(Text::ChainageFromA)), 12.0),
        column(format!("{}, m", of(Text::ChainageFromB)), 12.0),
        column(format!("{}, dB", of(Text::Loss)), 11.0),
        column(format!("{}, dB", of(Text::StdError)), 10.0),
        column(format!("{}, dB", of(Text::Forced)), 12.0),
        column(format!("{}, dB", of(Text::ExpectedAfter)), 12.0),
        column(of(Text::VerdictAfter), 14.0),
        column(of(Text::Notes), 40.0),
    ];
    let rows: Vec<Vec<Cell>> = cable
        .redo
        .iter()
        .map(|entry| {
            let fibre = cable.fibres.get(entry.fibre);
            let joint = cable.joints.get(entry.joint);
            vec![
                Cell::Count(entry.rank),
                Cell::text(fibre.map(|fibre| fibre.name.as_str())),
                Cell::text(fibre.and_then(|fibre| fibre.tube.as_deref())),
                Cell::text(fibre.and_then(|fibre| fibre.colour.as_deref())),
                Cell::text(joint.map(|joint| joint.name.as_str())),
                Cell::number(Some(entry.wavelength.nm()), 0),
                Cell::number(Some(entry.position.m()), 1),
                Cell::number(entry.chainage_from_a.map(Length::m), 1),
                Cell::number(entry.chainage_from_b.map(Length::m), 1),
                Cell::number(Some(entry.loss.value.db()), 3),
                Cell::number(entry.loss.std_error.map(Loss::db), 4),
                Cell::number(entry.forced.map(|forced| forced.value.db()), 3),
                Cell::number(entry.expected_after.map(Loss::db), 3),
                Cell::Verdict(entry.link_verdict_after),
                Cell::Text(entry.expected_from.clone()),
            ]
        })
        .collect();
    add(workbook, of(Text::Redo), &columns, &rows, 2, wording)?;
    Ok(())
}

/// What was found, and which files gave no result; no sheet without any.
pub(super) fn findings(workbook: &mut Workbook, content: &Content<'_>) -> Result<(), XlsxError> {
    let wording: &Wording = content.wording;
    let Some(cable) = content.cable else {
        return Ok(());
    };
    let of = |text| wording.of(text);
    let rows: Vec<Vec<Cell>> = cable
        .findings
        .iter()
        .map(|finding| {
            let joint = finding.joint.and_then(|joint| cable.joints.get(joint));
            vec![
                Cell::Text(named::finding_kind(finding.kind, wording).to_owned()),
                Cell::Text(finding.fibres.join(", ")),
                Cell::text(joint.map(|joint| joint.name.as_str())),
                Cell::number(finding.wavelength.map(Wavelength::nm), 0),
                Cell::number(finding.position.map(Position::m), 1),
                Cell::number(finding.loss.map(|loss| loss.value.db()), 3),
                Cell::number(
                    finding.loss.and_then(|loss| loss.std_error).map(Loss::db),
                    4,
                ),
                Cell::Text(named::finding(finding, cable, wording)),
            ]
        })
        .collect();
    if !rows.is_empty() {
        let columns = [
            column(of(Text::Finding), 20.0),
            column(of(Text::Fibres), 24.0),
            column(of(Text::Joint), 18.0),
            column(format!("{}, nm", of(Text::Wavelength)), 11.0),
            column(format!("{}, m", of(Text::Place)), 11.0),
            column(format!("{}, dB", of(Text::Loss)), 11.0),
            column(format!("{}, dB", of(Text::StdError)), 10.0),
            column(of(Text::Notes), 120.0),
        ];
        add(workbook, of(Text::Findings), &columns, &rows, 2, wording)?;
    }
    let rows: Vec<Vec<Cell>> = cable
        .skipped
        .iter()
        .map(|skipped| {
            vec![
                Cell::Text(skipped.file.clone()),
                Cell::Text(skipped.reason.clone()),
            ]
        })
        .collect();
    if !rows.is_empty() {
        let columns = [
            column(of(Text::File), 40.0),
            column(of(Text::Reason), 120.0),
        ];
        add(workbook, of(Text::Skipped), &columns, &rows, 1, wording)?;
    }
    Ok(())
}
