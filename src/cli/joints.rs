//! Known joints from lines of `name,position_m`.

use crate::both_ways::KnownJoint;
use crate::units::Position;

/// Farthest place of a joint, metres: ten times what an OTDR sees.
const FARTHEST_M: f64 = 3_000_000.0;

/// What is wrong with a list of joints, and where; both counts start at 1.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[error("line {line}, column {column}: {kind}")]
pub(super) struct JointsError {
    line: usize,
    column: usize,
    kind: JointsErrorKind,
}

/// Kinds of fault in a list of joints.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
enum JointsErrorKind {
    #[error(
        "wanted two columns, a name and a place in metres, such as `closure 7,12093.5`, and found \
         {found} (a name that holds a comma stands in double quotes)"
    )]
    Columns { found: usize },
    #[error(
        "{found:?} found; wanted a comma between name and place and a point for decimals, such as \
         `closure 7,12093.5` (a name that holds {found:?} stands in double quotes)"
    )]
    Separator { found: char },
    #[error("a quote is opened and not closed")]
    OpenQuote,
    #[error("the joint has no name")]
    NoName,
    #[error("{found:?} is not a number; wanted a place in metres, such as 12093.5")]
    NotANumber { found: String },
    #[error("{found} m; wanted a place from 0 to {FARTHEST_M} m, counted from A's first connector")]
    OutOfRange { found: f64 },
    #[error("{name:?} is named on line {before} too")]
    NameTwice { name: String, before: usize },
    #[error("this is the place of {name:?} on line {before} too")]
    PlaceTwice { name: String, before: usize },
    #[error("no joint in the file")]
    Empty,
}

/// A field and the column it begins at, counted from 1.
struct Field {
    text: String,
    column: usize,
}

/// Reads the joints of a text. Empty lines and lines that begin with `#` are passed
/// over, as is a first line `name,position_m`.
///
/// # Errors
/// [`JointsError`] with line, column and what was found.
pub(super) fn parse(text: &str) -> Result<Vec<KnownJoint>, JointsError> {
    let mut joints: Vec<(usize, KnownJoint)> = Vec::new();
    let mut is_first = true;
    for (index, line_text) in text.lines().enumerate() {
        let line = index + 1;
        let at = |column, kind| JointsError { line, column, kind };
        if line_text.trim().is_empty() || line_text.trim_start().starts_with('#') {
            continue;
        }
        let fields = fields(line_text).map_err(|(column, kind)| at(column, kind))?;
        let [name, place] = fields.as_slice() else {
            let found = fields.len();
            let column = fields.get(2).map_or(1, |extra| extra.column);
            return Err(at(column, JointsErrorKind::Columns { found }));
        };
        if std::mem::take(&mut is_first) && place.text == "position_m" {
            continue;
        }
        if name.text.is_empty() {
            return Err(at(name.column, JointsErrorKind::NoName));
        }
        let position_m: f64 = place.text.parse().map_err(|_number| {
            let found = place.text.clone();
            at(place.column, JointsErrorKind::NotANumber { found })
        })?;
        if !(0.0..=FARTHEST_M).contains(&position_m) {
            let found = position_m;
            return Err(at(place.column, JointsErrorKind::OutOfRange { found }));
        }
        for (before, joint) in &joints {
            let (before, known) = (*before, joint.name.clone());
            if known == name.text {
                let kind = JointsErrorKind::NameTwice {
                    name: known,
                    before,
                };
                return Err(at(name.column, kind));
            }
            if joint.position.m().to_bits() == position_m.to_bits() {
                let kind = JointsErrorKind::PlaceTwice {
                    name: known,
                    before,
                };
                return Err(at(place.column, kind));
            }
        }
        joints.push((
            line,
            KnownJoint {
                name: name.text.clone(),
                position: Position::from_m(position_m),
                may_be_off: None,
            },
        ));
    }
    if joints.is_empty() {
        return Err(JointsError {
            line: 1,
            column: 1,
            kind: JointsErrorKind::Empty,
        });
    }
    Ok(joints.into_iter().map(|(_, joint)| joint).collect())
}

/// Splits a line at its commas; double quotes hold commas together, and a doubled
/// one stands for itself.
///
/// A semicolon or tab outside quotes is refused with its column: `closure 7;12093,5`
/// would else be a place of 5 m.
fn fields(line: &str) -> Result<Vec<Field>, (usize, JointsErrorKind)> {
    let mut fields = Vec::new();
    let mut text = String::new();
    let mut start = None;
    let mut open: Option<usize> = None;
    let mut chars = line.chars().enumerate().peekable();
    let mut end = 0;
    while let Some((index, char)) = chars.next() {
        end = index + 1;
        match char {
            '"' if open.is_some() && chars.peek().is_some_and(|(_, next)| *next == '"') => {
                chars.next();
                text.push('"');
            }
            '"' if open.is_some() => open = None,
            '"' if text.trim().is_empty() => {
                open = Some(index + 1);
                start.get_or_insert(index + 1);
            }
            ',' if open.is_none() => {
                fields.push(Field {
                    text: std::mem::take(&mut text).trim().to_owned(),
                    column: start.take().unwrap_or(index + 1),
                });
            }
            found @ (';' | '\t') if open.is_none() => {
                return Err((index + 1, JointsErrorKind::Separator { found }));
            }
            char => {
                if !char.is_whitespace() {
                    start.get_or_insert(index + 1);
                }
                text.push(char);
            }
        }
    }
    if let Some(column) = open {
        return Err((column, JointsErrorKind::OpenQuote));
    }
    fields.push(Field {
        text: text.trim().to_owned(),
        column: start.unwrap_or(end + 1),
    });
    Ok(fields)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn fault(text: &str) -> String {
        parse(text).unwrap_err().to_string()
    }

    #[test]
    fn names_may_hold_commas_in_quotes_and_a_heading_is_passed_over() {
        let text =
            "name,position_m\n# from the plan\n\n\"closure 7, \"\"east\"\"\" , 12093.5\r\nÖ,0\n";
        let joints = parse(text).unwrap();
        let found: Vec<(&str, f64)> = joints
            .iter()
            .map(|joint| (joint.name.as_str(), joint.position.m()))
            .collect();
        assert_eq!(found, [("closure 7, \"east\"", 12093.5), ("Ö", 0.0)]);
    }

    #[test]
    fn every_fault_has_its_line_and_column() {
        insta::assert_snapshot!(
            [
                fault(""),
                fault("closure 7;12093,5\n"),
                fault("a,1\nclosure 7,12093,5\n"),
                fault("a,1\nb\n"),
                fault("a,1\nÖst, far\n"),
                fault("a,-1\n"),
                fault("a,inf\n"),
                fault("a,NaN\n"),
                fault("a,1\n,2\n"),
                fault("a,1\na,2\n"),
                fault("a,1\nb,1.0\n"),
                fault("a,1\n\"b,1.0\n"),
            ]
            .join("\n")
        );
    }
}
