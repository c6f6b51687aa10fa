//! One sheet: heads that stay in view, filters, and cells by kind.

use rust_xlsxwriter::{
    Color, ConditionalFormatCell, ConditionalFormatCellRule, Format, FormatAlign, FormatBorder,
    Workbook, Worksheet, XlsxError,
};

use crate::both_ways::Verdict;
use crate::pack::wording::Wording;
use crate::report::plain_text;

/// Most characters that a cell holds (the form's own bound is 32,767).
const MOST_CHARACTERS: usize = 32_000;

/// Most columns of a sheet.
const MOST_COLUMNS: usize = 16_000;

/// Fill and ink of a verdict, told apart in lightness too.
const PASS: (u32, u32) = (0x00E3_F4E8, 0x0006_5A30);
const FAIL: (u32, u32) = (0x00F8_C9CE, 0x0080_0014);
const UNDECIDED: (u32, u32) = (0x00FF_EFC2, 0x006B_4600);

/// A cell.
#[derive(Debug, Clone, PartialEq)]
pub(super) enum Cell {
    /// Text, never a formula.
    Text(String),
    /// A number with so many decimals shown; the cell holds all of them.
    Number(f64, usize),
    /// Whole number.
    Count(usize),
    /// A verdict.
    Verdict(Verdict),
    /// A number with its verdict as colour.
    Judged(f64, Verdict),
    /// Nothing: not measured, or not said.
    Empty,
}

impl Cell {
    /// Text, or an empty cell.
    pub(super) fn text(text: Option<&str>) -> Self {
        text.map_or(Self::Empty, |text| Self::Text(text.to_owned()))
    }

    /// A finite number, or an empty cell.
    pub(super) fn number(value: Option<f64>, decimals: usize) -> Self {
        value
            .filter(|value| value.is_finite())
            .map_or(Self::Empty, |value| Self::Number(value, decimals))
    }
}

/// A column: its head, with the unit, and its width in characters.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Column {
    head: String,
    width: f64,
}

/// A column.
pub(super) fn column(head: impl Into<String>, width: f64) -> Column {
    Column {
        head: head.into(),
        width,
    }
}

/// Text as a cell may hold it.
pub(super) fn safe(text: &str) -> String {
    plain_text(text).chars().take(MOST_CHARACTERS).collect()
}

/// Adds a sheet with heads and rows; gives it for more.
pub(super) fn add<'w>(
    workbook: &'w mut Workbook,
    name: &str,
    columns: &[Column],
    rows: &[Vec<Cell>],
    frozen_columns: u16,
    wording: &Wording,
) -> Result<&'w mut Worksheet, XlsxError> {
    let head = Format::new()
        .set_bold()
        .set_text_wrap()
        .set_align(FormatAlign::Top)
        .set_border_bottom(FormatBorder::Medium)
        .set_background_color(Color::RGB(0x00E9_EDF0));
    let wrapped = Format::new().set_align(FormatAlign::Top);
    let sheet = workbook.add_worksheet();
    sheet.set_name(sheet_name(name))?;
    sheet.set_freeze_panes(1, frozen_columns)?;
    sheet.set_landscape();
    sheet.set_print_fit_to_pages(1, 0);
    sheet.set_repeat_rows(0, 0)?;
    for (at, column) in columns.iter().take(MOST_COLUMNS).enumerate() {
        let at = index(at);
        sheet.write_string_with_format(0, at, safe(&column.head), &head)?;
        sheet.set_column_width(at, column.width)?;
    }
    for (row, cells) in rows.iter().enumerate() {
        let row = u32::try_from(row + 1).unwrap_or(u32::MAX);
        for (at, cell) in cells.iter().take(MOST_COLUMNS).enumerate() {
            let at = index(at);
            match cell {
                Cell::Empty => {}
                Cell::Text(text) => {
                    sheet.write_string_with_format(row, at, safe(text), &wrapped)?;
                }
                Cell::Number(value, decimals) => {
                    sheet.write_number_with_format(row, at, *value, &decimal(*decimals))?;
                }
                Cell::Count(count) => {
                    sheet.write_number(row, at, *count as f64)?;
                }
                Cell::Verdict(verdict) => {
                    sheet.write_string_with_format(
                        row,
                        at,
                        safe(wording.verdict(*verdict)),
                        &coloured(*verdict, Format::new()),
                    )?;
                }
                Cell::Judged(value, verdict) => {
                    sheet.write_number_with_format(
                        row,
                        at,
                        *value,
                        &coloured(*verdict, decimal(3)),
                    )?;
                }
            }
        }
    }
    if let (Some(last_row), Some(last)) = (
        u32::try_from(rows.len()).ok().filter(|&rows| rows > 0),
        columns.len().min(MOST_COLUMNS).checked_sub(1),
    ) {
        sheet.autofilter(0, 0, last_row, index(last))?;
    }
    Ok(sheet)
}

/// Colours the numbers of a column that are above a limit.
pub(super) fn above(
    sheet: &mut Worksheet,
    column: usize,
    rows: usize,
    limit: f64,
) -> Result<(), XlsxError> {
    let rule = ConditionalFormatCell::new()
        .set_rule(ConditionalFormatCellRule::GreaterThan(limit))
        .set_format(coloured(Verdict::Fail, Format::new()));
    let at = index(column);
    let last = u32::try_from(rows).unwrap_or(u32::MAX).max(1);
    sheet.add_conditional_format(1, at, last, at, &rule)?;
    Ok(())
}

/// A format with so many decimals.
fn decimal(decimals: usize) -> Format {
    let pattern = match decimals {
        0 => "0".to_owned(),
        n => format!("0.{}", "0".repeat(n)),
    };
    Format::new()
        .set_num_format(pattern)
        .set_align(FormatAlign::Top)
}

/// The colours of a verdict on a format.
fn coloured(verdict: Verdict, format: Format) -> Format {
    let (fill, ink) = match verdict {
        Verdict::Pass => PASS,
        Verdict::Fail => FAIL,
        Verdict::Undecided => UNDECIDED,
        Verdict::NotJudged => return format,
    };
    format
        .set_background_color(Color::RGB(fill))
        .set_font_color(Color::RGB(ink))
}

/// The name of a sheet: at most 31 characters, without those that the form forbids.
fn sheet_name(name: &str) -> String {
    let name: String = plain_text(name)
        .chars()
        .map(|c| match c {
            '[' | ']' | ':' | '*' | '?' | '/' | '\\' => '-',
            c => c,
        })
        .take(31)
        .collect();
    let name = name.trim_matches('\'').trim();
    if name.is_empty() {
        "-".to_owned()
    } else {
        name.to_owned()
    }
}

fn index(at: usize) -> u16 {
    u16::try_from(at).unwrap_or(u16::MAX)
}
