//! The summary: counts by wavelength, then every fibre at every joint as a picture.

use super::flow::Flow;
use super::heat;
use super::page::{ACCENT, Anchor};
use super::table::{Align, Cell, Column, Table};
use super::words::{self, FibrePage, MISSING};
use crate::both_ways::{EventKind, Verdict};
use crate::pack::Content;
use crate::pack::wording::Text;
use crate::report::number::signed;
use crate::units::{Loss, Wavelength};

/// Lays the chapter.
pub(super) fn lay(flow: &mut Flow, content: &Content<'_>, fibres: &[FibrePage]) {
    let wording = content.wording;
    flow.chapter_below(wording.of(Text::Summary));
    flow.anchor(Anchor::Chapter(1));
    overview(flow, content);
    if let Some(cable) = content.cable {
        heat::lay(flow, content, cable, fibres);
    } else {
        links(flow, content, fibres);
    }
}

fn overview(flow: &mut Flow, content: &Content<'_>) {
    let wording = content.wording;
    let verdicts = [
        Verdict::Pass,
        Verdict::Fail,
        Verdict::Undecided,
        Verdict::NotJudged,
    ];
    let mut columns = vec![
        Column::new(wording.of(Text::Wavelength), Align::Left),
        Column::new(wording.of(Text::Links), Align::Right),
    ];
    columns.extend(verdicts.map(|verdict| Column::new(wording.verdict(verdict), Align::Right)));
    let missing = content.missing();
    if !missing.is_empty() {
        columns.push(Column::new(wording.of(Text::NotMeasured), Align::Right));
    }
    columns.push(Column::new(
        format!("{}, dB", wording.of(Text::SplicesMean)),
        Align::Decimal,
    ));
    columns.push(Column::new(
        format!("{}, dB", wording.of(Text::SplicesMost)),
        Align::Decimal,
    ));
    columns.push(Column::new(
        format!("{},\ndB/km", wording.of(Text::Attenuation)),
        Align::Decimal,
    ));
    let whole = content.cable.filter(|_| content.limits.is_some());
    if whole.is_some() {
        columns.push(Column::new(wording.of(Text::WholeVerdict), Align::Left));
    }
    let lights = match content.cable {
        Some(cable) => {
            let taken = cable.wavelengths.iter().copied();
            taken.chain(cable.untaken.wavelengths()).collect()
        }
        None => words::wavelengths(content),
    };
    let rows = lights
        .into_iter()
        .map(|wavelength| {
            let mut cells = row(content, wavelength, verdicts);
            if !missing.is_empty() {
                let count = missing.iter().filter(|(_, light)| *light == wavelength);
                let count = Cell::new(count.count().to_string());
                cells.insert(verdicts.len() + 2, count);
            }
            cells.extend(whole.map(|cable| {
                let light = cable.wavelengths.iter().position(|&one| one == wavelength);
                verdict(
                    content,
                    light.map_or(Verdict::NotJudged, |l| cable.verdict_at(l)),
                )
            }));
            cells
        })
        .collect();
    let table = Table {
        columns,
        rows,
        size: 8.0,
    };
    table.lay(flow);
}

fn row(content: &Content<'_>, wavelength: Wavelength, verdicts: [Verdict; 4]) -> Vec<Cell> {
    let links: Vec<_> = content
        .links
        .iter()
        .map(|entry| &entry.link)
        .filter(|link| link.wavelength == wavelength)
        .collect();
    let splices: Vec<f64> = links
        .iter()
        .flat_map(|link| &link.events)
        .filter(|event| event.kind == EventKind::Splice)
        .filter_map(|event| event.loss.as_ref().ok())
        .map(|loss| loss.value.db())
        .filter(|loss| loss.is_finite())
        .collect();
    let attenuations: Vec<f64> = links
        .iter()
        .filter_map(|link| link.attenuation)
        .map(crate::units::Attenuation::db_per_km)
        .filter(|value| value.is_finite())
        .collect();
    let mean = |values: &[f64]| {
        if values.is_empty() {
            MISSING.to_owned()
        } else {
            signed(values.iter().sum::<f64>() / values.len() as f64, 3)
        }
    };
    let most = splices
        .iter()
        .copied()
        .reduce(f64::max)
        .map_or_else(|| MISSING.to_owned(), |most| signed(most, 3));
    let mut cells = vec![
        Cell::new(words::wavelength(wavelength)),
        Cell::new(links.len().to_string()),
    ];
    cells.extend(verdicts.map(|verdict| {
        let count = links.iter().filter(|link| link.verdict == verdict).count();
        let cell = Cell::new(count.to_string());
        if verdict == Verdict::Fail && count > 0 {
            cell.bold().inked(ACCENT)
        } else {
            cell
        }
    }));
    cells.extend([mean(&splices), most, mean(&attenuations)].map(Cell::new));
    cells
}

/// One row a link, where there is no cable with joints of its own.
fn links(flow: &mut Flow, content: &Content<'_>, fibres: &[FibrePage]) {
    let wording = content.wording;
    flow.section(wording.of(Text::Links), 40.0);
    let mut rows = Vec::new();
    for (place, fibre) in fibres.iter().enumerate() {
        for entry in fibre
            .links
            .iter()
            .filter_map(|&index| content.links.get(index))
        {
            let link = &entry.link;
            let length = link
                .length
                .as_ref()
                .map_or_else(|_| MISSING.to_owned(), |length| signed(length.value.m(), 1));
            let return_loss = |value: Option<crate::units::ReturnLoss>| {
                value.map_or_else(|| MISSING.to_owned(), |value| signed(value.db(), 1))
            };
            rows.push(vec![
                Cell::new(&*fibre.name).jumping(Some(Anchor::Fibre(place))),
                Cell::new(words::wavelength(link.wavelength)),
                Cell::new(length),
                Cell::new(words::loss(&link.loss)),
                Cell::new(link.attenuation.map_or_else(
                    || MISSING.to_owned(),
                    |attenuation| signed(attenuation.db_per_km(), 3),
                )),
                Cell::new(return_loss(link.orl_a)),
                Cell::new(return_loss(link.orl_b)),
                verdict(content, link.verdict),
            ]);
        }
    }
    let table = Table {
        columns: vec![
            Column::new(wording.of(Text::Fibre), Align::Left),
            Column::new(wording.of(Text::Wavelength), Align::Left),
            Column::new(format!("{}, m", wording.of(Text::Length)), Align::Decimal),
            Column::new(format!("{}, dB", wording.of(Text::Loss)), Align::Decimal),
            Column::new(
                format!("{},\ndB/km", wording.of(Text::Attenuation)),
                Align::Decimal,
            ),
            Column::new(
                format!("{}, dB", wording.of(Text::ReturnLossA)),
                Align::Decimal,
            ),
            Column::new(
                format!("{}, dB", wording.of(Text::ReturnLossB)),
                Align::Decimal,
            ),
            Column::new(wording.of(Text::Verdict), Align::Left),
        ],
        rows,
        size: 7.6,
    };
    table.lay(flow);
}

/// The word for a verdict; what is no pass stands out without colour too.
pub(super) fn verdict(content: &Content<'_>, verdict: Verdict) -> Cell {
    let word = content.wording.verdict(verdict);
    match verdict {
        Verdict::Pass => Cell::new(word),
        Verdict::Fail => Cell::new(word).bold().inked(ACCENT),
        Verdict::Undecided => Cell::new(word).bold(),
        Verdict::NotJudged => Cell::soft(word),
    }
}

/// The fill, frame and ink of a cell in which a loss was judged.
pub(super) fn marked(cell: Cell, verdict: Verdict, loss: Option<Loss>) -> Cell {
    use super::page::{PAPER, SOFT};
    match (verdict, loss) {
        (_, None) => cell.inked(SOFT),
        (Verdict::Fail, _) => cell.bold().inked(PAPER).filled(Some(ACCENT)),
        (Verdict::Undecided, _) => cell.framed(Some(ACCENT)),
        (Verdict::Pass | Verdict::NotJudged, _) => cell,
    }
}
