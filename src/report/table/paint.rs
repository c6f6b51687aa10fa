//! Colour that does not disturb the layout.
//!
//! A word to be coloured is written in private-use characters, one for each
//! letter, so the table counts its width right; afterwards the runs are turned
//! back into letters, with or without the colour. Names from files cannot hold
//! such characters: [`plain_text`](crate::report::plain_text) has removed them.

use owo_colors::{OwoColorize, Style};

/// What a word is painted as.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Paint {
    /// Headings and the word that carries the message.
    Strong,
    /// Within the limit.
    Good,
    /// Out of the limit.
    Bad,
    /// Neither.
    Doubtful,
}

const PAINTS: [Paint; 4] = [Paint::Strong, Paint::Good, Paint::Bad, Paint::Doubtful];

/// First private-use character; each paint has 256 of them.
const BASE: u32 = 0xe000;

impl Paint {
    const fn base(self) -> u32 {
        match self {
            Self::Strong => BASE,
            Self::Good => BASE + 0x100,
            Self::Bad => BASE + 0x200,
            Self::Doubtful => BASE + 0x300,
        }
    }

    fn style(self) -> Style {
        match self {
            Self::Strong => Style::new().bold(),
            Self::Good => Style::new().green(),
            Self::Bad => Style::new().red().bold(),
            Self::Doubtful => Style::new().yellow(),
        }
    }
}

/// Marks an ASCII word; other characters in it stay as they are.
pub(super) fn marked(word: &str, paint: Paint) -> String {
    word.chars()
        .map(|c| {
            if c.is_ascii_graphic() {
                char::from_u32(paint.base() + u32::from(c)).unwrap_or(c)
            } else {
                c
            }
        })
        .collect()
}

/// Turns marks back into letters, coloured if asked.
pub(super) fn painted(text: &str, colour: bool) -> String {
    let mut result = String::with_capacity(text.len());
    let mut run = String::new();
    let mut run_paint = None;
    for c in text.chars().chain(std::iter::once('\n')) {
        let (paint, letter) = unmarked(c);
        if paint != run_paint || paint.is_none() {
            if let Some(paint) = run_paint.filter(|_| !run.is_empty()) {
                if colour {
                    result.push_str(&run.style(paint.style()).to_string());
                } else {
                    result.push_str(&run);
                }
            }
            run.clear();
        }
        run_paint = paint;
        if paint.is_some() {
            run.push(letter);
        } else {
            result.push(letter);
        }
    }
    result.pop();
    result
}

fn unmarked(c: char) -> (Option<Paint>, char) {
    let code = u32::from(c);
    PAINTS
        .into_iter()
        .find(|paint| (paint.base()..paint.base() + 0x100).contains(&code))
        .and_then(|paint| Some((Some(paint), char::from_u32(code - paint.base())?)))
        .unwrap_or((None, c))
}

#[cfg(test)]
mod tests {
    use super::{Paint, marked, painted};

    #[test]
    fn colour_is_added_after_layout_or_not_at_all() {
        let text = format!(
            "a {} b {}",
            marked("FAIL", Paint::Bad),
            marked("pass", Paint::Good)
        );
        assert_eq!(painted(&text, false), "a FAIL b pass");
        assert_eq!(
            painted(&text, true),
            "a \u{1b}[31;1mFAIL\u{1b}[0m b \u{1b}[32mpass\u{1b}[0m"
        );
        assert_eq!(text.chars().count(), "a FAIL b pass".chars().count());
    }
}
