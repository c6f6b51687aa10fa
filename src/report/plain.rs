//! Text from files made harmless for a terminal, a table and a plot.

/// Replaces what a terminal would obey instead of showing.
///
/// Control characters, marks that turn the direction of writing, characters
/// without width and private-use characters each become `·`; a tab or a line
/// break becomes a space.
///
/// ```
/// use bothends::report::plain_text;
/// assert_eq!(plain_text("closure\u{1b}[31m 7"), "closure·[31m 7");
/// ```
pub fn plain_text(text: &str) -> String {
    text.chars()
        .map(|c| match c {
            '\t' | '\n' | '\r' => ' ',
            c if c.is_control() => '·',
            '\u{00ad}'
            | '\u{061c}'
            | '\u{200b}'..='\u{200f}'
            | '\u{2028}'..='\u{202e}'
            | '\u{2060}'..='\u{206f}'
            | '\u{e000}'..='\u{f8ff}'
            | '\u{feff}'
            | '\u{fff9}'..='\u{fffb}'
            | '\u{e0000}'..='\u{10ffff}' => '·',
            c => c,
        })
        .collect()
}

/// The first `most` characters, the last of them `…` where something is cut off.
pub(crate) fn shortened(text: &str, most: usize) -> String {
    if text.chars().count() <= most {
        return text.to_owned();
    }
    let mut short: String = text.chars().take(most.saturating_sub(1)).collect();
    short.push('…');
    short
}

#[cfg(test)]
mod tests {
    use super::{plain_text, shortened};

    #[test]
    fn escape_sequences_and_direction_marks_lose_their_power() {
        assert_eq!(plain_text("a\u{9b}2Jb\u{202e}c\u{0}"), "a·2Jb·c·");
        assert_eq!(plain_text("two\r\nlines"), "two  lines");
        assert_eq!(plain_text("Brüder Straße №7"), "Brüder Straße №7");
    }

    #[test]
    fn a_long_name_is_cut_with_an_ellipsis() {
        assert_eq!(shortened("closure", 7), "closure");
        assert_eq!(shortened("closures", 7), "closur…");
        assert_eq!(shortened("é", 0), "…");
    }
}
