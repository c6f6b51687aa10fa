//! Every fibre at every joint in numbers.

use super::flow::{Flow, NOTE};
use super::page::Anchor;
use super::summary::marked;
use super::table::{Align, Cell, Column, Table};
use super::words::{self, FibrePage};
use crate::cable::CableResult;
use crate::pack::Content;
use crate::pack::wording::Text;
use crate::report::number::signed;
use crate::report::plain_text;
use crate::units::Loss;

/// Joints side by side: what an A4 page holds at this size of print.
const JOINTS: usize = 13;

/// Lays the chapter; none without a cable.
pub(super) fn lay(flow: &mut Flow, content: &Content<'_>, fibres: &[FibrePage]) {
    let Some(cable) = content.cable.filter(|cable| !cable.joints.is_empty()) else {
        return;
    };
    let wording = content.wording;
    flow.chapter(wording.of(Text::Matrix));
    flow.anchor(Anchor::Chapter(4));
    for (index, &wavelength) in cable.wavelengths.iter().enumerate() {
        let wavelength = words::wavelength(wavelength);
        flow.gap(16.0);
        flow.need(60.0);
        flow.bookmark(1, &wavelength);
        let mut note = wording.filled(Text::MatrixUnit, &[("wavelength", &wavelength)]);
        if content.limits.is_some() {
            note = format!("{note} {}", wording.of(Text::MatrixMarks));
        }
        flow.text(&note, NOTE);
        flow.advance(5.0);
        let all: Vec<usize> = (0..cable.joints.len()).collect();
        // Parts of about the same number of joints.
        let parts = all.len().div_ceil(JOINTS);
        for some in all.chunks(all.len().div_ceil(parts.max(1)).max(1)) {
            part(flow, content, cable, fibres, index, some);
            flow.gap(12.0);
        }
    }
}

fn part(
    flow: &mut Flow,
    content: &Content<'_>,
    cable: &CableResult,
    fibres: &[FibrePage],
    wavelength: usize,
    joints: &[usize],
) {
    let mut columns = vec![Column {
        least: 34.0,
        ..Column::new(content.wording.of(Text::Fibre), Align::Left)
    }];
    columns.extend(joints.iter().filter_map(|&joint| {
        let joint = cable.joints.get(joint)?;
        Some(Column::new(plain_text(&joint.name), Align::Decimal))
    }));
    let rows = cable
        .fibres
        .iter()
        .enumerate()
        .map(|(fibre, named)| {
            let page = fibres.iter().position(|page| page.of_cable == Some(fibre));
            let mut row = vec![Cell::new(plain_text(&named.name)).jumping(page.map(Anchor::Fibre))];
            row.extend(joints.iter().map(|&joint| {
                let cell = cable.matrix.cell(fibre, joint, wavelength);
                let loss = cell
                    .and_then(|cell| cell.loss.as_ref().ok())
                    .map(|loss| loss.value)
                    .filter(|loss| loss.db().is_finite());
                let text = loss.map_or_else(
                    || words::MISSING.to_owned(),
                    |loss| signed(Loss::db(loss), 3),
                );
                let text = Cell::new(text);
                match cell {
                    Some(cell) => marked(text, cell.verdict, loss),
                    None => text,
                }
            }));
            row
        })
        .collect();
    let table = Table {
        columns,
        rows,
        size: 6.8,
    };
    table.lay(flow);
}
