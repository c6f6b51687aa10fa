//! The drawing library's SVG, written shorter and drawn the same.
//!
//! It writes every dash of a dashed line as an element of its own, every corner as two
//! absolute numbers, and the font of every text. Half of a plot is that, and a cable has
//! thousands of plots.

use std::fmt::Write;

use super::text::FAMILY;

/// What a line begins with, as the drawing library writes it.
const LINE: &str = "<polyline fill=\"none\" opacity=\"1\" ";

/// Joins neighbouring lines of one colour and width into one path of relative steps, and
/// takes out of every element what the root element or the default says.
pub(super) fn compact(svg: &str) -> String {
    let font = format!(" font-family=\"{FAMILY}\"");
    let mut short = String::with_capacity(svg.len());
    let mut open: Option<&str> = None;
    for line in svg.split_inclusive('\n') {
        let found = polyline(line);
        if let (Some(style), Some((next, corners))) = (open, &found)
            && style == *next
        {
            steps(&mut short, corners);
            continue;
        }
        if open.take().is_some() {
            short.push_str("\"/>\n");
        }
        match found {
            Some((style, corners)) => {
                let _ = write!(short, "<path fill=\"none\" {style}d=\"");
                steps(&mut short, &corners);
                open = Some(style);
            }
            // What begins with no bracket is text, which stays as it is.
            None if line.starts_with("<svg") => {
                let (before, after) = line.split_once('>').unwrap_or((line, ""));
                let _ = write!(short, "{before}{font}>{after}");
            }
            None if line.starts_with('<') => {
                short.push_str(&line.replace(&font, "").replace(" opacity=\"1\"", ""));
            }
            None => short.push_str(line),
        }
    }
    short
}

/// Style and corners of a line; none of anything else.
fn polyline(line: &str) -> Option<(&str, Vec<(i64, i64)>)> {
    let (style, rest) = line.strip_prefix(LINE)?.split_once("points=\"")?;
    let corners = rest.trim_end().strip_suffix("\"/>")?;
    let corner = |text: &str| {
        let (x, y) = text.split_once(',')?;
        Some((x.parse().ok()?, y.parse().ok()?))
    };
    let corners: Option<Vec<(i64, i64)>> = corners.split_whitespace().map(corner).collect();
    Some((style, corners.filter(|corners| !corners.is_empty())?))
}

/// Writes corners as a move and steps.
fn steps(path: &mut String, corners: &[(i64, i64)]) {
    let mut last = None;
    let mut command = ' ';
    for &(x, y) in corners {
        let (next, step) = match last {
            None => ('M', format!("{x} {y}")),
            Some((from_x, from_y)) => match (x - from_x, y - from_y) {
                (right, 0) => ('h', right.to_string()),
                (0, down) => ('v', down.to_string()),
                (right, down) if down < 0 => ('l', format!("{right}{down}")),
                (right, down) => ('l', format!("{right} {down}")),
            },
        };
        if next != command {
            path.push(next);
        } else if !step.starts_with('-') {
            path.push(' ');
        }
        path.push_str(&step);
        command = next;
        last = Some((x, y));
    }
}

#[cfg(test)]
mod tests {
    use super::compact;

    /// Neighbours of one style are one path, others stay apart and in their order; a text
    /// that looks like an attribute is left alone. Steps by hand from the corners.
    #[test]
    fn lines_become_paths_and_texts_keep_what_they_say() {
        let svg = "<svg width=\"10\" height=\"10\" viewBox=\"0 0 40 40\">\n\
            <polyline fill=\"none\" opacity=\"1\" stroke=\"#000000\" stroke-width=\"8\" points=\"5,5 9,5 9,2 7,1 8,3 \"/>\n\
            <polyline fill=\"none\" opacity=\"1\" stroke=\"#000000\" stroke-width=\"8\" points=\"1,1 2,2 3,2 4,2 \"/>\n\
            <polyline fill=\"none\" opacity=\"1\" stroke=\"#0000FF\" stroke-width=\"8\" points=\"1,1 2,2 \"/>\n\
            <text x=\"1\" y=\"1\" font-family=\"DejaVu Sans, sans-serif\" font-size=\"8\" opacity=\"1\" fill=\"#000000\">\n\
            fibre opacity=\"1\"\n</text>\n</svg>\n";
        insta::assert_snapshot!(compact(svg), @r##"
        <svg width="10" height="10" viewBox="0 0 40 40" font-family="DejaVu Sans, sans-serif">
        <path fill="none" stroke="#000000" stroke-width="8" d="M5 5h4v-3l-2-1 1 2M1 1l1 1h1 1"/>
        <path fill="none" stroke="#0000FF" stroke-width="8" d="M1 1l1 1"/>
        <text x="1" y="1" font-size="8" fill="#000000">
        fibre opacity="1"
        </text>
        </svg>
        "##);
    }
}
