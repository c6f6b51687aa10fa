//! The PDF of a pack, read back by another library (`lopdf`). What is held against
//! what: texts and numbers of a cable written by hand.
#![expect(clippy::unwrap_used, reason = "a failure here is the test's failure")]

pub(crate) mod cable;

use std::path::Path;

use bothends::both_ways::Verdict;
use bothends::cable::{FindingKind, Untaken};
use bothends::pack::pdf::{Paper, Pdf, pdf};
use bothends::warning::Warning;
use lopdf::{Dictionary, Document, Object};

use self::cable::{Made, Shape, cable};
use crate::links;

fn written(made: &Made, paper: Paper) -> Pdf {
    made.with(|content| pdf(content, paper)).unwrap()
}

/// Leaves the document where a person can look at it.
fn left(name: &str, document: &Pdf) {
    let folder = Path::new(env!("CARGO_TARGET_TMPDIR"));
    std::fs::write(folder.join(name), &document.bytes).unwrap();
}

/// Text of every page as another library reads it, white space as one space.
fn texts(bytes: &[u8]) -> Vec<String> {
    let document = Document::load_mem(bytes).unwrap();
    document
        .get_pages()
        .keys()
        .map(|&number| {
            let text = document.extract_text(&[number]).unwrap();
            text.split_whitespace().collect::<Vec<_>>().join(" ")
        })
        .collect()
}

fn dictionary<'a>(document: &'a Document, object: &'a Object) -> &'a Dictionary {
    let (_, object) = document.dereference(object).unwrap();
    object.as_dict().unwrap()
}

/// Three fibres at two wavelengths: small enough for every test.
fn small() -> Shape {
    Shape {
        fibres: 3,
        ..Shape::default()
    }
}

#[test]
fn every_page_says_its_number_and_how_many_there_are() {
    for paper in [Paper::A4, Paper::UsLetter] {
        let document = written(&cable(&Shape::default()), paper);
        left(&format!("cable-24-{paper:?}.pdf"), &document);
        let pages = texts(&document.bytes);
        assert_eq!(pages.len(), document.pages);
        for (index, page) in pages.iter().enumerate() {
            let number = format!("page {} of {}", index + 1, pages.len());
            assert!(page.contains(&number), "{number}: {page}");
        }
    }
}

/// Size in points of 1/72 inch: ISO 216 A4 is 210 mm × 297 mm, US Letter 8.5 in × 11 in.
#[test]
fn the_sheet_has_the_size_of_the_paper() {
    let made = cable(&small());
    let sizes = [
        (Paper::A4, [210.0 / 25.4 * 72.0, 297.0 / 25.4 * 72.0]),
        (Paper::UsLetter, [8.5 * 72.0, 11.0 * 72.0]),
    ];
    for (paper, wanted) in sizes {
        let bytes = written(&made, paper).bytes;
        let document = Document::load_mem(&bytes).unwrap();
        for page in document.get_pages().values() {
            let page = document.get_dictionary(*page).unwrap();
            let media = page.get(b"MediaBox").unwrap().as_array().unwrap();
            // f32 keeps seven digits of a few hundred points.
            for (found, wanted) in media[2..].iter().zip(wanted) {
                let found = f64::from(found.as_float().unwrap());
                assert!((found - wanted).abs() < 0.01, "{found} for {wanted}");
            }
        }
    }
}

#[test]
fn the_cover_names_project_parties_instrument_and_counts() {
    let made = cable(&Shape::default());
    let cover = texts(&written(&made, Paper::A4).bytes).remove(0);
    let count = |verdict: Verdict| {
        made.links
            .iter()
            .filter(|entry| entry.link.verdict == verdict)
            .count()
    };
    let counts = format!(
        "48 links measured from both ends {} pass {} fail {} undecided {} not judged",
        count(Verdict::Pass),
        count(Verdict::Fail),
        count(Verdict::Undecided),
        count(Verdict::NotJudged)
    );
    for wanted in [
        "Hollow valley ring, second stage",
        "Cable HL-204",
        "A: Harrow Lane B: Mill Bridge",
        "24 fibres at 1310 nm, 1550 nm",
        &counts,
        "Hollow Valley Water Board",
        "Ashdown and Fell Jointing",
        "Field unit 3, serial number 0042, calibrated until 2026-11-30",
        "2026-03-16T09:00:00+01:00",
    ] {
        assert!(cover.contains(wanted), "{wanted:?} in {cover}");
    }
    assert!(count(Verdict::Fail) > 0 && count(Verdict::NotJudged) > 0);
}

/// One of a fibre's two links taken out: the other passes, the fibre as a whole cannot.
#[test]
fn a_fibre_that_lacks_a_wavelength_does_not_pass() {
    let mut made = cable(&Shape::default());
    let passes = |at: usize| made.links[at].link.verdict == Verdict::Pass;
    let at = (0..made.links.len())
        .step_by(2)
        .find(|&at| passes(at) && passes(at + 1))
        .unwrap();
    let fibre = made.links.remove(at).link.fibre.unwrap();
    let cable = made.cable.as_mut().unwrap();
    let mut finding = cable.findings[0].clone();
    finding.kind = FindingKind::MissingPartner;
    finding.fibres = vec![fibre.clone()];
    finding.wavelength = Some(cable.links.remove(at).link.wavelength);
    finding.message = "there is no trace from B to go with it".to_owned();
    cable.findings.push(finding);
    let pages = texts(&written(&made, Paper::A4).bytes);
    assert!(pages[0].contains("1 links not measured from both ends"));
    let title = format!("Fibre {fibre}");
    let page = pages
        .iter()
        .find(|page| page.contains(&title) && page.contains("1310 nm · not measured"))
        .unwrap();
    // Why, and in the order of the wavelengths.
    let why = page.find("there is no trace from B to go with it").unwrap();
    assert!(why < page.find("1550 nm · pass").unwrap(), "{page}");
    assert!(page.contains("1550 nm · pass"), "{page}");
    assert!(page.contains("not judged"), "{page}");
    assert!(
        pages
            .iter()
            .any(|page| page.contains(&format!("Fibres 1310 nm 1 {fibre}"))),
        "the exceptions name {fibre}"
    );
}

/// A wavelength of the plan at which no trace was taken: every fibre lacks it, on the cover, in
/// the summary and on its own page, and none passes.
#[test]
fn a_wavelength_of_the_plan_without_traces_lets_no_fibre_pass() {
    let mut made = cable(&small());
    let cable = made.cable.as_mut().unwrap();
    let fibres = cable.fibres.len();
    let said = "the plan asks for 1625 nm, and no trace was taken at it";
    cable.untaken = Untaken {
        fibres: 0,
        wavelengths_nm: vec![1625.0],
        said: vec![Warning::new("wavelength missing", said)],
    };
    assert_eq!(cable.verdict_of_fibre(0), Verdict::NotJudged);
    let pages = texts(&written(&made, Paper::A4).bytes);
    let cover = &pages[0];
    assert!(
        cover.contains(&format!("{fibres} links not measured from both ends")),
        "{cover}"
    );
    assert!(cover.contains(&format!("not judged: {said}")), "{cover}");
    let of_fibres: Vec<&String> = (pages.iter())
        .filter(|page| page.contains("1625 nm · not measured"))
        .collect();
    assert_eq!(of_fibres.len(), fibres);
}

#[test]
fn limits_settings_and_cautions_are_in_the_document() {
    let pages = texts(&written(&cable(&small()), Paper::A4).bytes);
    let all = pages.join(" ");
    for wanted in [
        "Laser light at these wavelengths is invisible.",
        "splice loss all ≤ 0.15 dB contract value",
        "k = 1.645",
        "1310 100 1.4682 2.000 60 −81.5 (default for the wavelength) 3",
    ] {
        assert!(all.contains(wanted), "{wanted:?}");
    }
}

#[test]
fn exceptions_and_redo_come_before_the_fibres() {
    let made = cable(&Shape::default());
    let pages = texts(&written(&made, Paper::A4).bytes);
    // Page, and place on it: a chapter may begin on the page of another.
    let first = |wanted: &str| {
        let mut places = pages.iter().enumerate();
        places
            .find_map(|(number, page)| Some((number, page.find(wanted)?)))
            .unwrap()
    };
    let failed = made
        .links
        .iter()
        .find(|entry| entry.link.verdict == Verdict::Fail)
        .unwrap();
    let fibre = failed.link.fibre.as_deref().unwrap();
    let row = format!(
        "{fibre} {} nm fail splice loss",
        failed.link.wavelength.nm()
    );
    let exceptions = first(&row);
    let redo = first("Joints to do again");
    let visit = first("Visit: closure");
    let page = pages
        .iter()
        .position(|page| page.contains(&format!("Fibre {fibre} ")) && page.contains("SHA-256"))
        .unwrap();
    assert!(exceptions < redo && redo < visit && visit < (page, 0));
}

/// The head of the matrix stands on every page that has rows of it.
#[test]
fn the_head_of_a_table_is_repeated_on_every_page() {
    let shape = Shape {
        fibres: 100,
        wavelengths: vec![1550.0],
        ..Shape::default()
    };
    let pages = texts(&written(&cable(&shape), Paper::A4).bytes);
    let rows = |page: &&String| page.contains("Loss of every joint");
    let with_rows: Vec<&String> = pages.iter().filter(rows).collect();
    assert!(with_rows.len() >= 2, "{}", with_rows.len());
    for page in with_rows {
        assert!(page.contains("Fibre end A closure 1 closure 2"), "{page}");
    }
}

/// One page for each fibre with its numbers, on either paper.
#[test]
fn every_fibre_has_one_page_with_both_wavelengths_and_all_its_losses() {
    let made = cable(&small());
    for paper in [Paper::A4, Paper::UsLetter] {
        let pages = texts(&written(&made, paper).bytes);
        for fibre in 0..3 {
            let title = format!("Fibre {:03} ", fibre + 1);
            let own: Vec<&String> = pages
                .iter()
                .filter(|page| page.contains(&title) && page.contains("Two-way loss"))
                .filter(|page| page.contains("SHA-256"))
                .collect();
            assert_eq!(own.len(), 1, "{paper:?}, fibre {fibre}");
            for entry in &made.links[2 * fibre..2 * fibre + 2] {
                let light = format!("{} nm", entry.link.wavelength.nm());
                assert!(own[0].contains(&light));
                for event in &entry.link.events {
                    let Ok(loss) = &event.loss else { continue };
                    let number = format!("{:.3} ± 0.004", loss.value.db()).replace('-', "−");
                    assert!(own[0].contains(&number), "{number} in {}", own[0]);
                }
            }
        }
    }
}

#[test]
fn what_was_not_measured_is_a_dash_with_its_reason_and_never_a_zero() {
    let made = cable(&Shape::default());
    let unmeasured = made
        .links
        .iter()
        .find(|entry| entry.link.events.iter().any(|event| event.loss.is_err()))
        .unwrap();
    let pages = texts(&written(&made, Paper::A4).bytes);
    let title = format!("Fibre {} ", unmeasured.link.fibre.as_deref().unwrap());
    let page = pages
        .iter()
        .find(|page| page.contains(&title) && page.contains("SHA-256"))
        .unwrap();
    assert!(page.contains("— [1]"), "{page}");
    assert!(
        page.contains("[1] not measured: B does not reach this far"),
        "{page}"
    );
}

#[test]
fn the_same_content_gives_the_same_bytes() {
    let made = cable(&small());
    let one = written(&made, Paper::A4);
    let other = written(&made, Paper::A4);
    assert!(one == other);
}

#[test]
fn greek_and_cyrillic_are_text_and_what_the_font_lacks_is_warned_of() {
    let shape = Shape {
        fibres: 2,
        joint: "муфта".to_owned(),
        from: "Ωρωπός".to_owned(),
        to: "Жуковка 駅前".to_owned(),
        ..Shape::default()
    };
    let document = written(&cable(&shape), Paper::A4);
    left("cable-greek.pdf", &document);
    let pages = texts(&document.bytes);
    assert!(pages[0].contains("A: Ωρωπός B: Жуковка □□"), "{}", pages[0]);
    assert!(pages.iter().any(|page| page.contains("муфта 3")));
    let missing: String = document.missing.iter().collect();
    assert_eq!(missing, "前駅");
    let warning = document.warning().unwrap();
    assert!(warning.message.contains("駅 (U+99C5)"), "{warning:?}");
    let note = pages.last().unwrap();
    assert!(note.contains("U+524D, U+99C5"), "{note}");
    let plain = written(&cable(&small()), Paper::A4);
    assert!(plain.warning().is_none());
}

/// ISO 19005-2:2011 (from memory): 6.2.11.4.1 fonts embedded; 6.6.4 the version in the
/// metadata; 6.2.3 an output intent; 6.1.3 an identifier of the file. `Lang` and
/// `Outlines` are what this pack promises besides.
#[test]
fn the_document_says_what_pdf_a_asks_for() {
    let bytes = written(&cable(&small()), Paper::A4).bytes;
    let document = Document::load_mem(&bytes).unwrap();
    let catalogue = document.catalog().unwrap();
    assert_eq!(catalogue.get(b"Lang").unwrap().as_str().unwrap(), b"en-GB");
    assert!(catalogue.has(b"OutputIntents") && catalogue.has(b"Outlines"));
    assert!(document.trailer.has(b"ID") && !document.trailer.has(b"Encrypt"));
    let (_, metadata) = document
        .dereference(catalogue.get(b"Metadata").unwrap())
        .unwrap();
    let metadata = metadata.as_stream().unwrap().content.clone();
    let metadata = String::from_utf8(metadata).unwrap();
    assert!(
        metadata.contains("<pdfaid:part>2</pdfaid:part>"),
        "{metadata}"
    );
    assert!(metadata.contains("<pdfaid:conformance>B</pdfaid:conformance>"));
    let descriptors: Vec<&Dictionary> = document
        .objects
        .values()
        .filter_map(|object| object.as_dict().ok())
        .filter(|one| one.has_type(b"FontDescriptor"))
        .collect();
    // The two faces of the program, once each however many figures use them.
    assert_eq!(descriptors.len(), 2);
    assert!(descriptors.iter().all(|one| one.has(b"FontFile2")));
}

#[test]
fn bookmarks_name_chapters_and_fibres() {
    let made = cable(&small());
    let bytes = written(&made, Paper::A4).bytes;
    let document = Document::load_mem(&bytes).unwrap();
    let outlines = dictionary(
        &document,
        document.catalog().unwrap().get(b"Outlines").unwrap(),
    );
    let mut titles = Vec::new();
    collect(&document, outlines, 0, &mut titles);
    let titles: Vec<(usize, &str)> = titles.iter().map(|(l, t)| (*l, t.as_str())).collect();
    for wanted in [
        (0, "Summary"),
        (0, "What is not within limits"),
        (0, "Fibres"),
        (1, "002"),
    ] {
        assert!(titles.contains(&wanted), "{wanted:?} in {titles:?}");
    }
}

fn collect(
    document: &Document,
    parent: &Dictionary,
    level: usize,
    titles: &mut Vec<(usize, String)>,
) {
    let mut next = parent.get(b"First").ok();
    while let Some(object) = next {
        let node = dictionary(document, object);
        let title = lopdf::decode_text_string(node.get(b"Title").unwrap()).unwrap();
        titles.push((level, title));
        collect(document, node, level + 1, titles);
        next = node.get(b"Next").ok();
    }
}

/// Text of the pages with every joint in numbers.
fn matrix(pages: &[String]) -> String {
    let found: Vec<&str> = pages
        .iter()
        .filter(|page| page.contains("Loss of every joint"))
        .map(String::as_str)
        .collect();
    found.join(" ")
}

/// Names that are very long, without spaces, or full of what must not be obeyed.
#[test]
fn hostile_names_are_printed_and_break_nothing() {
    let shape = Shape {
        fibres: 2,
        prefix: "Backbone ring north, tube and tray as labelled in the frame room, fibre "
            .to_owned(),
        joint: "Überlandleitungszwischenverteilerschrankschlüssel".to_owned(),
        from: "x".repeat(40_000),
        to: "a\u{0}b\u{1b}[2J\u{202e}\u{feff}\u{e000}c".to_owned(),
        title: "<b>&amp;) Tj ET (".to_owned(),
        ..Shape::default()
    };
    let made = cable(&shape);
    let document = written(&made, Paper::A4);
    left("cable-hostile.pdf", &document);
    let pages = texts(&document.bytes);
    assert!(pages[0].contains("<b>&amp;) Tj ET ("), "{}", pages[0]);
    assert!(pages[0].contains("a·b·[2J···c"), "{}", pages[0]);
    // No number is cut for the sake of a name.
    let all = pages.join(" ");
    let measured = made.links.iter().flat_map(|entry| &entry.link.events);
    for loss in measured.filter_map(|event| event.loss.as_ref().ok()) {
        let number = format!("{:.3}", loss.value.db()).replace('-', "−");
        assert!(matrix(&pages).contains(&number), "{number}");
        assert!(all.contains(&format!("{number} ± 0.004")), "{number}");
    }
}

#[test]
fn without_limits_nothing_is_called_a_pass() {
    let shape = Shape {
        is_judged: false,
        ..small()
    };
    let pages = texts(&written(&cable(&shape), Paper::A4).bytes);
    let all = pages.join(" ");
    assert!(all.contains("No limits were asked for; nothing is judged."));
    assert!(
        pages[0].contains("0 pass 0 fail 0 undecided 6 not judged"),
        "{}",
        pages[0]
    );
    assert!(!all.contains("1310 nm · pass"));
}

#[test]
fn a_logo_stands_on_the_cover() {
    let svg = "<svg xmlns='http://www.w3.org/2000/svg' width='200' height='80'>\
               <rect width='200' height='80' fill='#335577'/><circle cx='40' cy='40' r='30' \
               fill='white'/></svg>";
    let mut made = cable(&small());
    made.project.logo_png = Some(bothends::pack::logo::logo_png(svg.as_bytes()).unwrap());
    let document = written(&made, Paper::A4);
    left("cable-logo.pdf", &document);
    let read = Document::load_mem(&document.bytes).unwrap();
    let pages = read.get_pages();
    let images = |number: u32| read.get_page_images(pages[&number]).unwrap().len();
    assert_eq!((images(1), images(2)), (1, 0));
    made.project.logo_png = Some(b"no picture".to_vec());
    let refused = made.with(|content| pdf(content, Paper::A4)).unwrap_err();
    let source = std::error::Error::source(&refused).unwrap().to_string();
    assert!(source.starts_with("the logo cannot be read"), "{source}");
}

/// One link at one wavelength, without a cable.
fn one_link(is_judged: bool) -> Made {
    let mut made = cable(&Shape {
        fibres: 1,
        wavelengths: vec![1550.0],
        is_judged,
        ..Shape::default()
    });
    made.cable = None;
    made
}

/// A single link has no cable: its page and a row in the summary.
#[test]
fn a_link_without_a_cable_is_a_document_too() {
    let made = one_link(true);
    let document = written(&made, Paper::A4);
    let pages = texts(&document.bytes);
    // Cover; settings and summary; what is not within limits; the fibre.
    assert_eq!(pages.len(), 4);
    assert!(pages[1].contains("001 1550 nm 31183.6"), "{}", pages[1]);
}

/// Broken, noisy, crowded, empty, hostile links, with and without a time.
#[test]
fn every_kind_of_link_makes_a_document() {
    let fixtures = [
        links::crowded_link(),
        links::building_link(),
        links::broken_link(),
        links::cordless_link(),
        links::noisy_link(),
        links::empty_link(),
        links::judged_link(),
        links::hostile_link(),
        links::many_events_link(),
    ];
    for (index, (link, profiles)) in fixtures.into_iter().enumerate() {
        let mut made = one_link(false);
        made.profiles = profiles;
        made.report_time = (index % 2 == 0).then(|| "no time at all".to_owned());
        let events = link.events.len();
        made.links[0].link = link;
        for paper in [Paper::A4, Paper::UsLetter] {
            let document = written(&made, paper);
            left(&format!("link-{index}-{paper:?}.pdf"), &document);
            let all = texts(&document.bytes).join(" ");
            assert!(all.contains("What it is"), "{all}");
            assert!(events == 0 || all.contains(&format!("{events} ")));
        }
    }
}

#[test]
#[ignore = "writes large documents for a person to look at and to time"]
fn documents_to_look_at() {
    for (name, fibres, is_judged) in [
        ("cable-plain.pdf", 12, false),
        ("cable-288.pdf", 288, true),
        ("cable-864.pdf", 864, true),
    ] {
        let shape = Shape {
            fibres,
            is_judged,
            ..Shape::default()
        };
        left(name, &written(&cable(&shape), Paper::A4));
    }
}

/// A pack of one link takes three pages: cover, what it rests on with the summary, the
/// fibre, whose figure fills what its table leaves of the page.
#[test]
fn a_single_link_takes_few_pages_and_fills_them() {
    let made = one_link(false);
    for paper in [Paper::A4, Paper::UsLetter] {
        let document = written(&made, paper);
        let pages = texts(&document.bytes);
        assert_eq!(pages.len(), 3, "{pages:#?}");
        let second = &pages[1];
        let places = ["Settings", "Summary", "What is not within limits"];
        let found: Vec<usize> = places.iter().map(|p| second.rfind(p).unwrap()).collect();
        assert!(found.is_sorted(), "{second}");
        assert!(pages[0].contains("1 fibre at 1550 nm"), "{}", pages[0]);
    }
}

/// The words of the figures too, which stand in the document as text.
#[test]
fn figures_speak_in_the_words_of_the_project() {
    let mut made = cable(&small());
    assert!(
        made.wording
            .replace_keyed("figure_row_number", "Nummer".to_owned())
    );
    assert!(
        made.wording
            .replace_keyed("figure_taken_from_a", "von A her".to_owned())
    );
    let pages = texts(&written(&made, Paper::A4).bytes);
    // The letters of a figure are read one by one.
    let last = pages.last().unwrap().replace(' ', "");
    assert!(
        last.contains("Nummer") && last.contains("vonAher"),
        "{last}"
    );
    assert!(
        last.contains("takenfromB") && !last.contains("takenfromA"),
        "{last}"
    );
}
