//! The sheet for a closure: form of a whole one, and what is not known on it.

use bothends::both_ways::Verdict;
use bothends::cable::{Fibre, VisitStep};
use bothends::report::{CAUTIONS, SheetJoint, UsualLoss, VisitSheet, visit_sheet_text};
use bothends::units::{Length, Loss, Measured, Position, Wavelength};

fn db(value: f64, error: f64) -> Measured<Loss> {
    Measured {
        value: Loss::from_db(value),
        std_error: Some(Loss::from_db(error)),
    }
}

fn sheet() -> VisitSheet {
    VisitSheet {
        cable: Some("RT-24".into()),
        from: Some("Rowan Mast".into()),
        to: Some("Tern Quay".into()),
        closure: "closure 4".into(),
        chainage_from_a: Some(Length::from_m(5480.0)),
        chainage_from_b: Some(Length::from_m(3670.0)),
        usual: vec![UsualLoss {
            wavelength: Wavelength::from_nm(1550.0),
            measured: 23,
            mean: Some(Loss::from_db(0.036)),
        }],
        joints: vec![
            SheetJoint {
                rank: 1,
                fibre: Fibre {
                    name: "017".into(),
                    tube: Some("blue".into()),
                    colour: Some("white".into()),
                },
                wavelength: Wavelength::from_nm(1550.0),
                from_a: Position::from_m(5662.4),
                from_b: Some(Length::from_m(3754.9)),
                loss: db(0.31, 0.004),
                loss_a_to_b: Some(Loss::from_db(0.274)),
                loss_b_to_a: Some(Loss::from_db(0.346)),
                forced: Some(db(0.001, 0.0003)),
                workmanship: Some(db(0.309, 0.004)),
                expected_after: Some(Loss::from_db(0.037)),
                expected_from: "forced share plus the cable's usual workmanship".into(),
                link_verdict_after: Verdict::Pass,
            },
            SheetJoint {
                rank: 2,
                fibre: Fibre {
                    name: "004".into(),
                    tube: None,
                    colour: None,
                },
                wavelength: Wavelength::from_nm(1550.0),
                from_a: Position::from_m(5660.1),
                from_b: None,
                loss: db(0.21, 0.006),
                loss_a_to_b: None,
                loss_b_to_a: None,
                forced: None,
                workmanship: None,
                expected_after: None,
                expected_from: "too few good joints".into(),
                link_verdict_after: Verdict::NotJudged,
            },
        ],
        steps: vec![
            VisitStep {
                step: "opening the closure".into(),
                times: 1,
                seconds: 900.0,
                given: true,
            },
            VisitStep {
                step: "fusion".into(),
                times: 2,
                seconds: 15.0,
                given: false,
            },
        ],
        seconds: 930.0,
        not_counted: vec!["reaching the closure".into(), "dressing the tray".into()],
    }
}

#[test]
fn a_sheet_says_where_what_how_long_and_what_can_hurt() {
    insta::assert_snapshot!(visit_sheet_text(&sheet()), @r"
    VISIT SHEET  closure 4
    ────────────────────────────────────────────────────────────────────────────────
    cable       RT-24, from Rowan Mast (A) to Tern Quay (B)
    route       5480.0 m from A, 3670.0 m from B along the cable
    usual here  0.036 dB at 1550 nm (mean of 23 fibres)
    to do       2 joints; 16 min and what is not counted below

    JOINTS TO SPLICE AGAIN

    [ ] fibre 017, tube blue, colour white
        place   5662.4 m of fibre from A's connector, 3754.9 m from B's
        loss    0.310 ± 0.004 dB two-way at 1550 nm (0.274 from A, 0.346 from B)
        of it   work can win 0.309 ± 0.004 dB; the two fibres force up to 0.0010 ±
                0.0003 dB
        after   0.037 dB (forced share plus the cable's usual workmanship)
        link    then passes, with all joints of it on the list done as expected
        new     estimate ________ dB measured two-way ________ dB
                date ____________ machine __________ arcs _______ by __________

    [ ] fibre 004
        place   5660.1 m of fibre from A's connector, from B not known (length not
                measured)
        loss    0.210 ± 0.006 dB two-way at 1550 nm (— from A, — from B)
        of it   what work can win cannot be said
        after   cannot be said (too few good joints)
        link    then not judged: no limits were given
        new     estimate ________ dB measured two-way ________ dB
                date ____________ machine __________ arcs _______ by __________

    TIME
    - opening the closure: 15 min (given)
    - fusion: 2 × 15 s = 30 s (common practice, no source)
    - not counted, no time given: reaching the closure, dressing the tray
    - together: 16 min

    CAUTIONS
    Local rules, the owner's method statement and licensed practice come before this
    sheet. It is a calculation, not a permit.
    - Laser light: It cannot be seen at these wavelengths. Make sure that every
      source and all traffic on the fibres is off, and stays off, before they are
      opened. Never look into a fibre, connector or port, least of all through a
      microscope.
    - Glass: Wear eye protection. Scraps of fibre go into a closed container at
      once; no food or drink at the bench; wash hands afterwards.
    - Splicing machine: It makes an arc at high voltage. Never switch it on in gas,
      vapour or dust that can burn, and keep its cover closed.
    - Cable: Its metal parts may be live, and other cables beside it may carry mains
      or feeding voltage. Test and earth as the owner's rules say; leave the rest to
      people licensed for it.
    - Chamber, pole and road: Chambers hold gas and too little air: test before and
      while inside, and never go in alone. Mind traffic and heights. Entry, climbing
      and road works need their own permits.
    ");
}

#[test]
fn no_line_is_longer_than_the_page_and_no_caution_is_missing() {
    let mut sheet = sheet();
    sheet.closure = "chamber by the old weighbridge, second from the gate, left wall".into();
    sheet.joints[0].fibre.name = "a name that somebody thought would help to find it again".into();
    let text = visit_sheet_text(&sheet);
    for line in text.lines() {
        assert!(line.chars().count() <= 80, "{line}");
    }
    for (what, _) in CAUTIONS {
        assert!(text.contains(what), "{what}");
    }
}
