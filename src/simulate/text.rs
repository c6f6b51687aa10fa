//! Traces as text: the plain form and foreign ones.

use std::fmt::Write as _;
use std::io::Write as _;

use flate2::Compression;
use flate2::write::GzEncoder;

use super::SimTrace;
use super::language::{FRENCH, GERMAN};
use crate::trace::Header;
use crate::units::{BackscatterCoefficient, GroupIndex, Length, PulseWidth, Wavelength};

/// A form of delimited text.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub enum Dialect {
    /// Header lines `# key: value`, then `distance_m,level_db`.
    #[default]
    Plain,
    /// Header lines `Key;Value`, decimal commas, semicolons, kilometres.
    DecimalComma,
    /// Header lines `key = value`, tabs, feet.
    TabFeet,
    /// Every field in quotes, commas, loss that rises along the fibre.
    QuotedLoss,
    /// Levels alone, with spacing and start in the header.
    LevelsOnly,
    /// The form of `DecimalComma` as UTF-16 with its mark, low byte first.
    Utf16,
    /// The plain form, packed with gzip.
    Packed,
    /// Header lines `Key;Value` in German, decimal commas, semicolons, kilometres, one
    /// byte a letter (Windows-1252).
    German,
    /// Header lines `Key : Value` in French, decimal commas, tabs, kilometres, UTF-8
    /// with its mark.
    French,
}

impl Dialect {
    /// End of a trace file's name.
    pub(super) const fn extension(self) -> &'static str {
        match self {
            Self::Plain => "txt",
            Self::Packed => "txt.gz",
            _ => "csv",
        }
    }
}

/// The recipe that a dialect in another language is read by; none for English.
pub fn recipe(dialect: Dialect) -> Option<String> {
    match dialect {
        Dialect::German => Some(GERMAN.recipe()),
        Dialect::French => Some(FRENCH.recipe()),
        _ => None,
    }
}

/// The bytes of a written trace. What Windows-1252 lacks becomes a number in marks, as
/// on a web page.
pub fn encode(text: &str, dialect: Dialect) -> Vec<u8> {
    match dialect {
        Dialect::German => encoding_rs::WINDOWS_1252.encode(text).0.into_owned(),
        Dialect::French => [b"\xEF\xBB\xBF", text.as_bytes()].concat(),
        Dialect::Packed => {
            let mut packer = GzEncoder::new(Vec::new(), Compression::best());
            // Writing to memory cannot fail.
            let _ = packer.write_all(text.as_bytes());
            packer.finish().unwrap_or_default()
        }
        Dialect::Utf16 => std::iter::once(0xFEFF)
            .chain(text.encode_utf16())
            .flat_map(u16::to_le_bytes)
            .collect(),
        _ => text.as_bytes().to_vec(),
    }
}

/// Writes a trace as text. A sample without a level has an empty field.
pub fn write(trace: &SimTrace, dialect: Dialect) -> String {
    match dialect {
        Dialect::Plain | Dialect::Packed => plain(trace),
        Dialect::German => GERMAN.write(trace),
        Dialect::French => FRENCH.write(trace),
        Dialect::DecimalComma | Dialect::Utf16 => decimal_comma(trace),
        Dialect::TabFeet => tab_feet(trace),
        Dialect::QuotedLoss => quoted_loss(trace),
        Dialect::LevelsOnly => levels_only(trace),
    }
}

/// Key and value of every entry that the header has, in the order of the file.
pub(super) fn entries(header: &Header) -> Vec<(String, String)> {
    let text = |key: &str, value: &Option<String>| value.clone().map(|v| (key.to_owned(), v));
    let number = |key: &str, value: Option<f64>, unit: &str| {
        value.map(|v| (key.to_owned(), format!("{v} {unit}").trim_end().to_owned()))
    };
    let known = [
        text("fibre", &header.fibre),
        text("cable", &header.cable),
        text("from", &header.from),
        text("to", &header.to),
        number("wavelength", header.wavelength.map(Wavelength::nm), "nm"),
        number("pulse width", header.pulse_width.map(PulseWidth::ns), "ns"),
        number("group index", header.group_index.map(GroupIndex::ratio), ""),
        number(
            "backscatter coefficient",
            header.backscatter.map(BackscatterCoefficient::db),
            "dB",
        ),
        number("averaging time", header.averaging_time_s, "s"),
        text("measured", &header.measured),
        number("launch cord", header.launch_cord.map(Length::m), "m"),
        number("tail cord", header.tail_cord.map(Length::m), "m"),
        text("instrument", &header.instrument),
        text("serial", &header.serial),
        text("calibrated until", &header.calibrated_until),
        text("operator", &header.operator),
        text("note", &header.note),
    ];
    let mut all: Vec<_> = known.into_iter().flatten().collect();
    all.extend(header.other.iter().cloned());
    // A line break within a name would end the entry.
    for (_, value) in &mut all {
        *value = value.replace(['\n', '\r'], " ");
    }
    all
}

fn plain(trace: &SimTrace) -> String {
    let mut out = String::new();
    for (key, value) in entries(&trace.header) {
        // Writing to a string cannot fail.
        let _ = writeln!(out, "# {key}: {value}");
    }
    out.push_str("distance_m,level_db\n");
    for (distance_m, level_db) in trace.distances_m.iter().zip(&trace.levels_db) {
        let _ = write!(out, "{distance_m},");
        if level_db.is_finite() {
            let _ = write!(out, "{level_db}");
        }
        out.push('\n');
    }
    out
}

/// A level, or nothing where there is none.
pub(super) fn shown(level_db: f64) -> String {
    if level_db.is_finite() {
        level_db.to_string()
    } else {
        String::new()
    }
}

fn tab_feet(trace: &SimTrace) -> String {
    let mut out = String::new();
    for (key, value) in entries(&trace.header) {
        // Writing to a string cannot fail.
        let _ = writeln!(out, "{key} = {value}");
    }
    out.push_str("[Data]\nDistance (ft)\tLevel (dB)\n");
    for (distance_m, level_db) in trace.distances_m.iter().zip(&trace.levels_db) {
        // The international foot, exact since 1959.
        let _ = writeln!(out, "{}\t{}", distance_m / 0.3048, shown(*level_db));
    }
    out
}

fn quoted_loss(trace: &SimTrace) -> String {
    let mut out = String::new();
    for (key, value) in entries(&trace.header) {
        let value = value.replace('"', "\"\"");
        let _ = writeln!(out, "\"{key}\",\"{value}\"");
    }
    out.push_str("\"Distance (m)\",\"Loss (dB)\"\n");
    for (distance_m, level_db) in trace.distances_m.iter().zip(&trace.levels_db) {
        let _ = writeln!(out, "\"{distance_m}\",\"{}\"", shown(-level_db));
    }
    out
}

fn levels_only(trace: &SimTrace) -> String {
    let mut out = String::new();
    for (key, value) in entries(&trace.header) {
        let _ = writeln!(out, "# {key}: {value}");
    }
    // Without distances a column begins with its first level.
    let dark = (trace.levels_db.iter())
        .take_while(|level_db| !level_db.is_finite())
        .count();
    let n = trace.distances_m.len() - dark;
    let start_m = trace.distances_m.get(dark).copied().unwrap_or(0.0);
    let end_m = trace.distances_m.last().copied().unwrap_or(start_m);
    let spacing_m = (end_m - start_m) / (n as f64 - 1.0).max(1.0);
    let _ = writeln!(
        out,
        "# spacing: {spacing_m} m\n# start: {start_m} m\nlevel_db"
    );
    for level_db in trace.levels_db.iter().skip(dark) {
        let level = shown(*level_db);
        // An empty line would not be counted.
        out.push_str(if level.is_empty() { "nan" } else { &level });
        out.push('\n');
    }
    out
}

/// Kilometres to a micrometre, which the grid is rounded to.
pub(super) fn kilometres(distance_m: f64) -> String {
    let km = format!("{:.9}", distance_m / 1000.0);
    km.trim_end_matches('0').trim_end_matches('.').to_owned()
}

/// A value with a decimal comma, if it is a number; dates and names keep what they have.
pub(super) fn comma_number(value: &str) -> String {
    let first = value.split(' ').next();
    if first.is_some_and(|word| word.parse::<f64>().is_ok()) {
        value.replace('.', ",")
    } else {
        value.to_owned()
    }
}

fn decimal_comma(trace: &SimTrace) -> String {
    let mut out = String::new();
    for (key, value) in entries(&trace.header) {
        let mut letters = key.chars();
        let capital: String = letters
            .next()
            .map(|first| first.to_uppercase().collect::<String>() + letters.as_str())
            .unwrap_or_default();
        let _ = writeln!(out, "{capital};{}", comma_number(&value));
    }
    out.push_str("\nDistance (km);Level (dB)\n");
    for (distance_m, level_db) in trace.distances_m.iter().zip(&trace.levels_db) {
        let (km, level) = (kilometres(*distance_m), shown(*level_db));
        let _ = writeln!(out, "{};{}", km.replace('.', ","), level.replace('.', ","));
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    fn trace() -> SimTrace {
        SimTrace {
            header: Header {
                fibre: Some("017".into()),
                from: Some("Harrow Lane".into()),
                wavelength: Some(Wavelength::from_nm(1550.0)),
                group_index: Some(GroupIndex::from_ratio(1.4682)),
                measured: Some("2026-03-14T10:22:00+01:00".into()),
                launch_cord: Some(Length::from_m(0.0)),
                ..Header::default()
            },
            distances_m: ndarray::array![0.0, 0.25, 1250.5],
            levels_db: ndarray::array![-12.345, f64::NAN, -13.0],
        }
    }

    #[test]
    fn the_plain_form_leaves_a_missing_level_empty() {
        insta::assert_snapshot!(write(&trace(), Dialect::Plain), @r"
        # fibre: 017
        # from: Harrow Lane
        # wavelength: 1550 nm
        # group index: 1.4682
        # measured: 2026-03-14T10:22:00+01:00
        # launch cord: 0 m
        distance_m,level_db
        0,-12.345
        0.25,
        1250.5,-13
        ");
    }

    #[test]
    fn levels_alone_begin_with_the_first_of_them() {
        let mut trace = trace();
        trace.levels_db = ndarray::array![f64::NAN, -12.0, f64::NAN, -13.0];
        trace.distances_m = ndarray::array![0.0, 0.5, 1.0, 1.5];
        let text = write(&trace, Dialect::LevelsOnly);
        let (_, column) = text.split_once("# launch cord: 0 m\n").unwrap();
        let wanted = "# spacing: 0.5 m\n# start: 0.5 m\nlevel_db\n-12\nnan\n-13\n";
        assert_eq!(column, wanted);
    }

    #[test]
    fn the_foreign_form_has_decimal_commas_and_kilometres() {
        insta::assert_snapshot!(write(&trace(), Dialect::DecimalComma), @r"
        Fibre;017
        From;Harrow Lane
        Wavelength;1550 nm
        Group index;1,4682
        Measured;2026-03-14T10:22:00+01:00
        Launch cord;0 m

        Distance (km);Level (dB)
        0;-12,345
        0,00025;
        1,2505;-13
        ");
    }
}
