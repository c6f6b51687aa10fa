//! The PDF of a pack, read back by another library.
#![expect(clippy::unwrap_used, reason = "a failure here is the test's failure")]

pub(crate) mod cable;

use std::collections::BTreeSet;
use std::path::Path;

use bothends::pack::pdf::{Paper, Pdf, pdf};
use lopdf::{Document, Object};

use self::cable::{Made, Shape, cable};

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

#[test]
fn a_cable_on_paper() {
    let made = cable(&Shape::default());
    let document = written(&made, Paper::A4);
    left("cable-24.pdf", &document);
    let pages = texts(&document.bytes);
    println!("{:#?}", &pages[..6]);
    assert_eq!(pages.len(), document.pages);
}

#[test]
#[ignore = "only for looking"]
fn all_kinds() {
    let shapes = [
        ("cable-288.pdf", Shape { fibres: 288, ..Shape::default() }),
        ("cable-plain.pdf", Shape { fibres: 12, is_judged: false, ..Shape::default() }),
        (
            "cable-long.pdf",
            Shape {
                fibres: 24,
                prefix: "Backbone ring north, tube and tray as labelled in the frame room, fibre ".to_owned(),
                joint: "Chamber by the old weighbridge behind the pumping station, closure".to_owned(),
                from: "The pumping station beyond the second bridge on the upper road".to_owned(),
                to: "Überlandleitungszwischenverteilerschrankschlüsselverwaltungsgebäude".to_owned(),
                title: "Renewal of the backbone between the pumping station beyond the second bridge and everything that lies to the north of it, third stage, lot 17".to_owned(),
                ..Shape::default()
            },
        ),
        (
            "cable-greek.pdf",
            Shape {
                fibres: 3,
                prefix: "ίνα ".to_owned(),
                joint: "муфта".to_owned(),
                from: "Ωρωπός".to_owned(),
                to: "Жуковка 駅前".to_owned(),
                ..Shape::default()
            },
        ),
    ];
    for (name, shape) in shapes {
        let document = written(&cable(&shape), Paper::A4);
        println!(
            "{name} {} {} {:?}",
            document.pages,
            document.bytes.len(),
            document.warning()
        );
        left(name, &document);
    }
    let document = written(&cable(&Shape::default()), Paper::UsLetter);
    left("cable-letter.pdf", &document);
}

#[test]
#[ignore = "only for measuring"]
fn large() {
    let made = cable(&Shape {
        fibres: 864,
        ..Shape::default()
    });
    let document = written(&made, Paper::A4);
    println!("{} {}", document.pages, document.bytes.len());
    left("cable-864.pdf", &document);
}
