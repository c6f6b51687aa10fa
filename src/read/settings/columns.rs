//! Settings that stand in columns of their own.

use super::{Context, Entry, ParseError, Rows, Settings, Warning, excerpt, lines_from, split};

impl Settings {
    /// Takes the settings that stand in columns of their own, the same in every row.
    pub(in crate::read) fn take_columns(
        &mut self,
        rows: Rows<'_>,
        columns: &[(usize, String)],
        context: Context<'_>,
    ) -> Result<(), ParseError> {
        for (column, title) in columns {
            let mut cells = lines_from(rows.text, rows.start, rows.line)
                .take_while(|line| line.start < rows.end)
                .filter(|line| !line.text.trim().is_empty())
                .filter_map(|line| {
                    let cell = split(line.text, context.separator).nth(*column)?;
                    Some((line, cell.text.into_owned()))
                });
            let Some((line, value)) = cells.next() else {
                continue;
            };
            if let Some((other, found)) = cells.find(|(_, cell)| *cell != value) {
                self.warnings.push(Warning::new(
                    "setting changes",
                    format!(
                        "column {title:?} is {:?} on line {} and {:?} on line {}; it is not used as a setting",
                        excerpt(&value),
                        line.number,
                        excerpt(&found),
                        other.number
                    ),
                ));
                continue;
            }
            let entry = Entry {
                key: title.clone(),
                value_start: line.text.find(&value).unwrap_or(0),
                value,
                pieces: 1,
            };
            self.take_entry(line, &entry, context)?;
        }
        Ok(())
    }
}
