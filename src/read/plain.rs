//! Writes the project's own plain trace text.

use std::fmt::{Display, Write as _};

use crate::trace::Header;
use crate::units::{BackscatterCoefficient, GroupIndex, Length, PulseWidth, Wavelength};

use super::dialect::Separator;
use super::entry::entries;
use super::keys::is_known_key;
use super::settings::Note;
use super::words::Vocabulary;

/// The plain text of a trace: settings as `# key: value`, a row of titles, and
/// one row for each sample.
///
/// `distances_m` and `levels_db` hold one value per sample, in order; of unequal
/// lists the longer one's rest is left out. Numbers have the fewest digits that
/// read back to the same number; a level that is not finite is left blank. A
/// line break inside a value becomes a space, since a value is one line; a value
/// that would read as several settings is put in quotes.
///
/// ```
/// use bothends::read::{from_bytes, to_plain_text};
/// let text = "# fibre: 017\n# wavelength: 1550 nm\ndistance_m,level_db\n0,-12.345\n0.5,\n";
/// let trace = &from_bytes(text.as_bytes()).unwrap().traces[0];
/// let written = to_plain_text(
///     &trace.header,
///     trace.distances_m.as_slice().unwrap(),
///     trace.levels_db.as_slice().unwrap(),
/// );
/// assert_eq!(written, text);
/// ```
pub fn to_plain_text(header: &Header, distances_m: &[f64], levels_db: &[f64]) -> String {
    let mut text = String::with_capacity(1024 + 20 * distances_m.len());
    write_header(&mut text, header);
    text.push_str("distance_m,level_db\n");
    for (distance, level) in distances_m.iter().zip(levels_db) {
        // Writing to a string cannot fail.
        let _ = if level.is_finite() {
            writeln!(text, "{distance},{level}")
        } else {
            writeln!(text, "{distance},")
        };
    }
    text
}

/// Notes of a file as lines to put before its plain text.
///
/// A line that stood beside the samples, as a table of events does, is not part
/// of the trace text; as `# note:` lines it is kept and read back as notes.
/// Lines of drawing only are left out.
pub fn notes_as_text(notes: &[Note]) -> String {
    let mut text = String::new();
    for note in notes
        .iter()
        .filter(|note| note.text.contains(char::is_alphanumeric))
    {
        // Writing to a string cannot fail.
        let _ = writeln!(text, "# note: {}", one_line(&note.text));
    }
    text
}

fn shown<T: Display>(value: Option<&T>) -> Option<&dyn Display> {
    value.map(|value| value as &dyn Display)
}

fn write_header(text: &mut String, header: &Header) {
    let mut line = |key: &str, value: Option<&dyn Display>, unit: &str| {
        if let Some(value) = value {
            let value = one_line(&format!("{value}{unit}"));
            let _ = writeln!(text, "{}", setting_line(key, &value));
        }
    };
    line("fibre", shown(header.fibre.as_ref()), "");
    line("cable", shown(header.cable.as_ref()), "");
    line("from", shown(header.from.as_ref()), "");
    line("to", shown(header.to.as_ref()), "");
    line(
        "wavelength",
        shown(header.wavelength.map(Wavelength::nm).as_ref()),
        " nm",
    );
    line(
        "pulse width",
        shown(header.pulse_width.map(PulseWidth::ns).as_ref()),
        " ns",
    );
    line(
        "group index",
        shown(header.group_index.map(GroupIndex::ratio).as_ref()),
        "",
    );
    line(
        "backscatter coefficient",
        shown(header.backscatter.map(BackscatterCoefficient::db).as_ref()),
        " dB",
    );
    line(
        "averaging time",
        shown(header.averaging_time_s.as_ref()),
        " s",
    );
    line("measured", shown(header.measured.as_ref()), "");
    line(
        "launch cord",
        shown(header.launch_cord.map(Length::m).as_ref()),
        " m",
    );
    line(
        "tail cord",
        shown(header.tail_cord.map(Length::m).as_ref()),
        " m",
    );
    line("instrument", shown(header.instrument.as_ref()), "");
    line("serial", shown(header.serial.as_ref()), "");
    line(
        "calibrated until",
        shown(header.calibrated_until.as_ref()),
        "",
    );
    line("operator", shown(header.operator.as_ref()), "");
    line("note", shown(header.note.as_ref()), "");
    for (key, value) in &header.other {
        line(&safe_key(key), Some(value), "");
    }
}

/// A setting as a line that reads back as this one setting: in quotes where the value
/// would be taken for several, as `Harrow Lane; to: Mill Bridge`.
fn setting_line(key: &str, value: &str) -> String {
    let plain = format!("# {key}: {value}");
    let read = entries(&plain, Separator::Comma, &Vocabulary::default());
    if matches!(read.as_slice(), [one] if one.value == value) {
        plain
    } else {
        format!("# {key}: \"{}\"", value.replace('"', "\"\""))
    }
}

fn one_line(value: &str) -> String {
    value
        .split(['\n', '\r'])
        .map(str::trim)
        .collect::<Vec<_>>()
        .join(" ")
        .trim()
        .to_owned()
}

/// A key that reads back as one: without the marks that end it, and not taken
/// for a setting that it is not.
fn safe_key(key: &str) -> String {
    let key = one_line(&key.replace([':', '=', '\u{2192}'], " ").replace("->", " "));
    if is_known_key(&key) {
        format!("{key} (as found)")
    } else {
        key
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::super::from_bytes;
    use super::*;

    fn text() -> impl Strategy<Value = Option<String>> {
        proptest::option::of("[A-Za-zäß0-9][ -~äß]{0,20}[A-Za-z0-9.;,:=]")
    }

    prop_compose! {
        fn header()(
            words in proptest::collection::vec(text(), 10),
            wavelength in proptest::option::of(600.0..2000.0),
            pulse in proptest::option::of(0.01..200_000.0),
            index in proptest::option::of(1.3..1.7),
            backscatter in proptest::option::of(-100.0..-70.0),
            averaging in proptest::option::of(0.1..1e5),
            launch in proptest::option::of(0.0..1e5),
            tail in proptest::option::of(0.0..1e5),
            other in proptest::collection::vec(("x[a-z;,]{0,8}y", "[a-z:;=,]{1,10}"), 0..4),
        ) -> Header {
            let mut words = words.into_iter().map(|word: Option<String>| word.map(|w| w.trim().to_owned()));
            let mut word = || words.next().flatten();
            Header {
                fibre: word(), cable: word(), from: word(), to: word(),
                wavelength: wavelength.map(Wavelength::from_nm),
                pulse_width: pulse.map(PulseWidth::from_ns),
                group_index: index.map(GroupIndex::from_ratio),
                backscatter: backscatter.map(BackscatterCoefficient::from_db),
                averaging_time_s: averaging,
                measured: word(),
                launch_cord: launch.map(Length::from_m),
                tail_cord: tail.map(Length::from_m),
                instrument: word(), serial: word(), calibrated_until: word(), operator: word(),
                note: word(),
                other,
            }
        }
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(200))]

        // A written trace is read back to the same settings and the same bits.
        #[test]
        fn what_is_written_reads_back_the_same(
            header in header(),
            start in -100.0..100.0,
            spacing in 0.01..100.0,
            drops in proptest::collection::vec(proptest::option::weighted(0.9, 0.001..0.01), 24..200),
        ) {
            let distances: Vec<f64> = (0..drops.len()).map(|i| start + i as f64 * spacing).collect();
            let mut level: f64 = -10.0;
            let levels: Vec<f64> = drops.iter().map(|drop| match drop {
                Some(drop) => { level -= drop; level }
                None => f64::NAN,
            }).collect();
            let text = to_plain_text(&header, &distances, &levels);
            let content = from_bytes(text.as_bytes()).map_err(|e| TestCaseError::fail(format!("{e}\n{text}")))?;
            prop_assert_eq!(content.traces.len(), 1);
            let read = &content.traces[0];
            prop_assert_eq!(&read.header, &header);
            let bits = |values: &[f64]| values.iter().map(|v| v.to_bits()).collect::<Vec<_>>();
            prop_assert_eq!(bits(read.distances_m.as_slice().unwrap()), bits(&distances));
            for (found, wanted) in read.levels_db.iter().zip(&levels) {
                prop_assert!(found.to_bits() == wanted.to_bits() || found.is_nan() && wanted.is_nan());
            }
        }
    }

    #[test]
    fn a_value_stays_on_its_line() {
        let header = Header {
            note: Some("first\nsecond".to_owned()),
            other: vec![("pulse width".to_owned(), "odd".to_owned())],
            ..Header::default()
        };
        let text = to_plain_text(&header, &[], &[]);
        assert_eq!(
            text,
            "# note: first second\n# pulse width (as found): odd\ndistance_m,level_db\n"
        );
    }
}
