//! The reader on files made to hurt it: each must end soon, in a trace or a
//! refusal, and hold little more memory than the file.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on must fail")]

use bothends::read::{Glyphs, ParseErrorKind, describe, from_bytes};
use proptest::prelude::*;

fn refusal(text: &str) -> ParseErrorKind {
    from_bytes(text.as_bytes()).unwrap_err().kind
}

/// Plain rows, as many as a real trace's samples would need to be found.
fn rows(count: u32) -> String {
    (0..count)
        .map(|i| format!("{i}.5,-{}\n", 12 + i / 100))
        .collect::<Vec<_>>()
        .concat()
}

#[test]
fn one_line_of_ten_megabytes_is_refused() {
    let columns = "1,".repeat(5 << 20);
    assert!(matches!(
        refusal(&columns),
        ParseErrorKind::LimitExceeded {
            what: "columns or more",
            ..
        }
    ));
    let digits = "7".repeat(10 << 20);
    assert!(matches!(
        refusal(&digits),
        ParseErrorKind::NoCommonForm { .. }
    ));
    let letters = "x".repeat(10 << 20);
    assert_eq!(refusal(&letters), ParseErrorKind::NoSamples);
    let quotes = format!("1{}", ",\"\"\"".repeat(2 << 20));
    assert!(from_bytes(quotes.as_bytes()).is_err());
}

#[test]
fn lines_that_would_take_far_more_memory_apart_than_whole_are_not_taken_apart() {
    for line in [
        "# wavelength: {}1550 nm",
        "# note: {}",
        "key;{}",
        "distance_m  {}",
    ] {
        let text = format!(
            "{}\ndistance_m,level_db\n{}",
            line.replace("{}", &"1310/a;b, ".repeat(100_000)),
            rows(30)
        );
        match from_bytes(text.as_bytes()) {
            Ok(content) => {
                assert!(
                    content.warnings.iter().any(|w| w.code == "long line cut"),
                    "{line}"
                );
                assert!(
                    content
                        .layout
                        .notes
                        .iter()
                        .all(|note| note.text.len() < 1000)
                );
            }
            Err(error) => assert!(error.to_string().len() < 300, "{line}"),
        }
    }
}

#[test]
fn a_last_row_beyond_all_numbers_is_no_note() {
    for row in ["1e999,-12", "inf,-12"] {
        let kind = refusal(&format!("distance_m,level_db\n{}{row}\n", rows(40)));
        assert!(
            matches!(
                kind,
                ParseErrorKind::NumberTooLarge { .. } | ParseErrorKind::NotANumber { .. }
            ),
            "{kind}"
        );
    }
}

#[test]
fn a_million_header_lines_are_refused_with_the_limit() {
    let text = format!(
        "{}distance_m,level_db\n{}",
        "# key: value\n".repeat(1_000_000),
        rows(30)
    );
    let kind = refusal(&text);
    assert_eq!(
        kind.to_string(),
        "30001 lines or more before the samples, and at most 30000 are read; take out what does not belong to the trace"
    );
    let text = format!(
        "{}distance_m,level_db\n{}",
        "# key: value\n".repeat(20_000),
        rows(30)
    );
    assert_eq!(
        refusal(&text).to_string(),
        "10001 header entries, and at most 10000 are read; take out what does not belong to the trace"
    );
}

#[test]
fn more_samples_than_the_limit_are_refused_with_the_limit() {
    let mut text = String::from("distance_m,level_db\n");
    for i in 0..4_000_010 {
        text.push_str(&i.to_string());
        text.push_str(",-1\n");
    }
    assert_eq!(
        refusal(&text).to_string(),
        "4000001 samples or more, and at most 4000000 are read; `[limits]` in a recipe raises that"
    );
}

#[test]
fn nothing_but_nul_is_an_empty_file() {
    assert_eq!(
        from_bytes(&vec![0; 100_000]).unwrap_err().kind,
        ParseErrorKind::Empty
    );
    assert_eq!(from_bytes(&[]).unwrap_err().kind, ParseErrorKind::Empty);
}

#[test]
fn exponents_beyond_all_numbers_are_refused_and_below_are_zero() {
    let kind = refusal(&format!(
        "distance_m,level_db\n{}30.5,-1e99999999999\n",
        rows(30)
    ));
    assert!(
        matches!(kind, ParseErrorKind::NumberTooLarge { .. }),
        "{kind}"
    );
    let text = format!("distance_m,level_db\n{}30.5,-1e-99999999999\n", rows(30));
    let content = from_bytes(text.as_bytes()).unwrap();
    assert!(content.traces[0].levels_db[30].abs() < f64::MIN_POSITIVE);
}

#[test]
fn one_sample_is_read_and_is_no_trace() {
    let content = from_bytes(b"# wavelength: 1550 nm\n# pulse width: 10 ns\n# group index: 1.468\ndistance_m,level_db\n0,-12\n").unwrap();
    let fault = content.traces[0]
        .clone()
        .into_trace(&bothends::trace::Header::default())
        .unwrap_err();
    assert_eq!(fault.to_string(), "1 samples, and at least 24 are needed");
}

#[test]
fn a_long_value_is_cut_in_messages() {
    let text = format!(
        "# wavelength: {}\ndistance_m,level_db\n{}",
        "9".repeat(1_000_000),
        rows(30)
    );
    assert!(refusal(&text).to_string().len() < 300);
}

#[test]
fn many_blocks_are_read_up_to_a_limit_and_then_said_to_be_left() {
    let block = format!("distance_m,level_db\n{}", rows(30));
    let content = from_bytes(block.repeat(100).as_bytes()).unwrap();
    assert_eq!(content.traces.len(), 64);
    assert!(content.warnings.iter().any(|w| w.code == "rows not read"));
}

#[test]
fn blank_levels_excuse_no_damaged_row_and_decide_no_comma() {
    let text = |damaged: usize| {
        let rows = (0..24).map(|i| {
            let level = if i > 0 && i <= damaged {
                "12.3.4".to_owned()
            } else {
                format!("-12.{i:02}")
            };
            format!("{level}\nnan\n")
        });
        let rows = rows.collect::<Vec<_>>().concat();
        format!("# spacing: 2 m\n# start: 0 m\nlevel_db\n{rows}")
    };
    // Of 24 levels more than a tenth is damaged, of the 48 rows it is not.
    let error = refusal(&text(3)).to_string();
    assert!(error.contains("no common form"), "{error}");
    let error = refusal(&text(1)).to_string();
    assert!(error.contains("\"12.3.4\" is not a number"), "{error}");
    // Every level ends without a separator: one alone is no empty level, but an empty line.
    let error = refusal(&text(0).replace("nan", ";")).to_string();
    assert!(error.contains("no common form"), "{error}");
    // A level with decimals or two whole numbers: a few blank rows between tell neither.
    let rows = (0..50).map(|i| {
        if i % 20 == 4 {
            "nan\n".into()
        } else {
            format!("-12,{i:02}\n")
        }
    });
    let rows = rows.collect::<Vec<String>>().concat();
    let text = format!("# spacing: 2 m\n# start: 0 m\n# level unit: dB\n{rows}");
    let error = refusal(&text).to_string();
    assert!(error.contains("nothing in the file decides"), "{error}");
}

proptest! {
    #[test]
    fn any_bytes_are_read_or_refused(bytes in proptest::collection::vec(any::<u8>(), 0..2000)) {
        if let Ok(content) = from_bytes(&bytes) {
            let _ = describe(&content, Glyphs::Blocks);
        }
    }

    // Text near to an export reaches deeper than bytes at random.
    #[test]
    fn any_near_export_is_read_or_refused(
        head in proptest::collection::vec("(# [a-z ]{1,12}: ?[0-9a-zµ., ]{0,9}|[a-z]{1,8}[;,\t][a-z]{1,8} ?(\\((m|km|dB)\\))?)", 0..6),
        lines in proptest::collection::vec(
            "([0-9.,;\t \"'eE+-]{0,24}|-?[0-9]{1,4}[.,][0-9]{1,3}[;,\t ]-?[0-9]{1,3}[.,][0-9]{1,3}|[0-9]{1,3};-?[0-9]{1,2}(;[a-zµ]{1,4})?)",
            0..80
        ),
        end in "(\n|\r\n|\r)",
    ) {
        let text = [head, lines].concat().join(end.as_str());
        if let Ok(content) = from_bytes(text.as_bytes()) {
            let _ = describe(&content, Glyphs::Ascii);
        }
    }

    // A fault anywhere in a good file is never read as another trace in silence.
    #[test]
    fn a_damaged_row_is_never_passed_over(row in 1_usize..99, damage in "[A-Z?]{1,8}") {
        let good: Vec<String> = rows(100).lines().map(str::to_owned).collect();
        let mut bad = good;
        bad[row] = damage;
        let text = format!("distance_m,level_db\n{}\n", bad.join("\n"));
        let place = from_bytes(text.as_bytes()).unwrap_err().place.unwrap();
        prop_assert_eq!(place.line, row + 2);
    }
}
