//! Reading recipes, and settings in words and lists that no plain text has.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on must fail")]

use std::path::PathBuf;

use bothends::read::{FileContent, Recipe, from_bytes, from_bytes_with_recipe, from_path};
use bothends::trace::Header;

fn read(text: &str, recipe: &str) -> Result<FileContent, String> {
    let recipe = Recipe::from_toml(recipe).map_err(|error| error.to_string())?;
    from_bytes_with_recipe(text.as_bytes(), &Header::default(), &recipe)
        .map_err(|error| error.to_string())
}

fn corpus(name: &str) -> FileContent {
    let folder = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("tests/corpus");
    from_path(&folder.join(name)).unwrap()
}

/// A file in German words, without a unit for its distances.
fn german() -> String {
    let row = |i: u32| format!("{};{}", i * 1000, 10 + i / 10);
    let rows = (0..40).map(row).collect::<Vec<_>>().join("\n");
    format!("Wellenlänge;1550 nm\nImpulsbreite;100 ns\nLänge;Dämpfung\n{rows}\n")
}

const RECIPE: &str = "\
separator = 'semicolon'
decimal = 'comma'
thousands = 'none'

[[column]]
holds = 'distance'
unit = 'm'

[[column]]
holds = 'loss'
unit = 'dB'

[words]
'Wellenlänge' = 'wavelength'
'Impulsbreite' = 'pulse width'
'Länge' = 'distance'
'Dämpfung' = 'loss'

[settings]
'group index' = '1.4682'
";

#[test]
fn a_recipe_reads_words_of_another_language_and_fills_settings() {
    assert!(from_bytes(german().as_bytes()).is_err());
    let content = read(&german(), RECIPE).unwrap();
    let trace = content.traces[0]
        .clone()
        .into_trace(&Header::default())
        .unwrap();
    assert!((trace.wavelength().nm() - 1550.0).abs() < 1e-9);
    assert!((trace.pulse_width().ns() - 100.0).abs() < 1e-9);
    assert!((trace.group_index().ratio() - 1.4682).abs() < 1e-12);
    // Distance 1000 is a thousand metres, and loss rises, so that its sign is turned.
    assert!((trace.distances_m()[1] - 1000.0).abs() < 1e-9);
    assert!((trace.levels_db()[39] + 13.0).abs() < 1e-9);
    assert_eq!(
        content.layout.from_recipe,
        [("group index".to_owned(), "1.4682".to_owned())]
    );
}

#[test]
fn a_recipe_decides_what_the_file_leaves_open() {
    let row = |i: u32| format!("{i},000;-{}", 10 + i);
    let rows = (1..40).map(row).collect::<Vec<_>>().join("\n");
    let text = format!("distance_m;level_db\n{rows}\n");
    assert!(
        from_bytes(text.as_bytes())
            .unwrap_err()
            .to_string()
            .contains("nothing in the file decides")
    );
    let content = read(&text, "decimal = 'comma'").unwrap();
    assert!((content.traces[0].distances_m[0] - 1.0).abs() < 1e-12);
    let content = read(&text, "thousands = 'comma'\ndecimal = 'point'").unwrap();
    assert!((content.traces[0].distances_m[0] - 1000.0).abs() < 1e-9);
}

#[test]
fn a_file_that_contradicts_its_recipe_is_refused() {
    let text = german().replace("Länge;", "Länge km;");
    let error = read(&text, RECIPE).unwrap_err();
    assert_eq!(
        error,
        "line 3, column 1: the recipe says m and the file has km in a title; use another recipe for this file, or none"
    );
    let three = "[[column]]\nholds='distance'\nunit='m'\n[[column]]\nholds='level'\n[[column]]\nholds='unused'\n";
    let error = read(&german(), three).unwrap_err();
    assert!(
        error.contains("the recipe says 3 columns and the file has 2 columns"),
        "{error}"
    );
}

#[test]
fn faults_of_a_recipe_are_told_with_line_and_column() {
    let fault = |text: &str| Recipe::from_toml(text).unwrap_err().to_string();
    assert!(fault("separator = 'dot'").starts_with("line 1, column 13: unknown variant `dot`"));
    assert!(fault("\nkolumn = 1").starts_with("line 2, column 1: unknown field `kolumn`"));
    assert!(
        fault("[words]\n'Faser' = 'fibr'")
            .starts_with("line 2, column 2: \"fibr\" is no meaning of a word; wanted")
    );
    assert!(fault("[settings]\n'group index' = 'air'").contains("wanted a ratio from 1.3 to 1.7"));
    assert!(
        fault("[[column]]\nholds = 'level'\nunit = 'km'")
            .starts_with("line 1, column 1: unit \"km\" of a column that holds `level`")
    );
    assert!(fault("[[column]]\nholds = 'distance'").contains("no column holds `level` or `loss`"));
}

#[test]
fn the_recipe_of_a_layout_reads_the_same_file_to_the_same_traces() {
    for name in [
        "plain.csv",
        "decimal_comma.csv",
        "two_wavelengths.csv",
        "both_directions.csv",
        "rising_loss.csv",
        "levels_only.csv",
        "round_trip_time.csv",
        "white_space.txt",
        "thousands_point.txt",
        "words_beside_the_samples.csv",
    ] {
        let content = corpus(name);
        let text = Recipe::from_layout(&content).to_toml();
        let recipe = Recipe::from_toml(&text).unwrap();
        let folder = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("tests/corpus");
        let bytes = std::fs::read(folder.join(name)).unwrap();
        let again = from_bytes_with_recipe(&bytes, &Header::default(), &recipe).unwrap();
        assert_eq!(again.traces, content.traces, "{name}");
    }
}

/// Found by the fuzzer: a key that goes on over lines in quotes, which is no title here since
/// the rows behind it have one column, left its comment in the written recipe.
#[test]
fn a_key_of_several_lines_stays_in_its_comment_in_the_recipe() {
    let text =
        "\"Di\\\n[m]\";\"Level\nKdB]\"\n# spacing: 25 m\n# start: 0 m\n-12.35\n-12.36\n-12.37\n";
    let content = from_bytes(text.as_bytes()).unwrap();
    let other = &content.traces[0].header.other;
    assert!(other.iter().any(|(key, _)| key.contains('\n')), "{other:?}");
    let recipe = Recipe::from_layout(&content);
    assert_eq!(
        Recipe::from_toml(&recipe.to_toml()).map(|r| r.to_toml().is_empty()),
        Ok(false)
    );
}

#[test]
fn lists_and_numbered_keys_give_each_column_its_value() {
    for name in ["list_of_wavelengths.csv", "numbered_wavelengths.csv"] {
        let found: Vec<f64> = corpus(name)
            .traces
            .iter()
            .map(|trace| trace.header.wavelength.unwrap().nm())
            .collect();
        assert_eq!(found.len(), 2, "{name}");
        assert!(
            (found[0] - 1310.0).abs() < 1e-9 && (found[1] - 1550.0).abs() < 1e-9,
            "{name}"
        );
    }
    let pulses: Vec<f64> = corpus("list_of_wavelengths.csv")
        .traces
        .iter()
        .map(|trace| trace.header.pulse_width.unwrap().ns())
        .collect();
    assert!((pulses[0] - 100.0).abs() < 1e-9 && (pulses[1] - 500.0).abs() < 1e-9);
}

#[test]
fn settings_in_other_words_are_understood() {
    let header = corpus("other_words.txt").traces.remove(0).header;
    assert_eq!(header.fibre.as_deref(), Some("017"));
    assert!((header.wavelength.unwrap().nm() - 1550.0).abs() < 1e-9);
    assert!((header.pulse_width.unwrap().ns() - 500.0).abs() < 1e-9);
    assert!((header.group_index.unwrap().ratio() - 1.4682).abs() < 1e-12);
    assert!((header.backscatter.unwrap().db() + 81.5).abs() < 1e-12);
    assert!((header.averaging_time_s.unwrap() - 60.0).abs() < 1e-12);
    let clock = corpus("clock_averaging.csv").traces.remove(0).header;
    assert!((clock.averaging_time_s.unwrap() - 200.0).abs() < 1e-12);
}

#[test]
fn blank_levels_among_levels_alone_keep_the_places_of_the_others() {
    // Places from the first: the header says 1 m from 0 m.
    let text = format!(
        "# spacing: 1 m\n# start: 0 m\nlevel_db\n-1\nnan\n-2\nnan\n{}",
        "-3\n".repeat(40)
    );
    let content = from_bytes(text.as_bytes()).unwrap();
    let trace = &content.traces[0];
    assert_eq!(trace.levels_db.len(), 44);
    assert!((trace.levels_db[2] + 2.0).abs() < 1e-12 && trace.levels_db[1].is_nan());
}
