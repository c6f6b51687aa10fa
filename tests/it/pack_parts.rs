//! Workbook, pages and readings of a pack, from links written by hand.
#![expect(clippy::unwrap_used, reason = "a failure here is the test's failure")]

use std::collections::BTreeMap;
use std::io::Cursor;
use std::sync::Mutex;

use bothends::both_ways::Link;
use bothends::pack::manifest::{Manifest, RawTraces};
use bothends::pack::page::{Levels, fibre_page, index_page};
use bothends::pack::project::{Project, ProjectFile};
use bothends::pack::setup::{GivenSettings, LinkSetup};
use bothends::pack::wording::Wording;
use bothends::pack::{
    Content, Making, PackError, PackLink, PowerReading, RawOf, workbook, write_pack,
};
use bothends::report::SourceFile;
use bothends::units::{Loss, Measured};
use calamine::{Data, Reader, Xlsx};

use crate::links::{country_link, provenance};
use crate::pdf::cable::{Shape, cable};

pub(crate) fn setup() -> LinkSetup {
    LinkSetup {
        a: GivenSettings::default(),
        b: GivenSettings::default(),
        recipe: None,
        false_events_per_1000_km: 0.5,
        length_m: None,
        broken: false,
        joints: Vec::new(),
        accept_pairing: false,
        limits: None,
        coverage: None,
    }
}

pub(crate) fn entry(link: Link, stem: &str) -> PackLink {
    PackLink {
        stem: stem.to_owned(),
        page: stem.to_owned(),
        link,
        provenance: provenance(),
        power: Vec::new(),
    }
}

/// Runs `with` on the content of a pack of these links.
pub(crate) fn with_content<T>(
    links: &[PackLink],
    project: &Project,
    with: impl FnOnce(&Content<'_>) -> T,
) -> T {
    let wording = Wording::default();
    with(&Content {
        program: "bothends 0.1.0",
        report_time: Some("2026-03-20"),
        project,
        wording: &wording,
        limits: None,
        coverage: 1.645,
        links,
        cable: None,
        warnings: &[],
        profiles: &|_| Ok(country_link().1),
    })
}

/// The fingerprint of an empty file, which stands for each raw trace (FIPS 180-4, the
/// digest of the empty message).
const NOTHING: &str = "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855";

type Written = BTreeMap<String, Vec<u8>>;

/// Writes a pack of links into memory.
pub(crate) fn pack_of(links: &[PackLink], raw: &RawOf<'_>) -> Result<Written, PackError> {
    let files = Mutex::new(Written::new());
    let setups = vec![setup(); links.len()];
    with_content(links, &Project::default(), |content| {
        write_pack(
            content,
            Making {
                setups: &setups,
                cable: None,
                raw_traces: RawTraces::Copy,
                raw,
                others: Vec::new(),
                put: &|name, bytes| {
                    let before = files
                        .lock()
                        .unwrap()
                        .insert(name.to_owned(), bytes.to_vec());
                    assert!(before.is_none(), "{name} is written twice");
                    Ok(())
                },
            },
        )
    })?;
    Ok(files.into_inner().unwrap())
}

pub(crate) fn pack_with(raw: &RawOf<'_>) -> Result<Written, PackError> {
    pack_of(&[entry(country_link().0, "HL-204-017-1550")], raw)
}

/// A workbook as another library reads it: rows of a sheet.
fn rows(bytes: &[u8], sheet: &str) -> Vec<Vec<Data>> {
    let mut book: Xlsx<_> = Xlsx::new(Cursor::new(bytes.to_vec())).unwrap();
    let range = book.worksheet_range(sheet).unwrap();
    range.rows().map(<[Data]>::to_vec).collect()
}

#[test]
fn the_workbook_holds_real_numbers_and_the_reasons_of_empty_cells() {
    let (mut link, _) = country_link();
    link.events[2].loss = Err(bothends::units::NotMeasured::because(
        "hidden from both ends",
    ));
    let bytes = with_content(&[entry(link, "one")], &Project::default(), workbook).unwrap();
    let events = rows(&bytes, "Joints and events");
    let head = |name: &str| {
        events[0]
            .iter()
            .position(|cell| cell == &Data::String(name.to_owned()))
            .unwrap_or_else(|| panic!("no column {name:?} in {:?}", events[0]))
    };
    // The link by hand says 0.312 dB for joint 5 at 14,093.5 m.
    let fifth = &events[5];
    assert_eq!(fifth[head("Two-way loss, dB")], Data::Float(0.312));
    assert_eq!(fifth[head("Place, m")], Data::Float(14_093.5));
    assert_eq!(fifth[head("Joint")], Data::String("closure 4".to_owned()));
    let third = &events[3];
    assert_eq!(third[head("Two-way loss, dB")], Data::Empty);
    let Data::String(notes) = &third[head("Notes")] else {
        panic!("{third:?}");
    };
    assert!(
        notes.contains("Two-way loss: hidden from both ends"),
        "{notes}"
    );
    let matrix = rows(&bytes, "Loss of every joint");
    assert!(matrix[1].contains(&Data::Float(0.312)));
    let names: Vec<String> = {
        let book: Xlsx<_> = Xlsx::new(Cursor::new(bytes)).unwrap();
        book.sheet_names()
    };
    insta::assert_snapshot!(names.join("\n"), @"
    Loss of every joint
    Fibres
    Joints and events
    Sections
    Limits and decision rule
    Settings
    Doubts
    ");
}

/// A finding of the cable by hand with its numbers as numbers, and a file without a result.
#[test]
fn the_workbook_says_what_was_found() {
    let made = cable(&Shape::default());
    let first = &made.cable.as_ref().unwrap().findings[0];
    let bytes = made.with(workbook).unwrap();
    let found = rows(&bytes, "What was found");
    let text = |text: &str| Data::String(text.to_owned());
    assert_eq!(
        found[0],
        [
            "Finding",
            "Fibres",
            "Joint",
            "Wavelength, nm",
            "Place, m",
            "Two-way loss, dB",
            "Standard error, dB",
            "Notes"
        ]
        .map(text)
    );
    assert_eq!(found[1][0], text("bad joint"));
    assert_eq!(found[1][1], text(&first.fibres[0]));
    assert_eq!(
        found[1][3],
        Data::Float(
            first
                .wavelength
                .map_or(0.0, bothends::units::Wavelength::nm)
        )
    );
    assert_eq!(
        found[1][5],
        Data::Float(first.loss.map_or(0.0, |loss| loss.value.db()))
    );
    // The cable by hand states 0.004 dB for every splice.
    assert_eq!(found[1][6], Data::Float(0.004));
    assert_eq!(found[1][7], text(&first.message));
    let skipped = rows(&bytes, "Files without a result");
    assert_eq!(
        skipped[1],
        [
            text("old/019_1550_ab.txt"),
            text("no trace from B names this fibre")
        ]
    );
}

#[test]
fn a_reading_by_power_meter_stands_beside_the_two_way_loss() {
    let (mut link, profiles) = country_link();
    let db = |value, error| Measured {
        value: Loss::from_db(value),
        std_error: Some(Loss::from_db(error)),
    };
    link.loss = Ok(db(7.15, 0.03));
    let mut entry = entry(link, "one");
    entry.power = vec![PowerReading {
        direction: "A to B".to_owned(),
        loss: db(7.30, 0.04),
    }];
    // u = √(0.03² + 0.04²) = 0.05 dB (GUM, JCGM 100:2008, 5.1.2, from memory); 0.15 dB are three of them.
    let expected = "7.30 ± 0.04 dB by source and power meter, A to B; the two-way loss differs by \
                    −0.150 ± 0.050 dB, more than 1.96 standard errors: they do not agree";
    with_content(&[entry.clone()], &Project::default(), |content| {
        let page = fibre_page(content, &[(&entry, Levels::Inside(&profiles))], &[]).unwrap();
        assert!(page.contains(expected));
        let readings = rows(&workbook(content).unwrap(), "Source and power meter");
        assert_eq!(readings[1][3], Data::Float(7.3));
        // Kept as the difference of two doubles: equal to a billionth.
        let Data::Float(difference) = readings[1][7] else {
            panic!("{readings:?}");
        };
        assert!((difference + 0.15).abs() < 1e-9);
    });
}

#[test]
fn wording_of_a_project_file_reaches_pages_and_workbook() {
    let text = "title = 'Ring Nord'\nlanguage = 'de'\n[wording]\nevents = 'Ereignisse'\n\
                not_judged = 'nicht beurteilt'\nfigure_row_number = 'Nummer'\n[client]\nname = 'Wasserverband Tal'\n";
    let file = ProjectFile::from_toml(text).unwrap();
    let (link, profiles) = country_link();
    let mut links = [entry(link, "one")];
    for source in [&mut links[0].provenance.a, &mut links[0].provenance.b] {
        NOTHING.clone_into(&mut source.sha256);
    }
    let content = Content {
        program: "bothends 0.1.0",
        report_time: None,
        project: &file.project,
        wording: &file.wording,
        limits: None,
        coverage: 1.645,
        links: &links,
        cable: None,
        warnings: &[],
        profiles: &|_| Ok(country_link().1),
    };
    let page = fibre_page(&content, &[(&links[0], Levels::Inside(&profiles))], &[]).unwrap();
    assert!(page.contains("<html lang=\"de\">"));
    assert!(page.contains("Ereignisse") && page.contains("nicht beurteilt"));
    let index = index_page(&content, &[]);
    assert!(index.contains("<title>Ring Nord</title>") && index.contains("Wasserverband Tal"));
    assert!(rows(&workbook(&content).unwrap(), "Ereignisse").len() > 2);
    let files = Mutex::new(Written::new());
    let making = Making {
        setups: &[setup()],
        cable: None,
        raw_traces: RawTraces::Name,
        raw: &|_| Ok(Vec::new()),
        others: Vec::new(),
        put: &|name, bytes| {
            let mut files = files.lock().unwrap();
            files.insert(name.to_owned(), bytes.to_vec());
            Ok(())
        },
    };
    write_pack(&content, making).unwrap();
    let figure = &files.into_inner().unwrap()["plots/one.svg"];
    let figure = std::str::from_utf8(figure).unwrap();
    assert!(figure.contains("Nummer") && figure.contains("what it is"));
}

#[test]
fn the_manifest_names_every_file_once_in_order() {
    let raw = |_: &str| Ok(Vec::new());
    let mut one = entry(country_link().0, "one");
    for source in [&mut one.provenance.a, &mut one.provenance.b] {
        *source = SourceFile {
            file: format!("over/there/{}", source.file),
            sha256: NOTHING.to_owned(),
        };
    }
    let written = pack_of(&[one], &raw).unwrap();
    let manifest: Manifest = serde_json::from_slice(&written["manifest.json"]).unwrap();
    let named: Vec<&str> = manifest.files.iter().map(|f| f.file.as_str()).collect();
    let there: Vec<&str> = written
        .keys()
        .map(String::as_str)
        .filter(|name| *name != "manifest.json")
        .collect();
    assert_eq!(named, there);
    assert_eq!(
        manifest.links[0].a.file.as_deref(),
        Some("raw/017_1550_ab.txt")
    );
    assert_eq!(manifest.links[0].a.name, "over/there/017_1550_ab.txt");
}
