//! Text and data put into HTML so that they stay text and data.

use serde::Serialize;

use crate::report::plain_text;

/// Text for an element or a quoted attribute: control characters and marks that turn
/// the direction of writing are made visible, and what HTML would obey is written out.
pub(super) fn html(text: &str) -> String {
    let mut safe = String::with_capacity(text.len());
    for char in plain_text(text).chars() {
        match char {
            '&' => safe.push_str("&amp;"),
            '<' => safe.push_str("&lt;"),
            '>' => safe.push_str("&gt;"),
            '"' => safe.push_str("&quot;"),
            '\'' => safe.push_str("&#39;"),
            '`' => safe.push_str("&#96;"),
            char => safe.push(char),
        }
    }
    safe
}

/// Data for a script element that no script runs: JSON without any character that
/// could end the element or begin a comment.
///
/// # Errors
/// What the JSON library says.
pub(super) fn json(value: &impl Serialize) -> Result<String, serde_json::Error> {
    Ok(serde_json::to_string(value)?
        .replace('<', "\\u003c")
        .replace('>', "\\u003e")
        .replace('&', "\\u0026")
        .replace('\u{2028}', "\\u2028")
        .replace('\u{2029}', "\\u2029"))
}

/// A name of a file of the pack as a relative link.
pub(super) fn url(path: &str) -> String {
    let mut safe = String::with_capacity(path.len());
    for byte in path.bytes() {
        match byte {
            b'a'..=b'z' | b'A'..=b'Z' | b'0'..=b'9' | b'-' | b'_' | b'.' | b'/' => {
                safe.push(char::from(byte));
            }
            byte => {
                safe.push('%');
                safe.push(char::from_digit(u32::from(byte >> 4), 16).unwrap_or('0'));
                safe.push(char::from_digit(u32::from(byte & 15), 16).unwrap_or('0'));
            }
        }
    }
    safe
}

#[cfg(test)]
mod tests {
    use super::{html, json, url};

    #[test]
    fn nothing_of_a_name_is_obeyed() {
        assert_eq!(
            html("<script>alert('1')</script>\u{202e}\u{0}\"&`"),
            "&lt;script&gt;alert(&#39;1&#39;)&lt;/script&gt;··&quot;&amp;&#96;"
        );
        let text = json(&"</script><!--\u{2028}&").unwrap();
        assert!(!text.contains(['<', '>', '&', '\u{2028}']), "{text}");
        // It reads back to the same.
        let back: String = serde_json::from_str(&text).unwrap();
        assert_eq!(back, "</script><!--\u{2028}&");
        assert_eq!(url("fibres/Ö 7\".html"), "fibres/%c3%96%207%22.html");
        assert_eq!(url("javascript:x"), "javascript%3ax");
    }
}
