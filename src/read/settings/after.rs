//! Settings behind the samples.

use super::{
    Context, Entry, Key, Line, ParseError, Settings, entries, is_text, numbered, plain_key,
};
use crate::read::entry::comment_mark;

impl Settings {
    /// Takes a line after the samples: a setting only when marked as a comment, as
    /// settings before the samples are by `mark`, or when its keys are known and
    /// their values fit.
    pub(in crate::read) fn take_after(
        &mut self,
        line: Line<'_>,
        context: Context<'_>,
        (given, mark): (&[&str], &str),
    ) -> Result<(), ParseError> {
        let marked = !mark.is_empty() && comment_mark(line.text) == mark;
        if marked || line.text.trim_start().starts_with('#') {
            return self.take(line, context);
        }
        if line.text.trim().is_empty() {
            return Ok(());
        }
        // `Serial no.;123`; a comma before a space is one of a sentence.
        let text = line.text;
        let comma = text.contains(',') && !text.contains(", ");
        let parted = text.contains([';', '\t', '|', ':', '=']) || text.contains(" ...") || comma;
        let found = entries(text, context.separator, context.vocabulary);
        let known = |entry: &Entry| {
            let words = plain_key(&entry.key).0;
            let in_list = || {
                let (known, _) = numbered(&words, context.vocabulary)?;
                Some(Key { known, sure: true })
            };
            // More columns are an event's, but for a number beside its unit.
            let key = context.vocabulary.key(&words).or_else(in_list);
            key.is_some_and(|key| {
                let alone = entry.pieces == 1 || entry.pieces == 2 && !is_text(key.known);
                key.sure && alone && !given.contains(&key.known.name())
            })
        };
        if parted && !found.is_empty() && found.iter().all(known) {
            // Nothing is taken of a line whose first value does not fit.
            let mut taken = 0;
            for entry in &found {
                match self.take_entry(line, entry, context) {
                    Ok(()) => taken += 1,
                    Err(_) if taken == 0 => break,
                    Err(error) => return Err(error),
                }
            }
            if taken > 0 {
                return Ok(());
            }
        }
        self.take_note(line);
        Ok(())
    }
}
