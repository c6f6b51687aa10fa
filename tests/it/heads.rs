//! The settings of a trace, read from the beginning of its file alone.

use std::fs;

use bothends::read::{Recipe, from_path, heads_of_path};
use bothends::trace::Header;

/// The settings read from a file's beginning are those of the whole file: with a header that
/// fits into the first piece, into the second, and into none; with line ends of one `\r`; with a
/// table of events before the samples; and with settings behind them where the file is short.
#[test]
fn settings_of_a_beginning_are_those_of_the_file() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("trace.txt");
    let header = "# wavelength: 1550 nm\n# pulse width: 100 ns\n# fibre: 017\n";
    let notes = |count: usize| "# note: spliced in the rain\n".repeat(count);
    let samples = |count: usize| -> String {
        let row = |k: usize| format!("{:.1},{:.3}\n", 2.0 * k as f64, -20.0 - 4e-4 * k as f64);
        let rows: Vec<String> = (0..count).map(row).collect();
        format!("distance_m,level_db\n{}", rows.concat())
    };
    let events: Vec<String> = (1..=20)
        .map(|k| format!("{k},{},0.05\n", 130 * k))
        .collect();
    let events = events.concat();
    let behind = "# wavelength: 1310 nm\n";
    for (what, text) in [
        ("short header", format!("{header}{}", samples(4000))),
        (
            "header of 6 kB",
            format!("{}{header}{}", notes(220), samples(4000)),
        ),
        (
            "header of 20 kB",
            format!("{}{header}{}", notes(730), samples(4000)),
        ),
        (
            "one carriage return",
            format!("{header}{}", samples(4000)).replace('\n', "\r"),
        ),
        (
            "events first",
            format!("{}events\n{events}\n{header}{}", notes(130), samples(4000)),
        ),
        (
            "settings behind",
            format!("# pulse width: 100 ns\n{}{behind}", samples(400)),
        ),
    ] {
        fs::write(&path, &text).unwrap();
        let whole = from_path(&path);
        let beginning = heads_of_path(&path, &Header::default(), &Recipe::default());
        match (whole, beginning) {
            (Ok(whole), Ok(heads)) => {
                let wanted: Vec<Header> = whole.traces.into_iter().map(|t| t.header).collect();
                assert_eq!(heads, wanted, "{what}");
                assert!(heads[0].wavelength.is_some(), "{what}");
            }
            other => panic!("{what}: {other:?}"),
        }
    }
}
