//! Names from files that would do harm if anything obeyed them.
use std::fs;
use std::io::Cursor;

use bothends::pack::page::{Levels, fibre_page, index_page};
use bothends::pack::project::Project;
use bothends::pack::{Names, workbook};
use calamine::{Data, Reader, Xlsx};

use crate::bench::{Bench, FROM_A, FROM_B};
use crate::links::country_link;
use crate::pack_parts::{entry, with_content};

/// Names that lead elsewhere, run as script or formula, or command a terminal.
const NASTY: [&str; 24] = [
    "../../../etc/passwd",
    "..\\..\\windows\\system32",
    "/absolute/path",
    "C:\\cable",
    "CON",
    "nul.txt",
    ".",
    "..",
    "",
    "name\u{0}with nul",
    "two\r\nlines",
    "\u{1b}[31mred\u{1b}]0;title\u{7}",
    "\u{202e}gnp.exe",
    "<script>alert(1)</script>",
    "\"><img src=x onerror=alert(1)>",
    "'-alert(1)-'",
    "</script><script>alert(1)</script>",
    "<!--",
    "javascript:alert(1)",
    "=1+1",
    "=HYPERLINK(\"http://192.0.2.1\",\"x\")",
    "@SUM(A1)",
    "+cmd|' /C calc'!A0",
    "%2e%2e%2f%00",
];

#[test]
fn no_name_leaves_the_folder_or_is_given_twice() {
    let mut names = Names::default();
    let mut given = Vec::new();
    for nasty in NASTY {
        let name = names.unique_with(nasty, ".html");
        assert!(
            !name.contains(['/', '\\', ':', '\0', '<', '>', '"', '|', '?', '*'])
                && !name.starts_with('.')
                && !name.chars().any(char::is_control),
            "{nasty:?} became {name:?}"
        );
        assert!(!given.contains(&name.to_lowercase()), "{name} twice");
        given.push(name.to_lowercase());
    }
}

#[test]
fn pages_show_names_and_obey_none() {
    for nasty in NASTY {
        let (mut link, profiles) = country_link();
        for field in [
            &mut link.cable,
            &mut link.fibre,
            &mut link.from,
            &mut link.to,
        ] {
            *field = Some(nasty.to_owned());
        }
        link.events[1].joint = Some(nasty.to_owned());
        link.events[2].notes = vec![nasty.to_owned()];
        link.a.header.instrument = Some(nasty.to_owned());
        let mut project = Project {
            title: Some(nasty.to_owned()),
            note: Some(nasty.to_owned()),
            details: vec![(nasty.to_owned(), nasty.to_owned())],
            ..Project::default()
        };
        project.contractor.name = Some(nasty.to_owned());
        let mut one = entry(link, "one");
        one.provenance.a.file = nasty.to_owned();
        with_content(&[one.clone()], &project, |content| {
            for text in [
                fibre_page(content, &[(&one, Levels::Inside(&profiles))], &[]).unwrap(),
                index_page(content, &[]),
            ] {
                // Elements of the page itself: as many with a nasty name as without.
                let plain = with_content(
                    &[entry(country_link().0, "one")],
                    &Project::default(),
                    |c| index_page(c, &[]).matches("<script").count(),
                );
                let scripts = text.matches("<script").count();
                assert!(scripts <= plain + 1, "{nasty:?}: {scripts} scripts");
                assert!(!text.contains("<img src=x"), "{nasty:?}");
                assert!(!text.contains("<!--"), "{nasty:?}");
                assert!(!text.contains("href=\"javascript:"), "{nasty:?}");
                assert!(
                    !text.chars().any(|c| c != '\n' && c.is_control()),
                    "{nasty:?}"
                );
                assert!(!text.contains('\u{202e}'), "{nasty:?}");
                assert!(text.contains("script-src 'sha256-"), "{nasty:?}");
            }
        });
    }
}

#[test]
fn a_workbook_holds_names_as_text() {
    for nasty in NASTY {
        let (mut link, _) = country_link();
        link.fibre = Some(nasty.to_owned());
        link.events[1].joint = Some(nasty.to_owned());
        let bytes = with_content(&[entry(link, "one")], &Project::default(), workbook).unwrap();
        let mut book: Xlsx<_> = Xlsx::new(Cursor::new(bytes)).unwrap();
        for sheet in book.sheet_names().clone() {
            let formulas = book.worksheet_formula(&sheet).unwrap();
            assert!(
                formulas
                    .used_cells()
                    .all(|(_, _, formula)| formula.is_empty()),
                "{nasty:?} in {sheet}"
            );
            let range = book.worksheet_range(&sheet).unwrap();
            for (_, _, cell) in range.used_cells() {
                if let Data::String(text) = cell {
                    assert!(!text.chars().any(char::is_control), "{nasty:?}: {text:?}");
                }
            }
        }
    }
}

#[test]
fn a_name_in_a_header_cannot_lead_out_of_the_folder() {
    let bench = Bench::new();
    for (name, of) in [("a.txt", FROM_A), ("b.txt", FROM_B)] {
        bench.altered(name, of, "cable: HL-204", "cable: ../../HL/204");
    }
    let ran = bench.run(&["link", "a.txt", "b.txt", "--out", "deep/results"]);
    assert_eq!(ran.code, 0, "{}", ran.err);
    assert!(
        bench
            .names("deep/results/links")
            .contains(&"HL-204-017-1550.txt".to_owned())
    );
    assert_eq!(bench.names("deep"), ["results"]);
}

#[test]
fn a_manifest_that_names_files_elsewhere_reads_none_of_them() {
    let bench = Bench::new();
    bench.run(&["link", FROM_A, FROM_B, "--out", "results"]);
    let manifest = bench.path("results/manifest.json");
    let text = fs::read_to_string(&manifest).unwrap();
    let led_astray = text.replace(
        &format!("\"file\": \"raw/{FROM_A}\""),
        &format!("\"file\": \"../{FROM_A}\""),
    );
    assert_ne!(text, led_astray);
    fs::write(&manifest, led_astray).unwrap();
    let ran = bench.run(&["verify", "results"]);
    assert_eq!(ran.code, 1);
    assert!(
        ran.out.contains("the name leads out of the pack"),
        "{}",
        ran.out
    );
}
