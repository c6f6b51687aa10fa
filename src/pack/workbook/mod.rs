//! The workbook: matrix, links, events, sections, findings, limits, settings as real
//! numbers.
//!
//! Every text is written as text, so nothing that a file says is run as a formula. What
//! was not measured is an empty cell, with the reason in the notes of its row.

mod grid;
mod measured;
mod settings;
mod sheet;

use rust_xlsxwriter::{DocProperties, ExcelDateTime, Workbook, XlsxError};

use super::PackError;
use super::content::Content;
use super::wording::Text;

/// Date of a workbook whose report has no time: the same bytes need the same date.
const NO_DATE: (u16, u8, u8) = (2000, 1, 1);

/// Writes the workbook of a pack.
///
/// # Errors
/// [`PackError::Form`] if the library refuses.
pub fn workbook(content: &Content<'_>) -> Result<Vec<u8>, PackError> {
    written(content).map_err(|error| PackError::form("the workbook", error))
}

fn written(content: &Content<'_>) -> Result<Vec<u8>, XlsxError> {
    let wording = content.wording;
    let mut workbook = Workbook::new();
    let (year, month, day) = date(content.report_time).unwrap_or(NO_DATE);
    let title = content
        .project
        .title
        .as_deref()
        .unwrap_or_else(|| wording.of(Text::PackTitle));
    workbook.set_properties(
        &DocProperties::new()
            .set_title(sheet::safe(title))
            .set_author(sheet::safe(
                content
                    .project
                    .contractor
                    .name
                    .as_deref()
                    .unwrap_or_default(),
            ))
            .set_comment(sheet::safe(content.program))
            .set_creation_datetime(&ExcelDateTime::from_ymd(year, month, day)?),
    );
    grid::matrix(&mut workbook, content)?;
    measured::links(&mut workbook, content)?;
    measured::events(&mut workbook, content)?;
    measured::sections(&mut workbook, content)?;
    grid::findings(&mut workbook, content)?;
    grid::redo(&mut workbook, content)?;
    measured::power(&mut workbook, content)?;
    settings::limits(&mut workbook, content)?;
    settings::judgements(&mut workbook, content)?;
    settings::settings(&mut workbook, content)?;
    settings::doubts(&mut workbook, content)?;
    workbook.save_to_buffer()
}

/// The date that a time begins with, as `2026-03-14…`.
fn date(time: Option<&str>) -> Option<(u16, u8, u8)> {
    let mut parts = time?.trim().get(..10)?.split('-');
    let date = (
        parts.next()?.parse().ok()?,
        parts.next()?.parse().ok()?,
        parts.next()?.parse().ok()?,
    );
    ExcelDateTime::from_ymd(date.0, date.1, date.2)
        .ok()
        .filter(|_| date.0 >= 1900)
        .map(|_| date)
}

#[cfg(test)]
mod tests {
    use super::date;

    #[test]
    fn a_report_time_that_begins_with_a_date_dates_the_workbook() {
        assert_eq!(date(Some("2026-03-14T10:22:00+01:00")), Some((2026, 3, 14)));
        assert_eq!(date(Some("14 March 2026")), None);
        assert_eq!(date(Some("2026-99-14")), None);
        assert_eq!(date(None), None);
    }
}
