//! The reader, from outside: a folder of made-up exports, and any bytes at all.

#![allow(
    clippy::unwrap_used,
    clippy::panic,
    reason = "a test that cannot go on must fail"
)]

use std::collections::BTreeMap;
use std::fs;
use std::path::PathBuf;

use bothends::read::{
    FileContent, ReadError, ReadTrace, Recipe, from_bytes, from_bytes_with_recipe, from_path,
};
use bothends::simulate::{Dialect, SimTrace, encode, recipe, write};
use bothends::trace::Header;
use bothends::units::{GroupIndex, Length, PulseWidth, Wavelength};
use proptest::prelude::*;

fn corpus() -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("tests/corpus")
}

fn content(name: &str) -> FileContent {
    from_path(&corpus().join(name)).unwrap()
}

/// Rows of the table in the folder's README: file, then what is expected.
fn expected() -> BTreeMap<String, String> {
    let readme = fs::read_to_string(corpus().join("README.md")).unwrap();
    readme
        .lines()
        .filter_map(|line| line.strip_prefix("| `"))
        .map(|row| {
            let (name, rest) = row.split_once("` |").unwrap();
            let (_, expected) = rest.split_once(" | ").unwrap();
            (name.to_owned(), expected.trim_end_matches(" |").to_owned())
        })
        .collect()
}

/// Level of the truth that all files of the folder write down; the formula is
/// in its README.
fn true_level_db(distance_m: f64) -> f64 {
    let step = if distance_m >= 500.0 { 0.08 } else { 0.0 };
    -12.345 - 0.000_19 * distance_m - step
}

#[test]
fn every_file_of_the_corpus_has_its_row_and_reads_as_the_row_says() {
    let expected = expected();
    let mut found: Vec<String> = fs::read_dir(corpus())
        .unwrap()
        .map(|entry| entry.unwrap().file_name().into_string().unwrap())
        .filter(|name| name != "README.md")
        .collect();
    found.sort();
    let rows: Vec<&String> = expected.keys().collect();
    assert_eq!(
        found.iter().collect::<Vec<_>>(),
        rows,
        "files and rows differ"
    );
    for (name, expected) in &expected {
        let read = from_path(&corpus().join(name));
        if name.starts_with("x_") {
            let Err(ReadError::Parse { source, .. }) = read else {
                panic!("{name} must be refused");
            };
            assert_eq!(&source.to_string(), expected, "{name}");
        } else {
            let content = read.unwrap_or_else(|error| panic!("{name}: {error:?}"));
            let codes: Vec<&str> = content.warnings.iter().map(|w| w.code.as_ref()).collect();
            let codes = if codes.is_empty() {
                "—".to_owned()
            } else {
                codes.join(", ")
            };
            assert_eq!(&codes, expected, "{name}");
            is_true(name, &content);
        }
    }
}

/// Compares with the formula.
fn is_true(name: &str, content: &FileContent) {
    // Half of the last digit written: levels have four decimals, in the file of
    // exponents seven digits.
    let tolerance_db = 0.5e-4 + 1e-12;
    // Feet, miles and times are written to a millionth or finer; one file rounds to 10 m.
    let tolerance_m = if name == "distances_rounded.csv" {
        5.0 + 1e-9
    } else {
        1e-3
    };
    for trace in &content.traces {
        let left_out = usize::from(content.warnings.iter().any(|w| w.code == "last line cut"));
        assert_eq!(trace.levels_db.len(), 48 - left_out, "{name}");
        let mut blanks = 0;
        for (i, (distance, level)) in trace.distances_m.iter().zip(&trace.levels_db).enumerate() {
            let wanted_m = 25.0 * f64::from(u32::try_from(i).unwrap());
            assert!(
                (distance - wanted_m).abs() <= tolerance_m,
                "{name}: {distance} m, not {wanted_m} m"
            );
            if level.is_nan() {
                blanks += 1;
                continue;
            }
            let off = (level - true_level_db(wanted_m)).abs();
            assert!(off <= tolerance_db, "{name}: {level} dB at {wanted_m} m");
        }
        let wanted = match name {
            "blank_levels.csv" | "blank_levels_first.csv" => 4,
            "levels_only_blank_early.csv" => 9,
            "no_line_end_after_a_blank.csv" => 1,
            _ => 0,
        };
        assert_eq!(blanks, wanted, "{name}");
    }
}

#[test]
fn every_dialect_of_a_header_gives_the_same_settings() {
    for name in [
        "plain.csv",
        "decimal_comma.csv",
        "decimal_comma_tab.txt",
        "header_equals.csv",
        "header_columns.csv",
        "white_space.txt",
        "quoted.csv",
        "one_byte_letters.csv",
        "utf16_low_first.txt",
        "key_said_twice.csv",
        "units_in_the_header.csv",
        "settings_after_in_columns.csv",
        "two_texts_on_a_line.csv",
        "titles_broken_in_quotes.csv",
        "units_over_the_names.csv",
        "units_end_the_titles.txt",
        "mark_in_some_rows.csv",
        "units_after.csv",
        "index_after.csv",
        "key_unit_value_after.csv",
        "german_words.csv",
        "german_words_in_ascii.csv",
        "french_words.csv",
        "spanish_words.csv",
        "words_put_together.csv",
        "directions_over_the_titles.csv",
        "direction_names_the_ends.csv",
        "count_before_a_bar_at_line_ends.txt",
        "comma_in_titles_of_both_directions.txt",
        "round_trip_in_the_unit.csv",
        "quotes_behind_rem.csv",
        "leaders_and_no_titles.txt",
        "italian_words.csv",
        "dutch_words.csv",
        "portuguese_words.csv",
        "polish_words.csv",
    ] {
        let trace = content(name)
            .traces
            .remove(0)
            .into_trace(&Header::default())
            .unwrap();
        // As written in each of the files.
        assert!((trace.wavelength().nm() - 1550.0).abs() < 1e-9, "{name}");
        assert!((trace.pulse_width().ns() - 500.0).abs() < 1e-9, "{name}");
        assert!(
            (trace.group_index().ratio() - 1.4682).abs() < 1e-12,
            "{name}"
        );
    }
}

#[test]
fn settings_of_text_are_whole_and_apart() {
    for (name, note) in [
        ("plain.csv", None),
        ("settings_after_in_columns.csv", None),
        ("two_texts_on_a_line.csv", Some("washed; to: be seen again")),
    ] {
        let header = content(name).traces.remove(0).header;
        let found = [&header.fibre, &header.cable, &header.from, &header.to];
        let wanted = ["017", "HL-204", "Harrow Lane", "Mill Bridge"];
        assert_eq!(found.map(Option::as_deref), wanted.map(Some), "{name}");
        assert_eq!(header.note.as_deref(), note, "{name}");
        assert!(
            header.measured.is_some() && header.other.is_empty(),
            "{name}"
        );
    }
}

#[test]
fn one_cut_row_behind_as_many_as_are_judged_does_not_outweigh_them() {
    // 65 rows are one more than those that are looked at first.
    let rows = (0..65).map(|i| format!("-{}.5 {i}.0\n", 10 + i / 30));
    let rows = rows.collect::<Vec<_>>().concat();
    let content = from_bytes(format!("level_db distance_m\n{rows}-14").as_bytes()).unwrap();
    assert_eq!(content.traces[0].levels_db.len(), 65);
}

#[test]
fn a_decimal_comma_in_the_header_tells_a_comma_among_levels_alone() {
    let text = |spacing: &str| {
        let rows = (0..100).map(|i| format!("-{},{:02}\n", 12 + i / 50, 2 * (i % 50)));
        let rows = rows.collect::<Vec<_>>().concat();
        format!("# spacing: {spacing} m\n# start: 0 m\n# level unit: dB\n{rows}")
    };
    let content = from_bytes(text("0,25").as_bytes()).unwrap();
    assert_eq!(content.traces.len(), 1);
    // As written: -13,98 in the last row.
    assert!((content.traces[0].levels_db[99] + 13.98).abs() < 1e-12);
    let said = |c: &FileContent| {
        c.warnings
            .iter()
            .any(|w| w.code == "number form by evidence")
    };
    assert!(said(&content));
    // A point there may be the habit of the program that wrote the header.
    let error = from_bytes(text("0.25").as_bytes()).unwrap_err().to_string();
    assert!(error.contains("nothing in the file decides"), "{error}");
}

#[test]
fn a_column_for_each_wavelength_is_a_trace_each() {
    for name in [
        "two_wavelengths.csv",
        "numbered_wavelengths_in_any_order.csv",
        "numbered_wavelengths_in_columns.csv",
        "wavelengths_over_the_titles.csv",
        "wavelengths_under_the_titles.csv",
        "settings_for_each_column.csv",
        "settings_for_each_wavelength.csv",
        "settings_for_each_wavelength_after.csv",
        "wavelength_of_no_trace.csv",
        "blocks_for_each_wavelength.csv",
        "distance_for_each_column.csv",
    ] {
        let content = content(name);
        let found: Vec<_> = content.traces.iter().map(|t| t.header.wavelength).collect();
        let wanted = [1310.0, 1550.0].map(|nm| Some(Wavelength::from_nm(nm)));
        assert_eq!(found, wanted, "{name}");
    }
    for name in [
        "settings_for_each_column.csv",
        "settings_for_each_wavelength.csv",
        "settings_for_each_wavelength_after.csv",
        "wavelength_of_no_trace.csv",
        "blocks_for_each_wavelength.csv",
    ] {
        let content = content(name);
        let pulses: Vec<_> = content
            .traces
            .iter()
            .map(|t| t.header.pulse_width)
            .collect();
        let wanted = [100.0, 500.0].map(|ns| Some(PulseWidth::from_ns(ns)));
        assert_eq!(pulses, wanted, "{name}");
    }
    // As written, with its decimal.
    let header = content("wavelength_with_decimals.csv")
        .traces
        .remove(0)
        .header;
    assert_eq!(header.wavelength, Some(Wavelength::from_nm(1549.5)));
    assert_eq!(header.pulse_width, Some(PulseWidth::from_ns(500.0)));
}

#[test]
fn a_value_for_a_wavelength_of_no_trace_is_said_to_be_unused() {
    let content = content("wavelength_of_no_trace.csv");
    let told = "line 3: \"Pulse width 1310 nm\" is \"100 ns / 500 ns / 1000 ns\", and no trace is at 1625 nm; what it \
                says of that is not used; state the wavelength of each trace in its column's title or in the header";
    assert_eq!(content.warnings[0].message, told);
    // Without any wavelength of the trace the same value must not vanish either.
    let text = b"Pulse width 1310 nm: 100 ns\nDistance (m);Level (dB)\n0;-1\n1;-2\n2;-3\n";
    let content = from_bytes(text).unwrap();
    assert_eq!(content.traces[0].header.pulse_width, None);
    assert!(
        content
            .warnings
            .iter()
            .any(|w| w.code == "setting of no trace")
    );
}

#[test]
fn words_that_add_nothing_and_their_order_do_not_matter() {
    let header = content("words_in_another_order.csv")
        .traces
        .remove(0)
        .header;
    assert_eq!(header.wavelength, Some(Wavelength::from_nm(1550.0)));
    assert_eq!(header.pulse_width, Some(PulseWidth::from_ns(500.0)));
    assert_eq!(header.group_index, Some(GroupIndex::from_ratio(1.4682)));
    // A word that tells another number is none of them, nor is a value that does not fit.
    let rows = "distance_m,level_db\n0,-1\n1,-2\n2,-3\n";
    for (line, wanted) in [
        (
            "Wavelength, nominal: 1550 nm",
            Some(Wavelength::from_nm(1550.0)),
        ),
        ("Wavelength, nominal: see label", None),
        ("Cut-off wavelength: 1260 nm", None),
    ] {
        let content = from_bytes(format!("{line}\n{rows}").as_bytes()).unwrap();
        assert_eq!(content.traces[0].header.wavelength, wanted, "{line}");
    }
}

#[test]
fn words_of_other_languages_name_the_ends_too() {
    for name in [
        "direction_between_lettered_ends.csv",
        "direction_names_the_ends.csv",
        "italian_words.csv",
        "italian_words_for_the_ends.csv",
        "dutch_words.csv",
        "portuguese_words.csv",
        "polish_words.csv",
    ] {
        let header = content(name).traces.remove(0).header;
        let found = [&header.fibre, &header.cable, &header.from, &header.to];
        let wanted = ["017", "HL-204", "Harrow Lane", "Mill Bridge"];
        assert_eq!(found.map(Option::as_deref), wanted.map(Some), "{name}");
    }
}

#[test]
fn each_column_of_levels_may_have_its_own_distances() {
    // Truth: every metre at one wavelength, every two metres and ten samples fewer at the other.
    let row = |i: u16| {
        let second = if i < 30 {
            format!("{};{:.2}", 2 * i, 45.0 - 0.6 * f64::from(i))
        } else {
            ";".to_owned()
        };
        format!("{i};{:.2};{second}", 40.0 - 0.5 * f64::from(i))
    };
    let rows = (0..40).map(row).collect::<Vec<_>>().join("\n");
    let titles = "Distance (m);1310 nm (dB);Distance (m);1550 nm (dB)";
    let content = from_bytes(format!("{titles}\n{rows}\n").as_bytes()).unwrap();
    let ends: Vec<_> = content
        .traces
        .iter()
        .map(|t| (t.distances_m.len(), t.levels_db.len(), t.distances_m[29]))
        .collect();
    assert_eq!(ends, [(40, 40, 29.0), (30, 30, 58.0)]);
}

#[test]
fn a_column_for_each_direction_is_a_trace_from_each_end() {
    for name in [
        "both_directions.csv",
        "directions_over_the_titles.csv",
        "directions_by_names.txt",
        "directions_by_one_name.csv",
        "comma_in_titles_of_both_directions.txt",
    ] {
        ends_are_both(&content(name));
    }
    // The header's ends hold for neither column.
    for trace in content("directions_by_other_names.csv").traces {
        assert_eq!((trace.header.from, trace.header.to), (None, None));
    }
    let content = content("wavelengths_over_directions.csv");
    let nm = |t: &ReadTrace| t.header.wavelength.map(Wavelength::nm);
    let found: Vec<_> = content.traces.iter().map(nm).collect();
    assert_eq!(found, [1310.0, 1310.0, 1550.0, 1550.0].map(Some));
}

/// Whether two traces are of one fibre from both its ends.
fn ends_are_both(content: &FileContent) {
    let ends: Vec<_> = content
        .traces
        .iter()
        .map(|t| (t.header.from.as_deref(), t.header.to.as_deref()))
        .collect();
    let (a, b) = (Some("Harrow Lane"), Some("Mill Bridge"));
    assert_eq!(ends, [(a, b), (b, a)]);
}

#[test]
fn a_second_block_is_a_second_trace_with_its_own_settings() {
    let content = content("two_blocks.csv");
    let found: Vec<_> = content
        .traces
        .iter()
        .map(|t| (t.header.wavelength, t.header.fibre.as_deref()))
        .collect();
    let (first, second) = (Wavelength::from_nm(1550.0), Wavelength::from_nm(1310.0));
    assert_eq!(
        found,
        [(Some(first), Some("017")), (Some(second), Some("017"))]
    );
}

#[test]
fn notes_and_tables_beside_the_samples_are_kept_as_notes() {
    let notes = |name: &str| -> Vec<(usize, String)> {
        content(name)
            .layout
            .notes
            .into_iter()
            .map(|note| (note.line, note.text))
            .collect()
    };
    assert_eq!(
        notes("notes_after.csv"),
        [
            (63, "End of listing".to_owned()),
            (64, "Checked by hand".to_owned())
        ]
    );
    assert_eq!(notes("event_table_after.csv").len(), 3);
    assert_eq!(notes("event_table_before.csv").len(), 3);
}

#[test]
fn the_fall_of_the_levels_stands_in_for_a_missing_unit() {
    // Truth: 0.34 dB/km over 8 km at 1310 nm, written in kilometres without a word. In
    // miles it would be 0.21 dB/km, less than Rayleigh scattering takes at 1310 nm.
    let row = |i: u16| {
        let steps = f64::from(i);
        format!("{:.2},{:.4}", 0.01 * steps, -10.0 - 0.0034 * steps)
    };
    let rows = (0..800).map(row).collect::<Vec<_>>().join("\n");
    let content = from_bytes(format!("# wavelength: 1310 nm\n{rows}\n").as_bytes()).unwrap();
    assert!((content.traces[0].distances_m[799] - 7990.0).abs() < 1e-6);
    assert!(
        content
            .warnings
            .iter()
            .any(|w| w.code == "distance unit by evidence")
    );
    let error = from_bytes(rows.as_bytes()).unwrap_err();
    assert!(
        error
            .to_string()
            .contains("unit of the distances is not given"),
        "{error}"
    );
}

#[test]
fn rising_numbers_above_zero_are_loss_and_are_turned_with_a_word() {
    // Truth: a loss that rises from 5 dB by 0.04 dB a sample.
    let row = |i: u16| format!("{i},{:.2}", 5.0 + 0.04 * f64::from(i));
    let rows = (0..200).map(row).collect::<Vec<_>>().join("\n");
    let content = from_bytes(format!("distance_m,level_db\n{rows}\n").as_bytes()).unwrap();
    assert!((content.traces[0].levels_db[199] + 12.96).abs() < 1e-9);
    let said: Vec<&str> = content.warnings.iter().map(|w| w.code.as_ref()).collect();
    assert_eq!(said, ["level direction"]);
}

#[test]
fn levels_alone_may_be_blank_in_any_number() {
    // Truth: a level behind two that are not known, from -12.00 dB by 0.01 dB a level down.
    let text = |level: &dyn Fn(u16) -> String, blank: &str| {
        let rows = (0..40).map(|i| format!("{}\n{blank}\n{blank}\n", level(i)));
        let rows = rows.collect::<Vec<_>>().concat();
        format!("# spacing: 2 m\n# start: 0 m\nlevel_db\n{rows}")
    };
    let point = |i: u16| format!("-12.{i:02}");
    let comma = |i: u16| format!("-12,{i:02}");
    let quoted = |i: u16| format!("\"-12.{i:02}\"");
    let ended = |i: u16| format!("-12.{i:02};");
    for text in [
        text(&point, "nan"),
        text(&point, "-inf"),
        text(&comma, "nan"),
        text(&quoted, "\"\""),
        text(&ended, ";"),
    ] {
        let content = from_bytes(text.as_bytes()).unwrap_or_else(|error| panic!("{error}: {text}"));
        let levels = &content.traces[0].levels_db;
        assert_eq!(levels.len(), 120, "{text}");
        for (i, level) in levels.iter().enumerate() {
            // As written: the same decimal number, rounded once.
            let wanted = -12.0 - 0.01 * (i / 3) as f64;
            let right = if i % 3 == 0 {
                (level - wanted).abs() < 1e-12
            } else {
                level.is_nan()
            };
            assert!(right, "level {i} is {level}: {text}");
        }
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(60))]

    // What the simulator writes in any dialect reads back as the same trace: levels to
    // the same bits, distances to a billionth, as a unit of length allows.
    #[test]
    fn every_dialect_that_is_written_reads_back_the_same(
        spacing_m in prop_oneof![Just(0.25), Just(1.0), 0.1..8.0_f64],
        start in -20_i32..20,
        drops in proptest::collection::vec(proptest::option::weighted(0.95, 0.001..0.02_f64), 400..600),
    ) {
        // Micrometres: what a dialect of kilometres is written to.
        let spacing_m = (spacing_m * 1e6).round() / 1e6;
        let mut level = -10.0;
        let levels_db = drops
            .iter()
            .enumerate()
            .map(|(i, drop)| match drop {
                // Levels without distances are counted from the first, which must be there.
                None if i > 0 => f64::NAN,
                drop => {
                    level = ((level - drop.unwrap_or(0.01)) * 1e4_f64).round() / 1e4;
                    level
                }
            })
            .collect();
        let trace = SimTrace {
            header: Header {
                fibre: Some("017".into()),
                // Letters that Windows-1252 spells in one byte.
                from: Some("Härrow Lane".into()),
                to: Some("Mill Bridge".into()),
                wavelength: Some(Wavelength::from_nm(1550.0)),
                pulse_width: Some(PulseWidth::from_ns(100.0)),
                group_index: Some(GroupIndex::from_ratio(1.4682)),
                launch_cord: Some(Length::from_m(1000.0)),
                measured: Some("2026-03-14T10:22:00+01:00".into()),
                ..Header::default()
            },
            distances_m: (0..drops.len()).map(|i| (f64::from(start) + i as f64) * spacing_m).collect(),
            levels_db,
        };
        for dialect in [
            Dialect::Plain,
            Dialect::DecimalComma,
            Dialect::TabFeet,
            Dialect::QuotedLoss,
            Dialect::LevelsOnly,
            Dialect::Utf16,
            Dialect::Packed,
            Dialect::German,
            Dialect::French,
        ] {
            let bytes = encode(&write(&trace, dialect), dialect);
            let recipe = recipe(dialect).map_or_else(Recipe::default, |text| {
                Recipe::from_toml(&text).unwrap()
            });
            let content = from_bytes_with_recipe(&bytes, &Header::default(), &recipe)
                .map_err(|error| TestCaseError::fail(format!("{dialect:?}: {error}")))?;
            prop_assert_eq!(content.traces.len(), 1, "{:?}", dialect);
            let read = &content.traces[0];
            prop_assert_eq!(&read.header, &trace.header, "{:?}", dialect);
            prop_assert_eq!(read.levels_db.len(), trace.levels_db.len(), "{:?}", dialect);
            for (found, wanted) in read.levels_db.iter().zip(&trace.levels_db) {
                let same = found.to_bits() == wanted.to_bits() || found.is_nan() && wanted.is_nan();
                prop_assert!(same, "{:?}: {} {}", dialect, found, wanted);
            }
            for (found, wanted) in read.distances_m.iter().zip(&trace.distances_m) {
                let off = (found - wanted).abs();
                prop_assert!(off <= 1e-9 * wanted.abs().max(spacing_m), "{:?}: {} {}", dialect, found, wanted);
            }
        }
    }
}
