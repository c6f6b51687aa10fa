//! Settings before the samples.

use std::borrow::Cow;

use super::decimal::{SHOWING, decimal_shown};
use super::{Context, Entry, Line, ParseError, Settings, entries};
use crate::read::paired::paired;

impl Settings {
    /// Takes the lines before the samples.
    pub(in crate::read) fn take_all(
        &mut self,
        before: &[Line<'_>],
        context: Context<'_>,
    ) -> Result<(), ParseError> {
        // The entries of these lines are asked for twice.
        let mut known: Vec<Vec<Entry>> = before
            .iter()
            .take(SHOWING)
            .map(|line| entries(line.text, context.separator, context.vocabulary))
            .collect();
        let shown = decimal_shown(known.iter().flatten().map(Cow::Borrowed), context);
        let context = Context {
            decimal: shown.or(context.decimal),
            ..context
        };
        let mut lines = before
            .iter()
            .enumerate()
            .filter(|(_, line)| !line.text.trim().is_empty())
            .peekable();
        while let Some((nth, &line)) = lines.next() {
            let table = lines
                .peek()
                .and_then(|&(_, &next)| paired(line, next, context.separator, context.vocabulary));
            if let (Some(entries), Some((_, &values))) = (table, lines.peek().copied()) {
                for entry in &entries {
                    self.take_entry(values, entry, context)?;
                }
                lines.next();
            } else {
                let entries = known.get_mut(nth).map(std::mem::take);
                self.take_entries(line, entries, context)?;
            }
        }
        Ok(())
    }
}
