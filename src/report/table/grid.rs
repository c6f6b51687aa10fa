//! The look of our tables: columns set apart by space, one rule under the head.

use comfy_table::{CellAlignment, ContentArrangement, LineStyle, Table, TableStyle};

use super::paint::{Paint, marked};

const RULE_UNDER_HEAD: TableStyle = TableStyle::new().header_separator(LineStyle::none().fill('─'));

/// A column's heading (line breaks allowed) and its alignment.
pub(in crate::report) struct Heading(
    pub(in crate::report) &'static str,
    pub(in crate::report) Align,
);

/// Where a column's text stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(in crate::report) enum Align {
    /// Words.
    Left,
    /// Numbers.
    Right,
}

/// Sets rows under headings within `width` characters; lines carry no trailing space.
pub(in crate::report) fn grid(
    headings: &[Heading],
    rows: Vec<Vec<String>>,
    width: usize,
) -> String {
    let mut table = Table::new();
    table
        .load_style(RULE_UNDER_HEAD)
        .set_content_arrangement(ContentArrangement::Dynamic)
        .set_width(u16::try_from(width).unwrap_or(u16::MAX))
        .set_header(headings.iter().map(|heading| heading.0));
    for row in rows {
        table.add_row(row);
    }
    for (heading, column) in headings.iter().zip(table.column_iter_mut()) {
        column.set_padding((0, 2));
        column.set_cell_alignment(match heading.1 {
            Align::Left => CellAlignment::Left,
            Align::Right => CellAlignment::Right,
        });
    }
    let mut text = String::new();
    for line in table.lines() {
        text.push_str(line.trim_end());
        text.push('\n');
    }
    text
}

/// A heading above a table or a list.
pub(super) fn title(text: &str) -> String {
    format!("\n{}\n", marked(text, Paint::Strong))
}

/// Breaks a sentence at spaces to `width` characters, later lines indented by `indent`.
pub(in crate::report) fn wrapped(text: &str, width: usize, indent: usize) -> String {
    let mut result = String::new();
    let mut column = 0;
    for word in text.split_whitespace() {
        let length = word.chars().count();
        if column > indent && column + 1 + length > width {
            result.push('\n');
            result.push_str(&" ".repeat(indent));
            column = indent;
        } else if column > 0 {
            result.push(' ');
            column += 1;
        }
        result.push_str(word);
        column += length;
    }
    result.push('\n');
    result
}
