//! Figures of hand-written links: what they say, where the marks stand, and
//! that no text covers another. Boxes of text come from the SVG library's own
//! text layout, not from the widths that the figure was laid out with.
#![expect(clippy::unwrap_used, reason = "a failure here is the test's failure")]

use std::path::Path;
use std::sync::Arc;

use bothends::both_ways::{Link, Profiles};
use bothends::plot::{self, Phrase, Phrases, PlotError, PlotSettings};
use proptest::prelude::*;
use resvg::usvg::{self, Rect};

use crate::links;

/// Every fixture with its name.
fn all_links() -> Vec<(&'static str, (Link, Profiles))> {
    vec![
        ("country", links::country_link()),
        ("crowded", links::crowded_link()),
        ("building", links::building_link()),
        ("broken", links::broken_link()),
        ("cordless", links::cordless_link()),
        ("noisy", links::noisy_link()),
        ("empty", links::empty_link()),
        ("judged", links::judged_link()),
        ("hostile", links::hostile_link()),
        ("many", links::many_events_link()),
    ]
}

fn drawn(link: &(Link, Profiles)) -> String {
    plot::link_svg(&link.0, &link.1, &PlotSettings::default()).unwrap()
}

/// Texts of a drawing with their boxes in pixels of the picture.
fn texts(svg: &str) -> Vec<(String, Rect)> {
    let mut fonts = usvg::fontdb::Database::new();
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("src/plot/fonts");
    for file in ["DejaVuSans.ttf", "DejaVuSans-Bold.ttf"] {
        fonts.load_font_data(std::fs::read(folder.join(file)).unwrap());
    }
    fonts.set_sans_serif_family("DejaVu Sans");
    let options = usvg::Options {
        fontdb: Arc::new(fonts),
        ..usvg::Options::default()
    };
    let tree = usvg::Tree::from_str(svg, &options).unwrap();
    let mut found = Vec::new();
    collect(tree.root(), &mut found);
    found
}

fn collect(group: &usvg::Group, found: &mut Vec<(String, Rect)>) {
    for node in group.children() {
        match node {
            usvg::Node::Group(group) => collect(group, found),
            usvg::Node::Text(text) => {
                let words = text.chunks().iter().map(usvg::TextChunk::text).collect();
                found.push((words, text.abs_bounding_box()));
            }
            _ => {}
        }
    }
}

/// Pairs of texts that overlap by more than half a pixel each way.
fn overlapping(texts: &[(String, Rect)]) -> Vec<String> {
    let mut found = Vec::new();
    for (index, (one, one_box)) in texts.iter().enumerate() {
        for (other, other_box) in &texts[..index] {
            let wide =
                one_box.right().min(other_box.right()) - one_box.left().max(other_box.left());
            let high =
                one_box.bottom().min(other_box.bottom()) - one_box.top().max(other_box.top());
            if wide > 0.5 && high > 0.5 {
                found.push(format!("{other:?} and {one:?} by {wide} × {high}"));
            }
        }
    }
    found
}

#[test]
fn no_text_covers_another_or_leaves_the_sheet() {
    let mut faults = Vec::new();
    for (name, link) in all_links() {
        for (width, height) in [(1600, 1000), (1000, 800), (800, 700), (2400, 1200)] {
            let settings = PlotSettings {
                width,
                height,
                program: Some("bothends 0.1.0".to_owned()),
                ..PlotSettings::default()
            };
            let svg = plot::link_svg(&link.0, &link.1, &settings).unwrap();
            let texts = texts(&svg);
            assert!(texts.len() > 20, "{name}: the drawing has no labels");
            let found = overlapping(&texts);
            faults.extend(
                found
                    .iter()
                    .map(|fault| format!("{name} at {width}: {fault}")),
            );
            for (text, bounds) in &texts {
                let inside = bounds.left() >= 0.0
                    && bounds.top() >= 0.0
                    && bounds.right() <= width as f32
                    && bounds.bottom() <= height as f32;
                if !inside {
                    faults.push(format!("{name} at {width}: {text:?} at {bounds:?}"));
                }
            }
        }
    }
    assert!(faults.is_empty(), "{faults:#?}");
}

#[test]
fn no_text_covers_another_or_leaves_the_sheet_in_a_brief_figure() {
    let mut faults = Vec::new();
    for (name, link) in all_links() {
        for (width, height) in [
            (1000, 300),
            (1000, 400),
            (1000, 470),
            (1000, 750),
            (800, 300),
        ] {
            let settings = PlotSettings {
                width,
                height,
                ..PlotSettings::default()
            };
            let svg = plot::brief_link_svg(&link.0, &link.1, &settings).unwrap();
            let texts = texts(&svg);
            assert!(texts.len() > 10, "{name}: the drawing has no labels");
            let found = overlapping(&texts);
            faults.extend(
                found
                    .iter()
                    .map(|fault| format!("{name} at {width} × {height}: {fault}")),
            );
            for (text, bounds) in &texts {
                let inside = bounds.left() >= 0.0
                    && bounds.top() >= 0.0
                    && bounds.right() <= width as f32
                    && bounds.bottom() <= height as f32;
                if !inside {
                    faults.push(format!(
                        "{name} at {width} × {height}: {text:?} at {bounds:?}"
                    ));
                }
            }
        }
    }
    assert!(faults.is_empty(), "{faults:#?}");
}

/// Every text of a figure in capitals, its places in braces as they are: words that no
/// wording reaches stay small, and capitals are about a fifth wider than small letters.
fn capitals() -> Phrases {
    let mut words = Phrases::default();
    for phrase in Phrase::ALL {
        let mut is_inside = false;
        let text: String = phrase
            .english()
            .chars()
            .map(|letter| {
                is_inside = (is_inside || letter == '{') && letter != '}';
                if is_inside {
                    letter
                } else {
                    letter.to_ascii_uppercase()
                }
            })
            .collect();
        words.replace(*phrase, &text);
    }
    words
}

/// Small letters side by side, three or more: units have fewer.
fn small_words(text: &str) -> Vec<&str> {
    text.split(|letter: char| !letter.is_ascii_lowercase())
        .filter(|word| word.len() > 2)
        .collect()
}

#[test]
fn every_word_of_a_figure_can_be_another_and_wider() {
    let settings = PlotSettings {
        words: capitals(),
        ..PlotSettings::default()
    };
    let brief = PlotSettings {
        width: 1000,
        height: 400,
        ..settings.clone()
    };
    for (name, (mut link, profiles)) in all_links() {
        link.from = Some("A".to_owned());
        link.to = None;
        link.cable = None;
        link.fibre = Some("17".to_owned());
        for event in &mut link.events {
            event.joint = event.joint.as_ref().map(|joint| joint.to_uppercase());
        }
        let drawn = [
            plot::link_svg(&link, &profiles, &settings).unwrap(),
            plot::brief_link_svg(&link, &profiles, &brief).unwrap(),
        ];
        for svg in drawn {
            let texts = texts(&svg);
            for (text, _) in &texts {
                assert!(small_words(text).is_empty(), "{name}: {text}");
            }
            let found = overlapping(&texts);
            assert!(found.is_empty(), "{name}: {found:#?}");
        }
    }
    for (trace, one_way) in [links::country_trace(), links::one_direction()] {
        let svg = plot::one_way_svg(&trace, &one_way, &settings).unwrap();
        let header = trace.header();
        let names = [&header.cable, &header.fibre, &header.from, &header.to];
        for (mut text, _) in texts(&svg) {
            for name in names.into_iter().flatten() {
                text = text.replace(name.as_str(), "");
            }
            assert!(small_words(&text).is_empty(), "{text}");
        }
    }
}

/// With names that fill several lines, length and loss still stand behind them.
#[test]
fn long_names_leave_room_for_what_was_measured() {
    let (mut link, profiles) = links::country_link();
    let long = "equipment room on the second floor, rack row C, frame fourteen, north side";
    link.from = Some(format!("Harrow Lane, {long}"));
    link.to = Some(format!("Mill Bridge, {long}"));
    let svg = plot::link_svg(&link, &profiles, &PlotSettings::default()).unwrap();
    let line = texts(&svg)
        .into_iter()
        .map(|(text, _)| text)
        .find(|text| text.contains("A: Harrow Lane"))
        .unwrap();
    let line = line.split_whitespace().collect::<Vec<_>>().join(" ");
    for wanted in ["… · B: Mill Bridge", "two-way loss", "dB/km"] {
        assert!(line.contains(wanted), "{wanted:?} in {line}");
    }
}

#[test]
fn no_text_covers_another_in_the_figure_of_one_trace() {
    for (trace, one_way) in [links::country_trace(), links::one_direction()] {
        let svg = plot::one_way_svg(&trace, &one_way, &PlotSettings::default()).unwrap();
        let found = overlapping(&texts(&svg));
        assert!(found.is_empty(), "{found:#?}");
    }
}

#[test]
fn the_words_of_a_country_link() {
    let words: Vec<String> = texts(&drawn(&links::country_link()))
        .into_iter()
        .map(|(text, _)| text.trim().to_owned())
        .collect();
    insta::assert_snapshot!(words.join("\n"));
}

#[test]
fn the_figure_names_the_bad_joint_and_the_gains_that_are_none() {
    let svg = drawn(&links::country_link());
    assert!(svg.contains("among splices: splice 5, 0.312 ± 0.004 dB (closure 4)"));
    assert!(svg.contains("largest two-way loss of a splice"));
    assert!(svg.contains("gain from A, bad from B: backscatter difference only"));
    assert!(svg.contains("gain from B only: backscatter difference"));
    assert!(svg.contains("0.15 dB for splices"));
    for axis in [
        "km of fibre from A's first connector",
        "loss at the joint, dB",
        "level from own start, dB",
        "backscatter, dB",
    ] {
        // The apostrophe is written as an entity.
        let axis = axis.replace('\'', "&apos;");
        assert!(svg.contains(&axis), "{axis}");
    }
}

#[test]
fn a_judged_link_shows_its_limits_and_not_the_reference() {
    let svg = drawn(&links::judged_link());
    assert!(svg.contains("FAIL") && svg.contains("undecided"));
    assert!(svg.contains("short dashes: limit"));
    assert!(!svg.contains("common"));
}

#[test]
fn every_event_has_one_line_at_its_pixel() {
    let link = links::country_link();
    let svg = drawn(&link);
    // Each line of a path is a move and its steps: here one step down, `M652 100v1300`.
    let vertical: Vec<i32> = svg
        .lines()
        .filter_map(|line| line.split(" d=\"").nth(1)?.split('"').next())
        .flat_map(|path| path.split('M'))
        .filter_map(|line| {
            let (start, down) = line.split_once('v')?;
            let (x, _) = start.split_once(' ')?;
            // Long enough to run through the panels: 300 pixels of four units.
            let down: i32 = down.parse().ok()?;
            (down.abs() > 1200).then(|| x.parse().ok())?
        })
        .collect();
    // The axis runs from 1,000 m of cord and a margin of 1 % of the link before A to as much
    // behind B, between 112 px and 1600 − 172 px; four units are one pixel.
    let margin_m = 1000.0 + 0.01 * 31_183.6;
    for event in &link.0.events {
        let share = (event.position.value.m() + margin_m) / (31_183.6 + 2.0 * margin_m);
        let expected = 4.0 * (112.0 + share * (1600.0 - 172.0 - 112.0));
        let lines = vertical
            .iter()
            .filter(|&&x| (f64::from(x) - expected).abs() <= 0.5)
            .count();
        assert_eq!(lines, 1, "event {} at {expected}", event.number);
    }
}

#[test]
fn the_same_link_gives_the_same_bytes() {
    for (name, link) in all_links() {
        let (one, other) = (drawn(&link), drawn(&link));
        assert!(one == other, "{name}");
    }
    let svg = drawn(&links::building_link());
    let (one, other) = (
        plot::png_from_svg(&svg, 800).unwrap(),
        plot::png_from_svg(&svg, 800).unwrap(),
    );
    assert!(one == other);
}

#[test]
fn the_root_states_the_size_asked_for() {
    let svg = drawn(&links::empty_link());
    assert!(svg.starts_with("<svg width=\"1600\" height=\"1000\" stroke-linejoin=\"round\""));
    assert!(svg.contains("viewBox=\"0 0 6400 4000\""));
}

#[test]
fn a_png_has_the_width_asked_for_and_the_same_shape() {
    let png = plot::png_from_svg(&drawn(&links::empty_link()), 800).unwrap();
    assert_eq!(&png[..8], b"\x89PNG\r\n\x1a\n");
    // The header chunk holds width and height as big-endian words at 16 and 20.
    assert_eq!(&png[16..24], &[0, 0, 3, 32, 0, 0, 1, 244]);
}

#[test]
fn a_trace_that_holds_no_level_is_said_to_hold_none() {
    let (link, mut profiles) = links::country_link();
    for levels in [
        &mut profiles.level_a_db,
        &mut profiles.level_b_db,
        &mut profiles.two_way_db,
        &mut profiles.backscatter_db,
    ] {
        levels.fill(f64::NAN);
    }
    let svg = plot::link_svg(&link, &profiles, &PlotSettings::default()).unwrap();
    assert!(svg.contains("no levels to draw"));
    assert!(!svg.contains("NaN"));
}

#[test]
fn a_broken_fibre_says_where_from_both_ends() {
    let svg = drawn(&links::broken_link());
    assert!(svg.contains("The fibre is interrupted 12.400 km from A, 18.700 km from B"));
    assert!(svg.contains("the trace taken from B cannot be laid on A&apos;s axis"));
}

#[test]
fn one_direction_is_said_not_to_tell_the_bad_joint() {
    let (trace, one_way) = links::country_trace();
    let svg = plot::one_way_svg(&trace, &one_way, &PlotSettings::default()).unwrap();
    assert!(svg.contains("One direction cannot tell which joint is bad"));
    assert!(svg.contains("apparent gain: the fibre behind scatters more"));
    assert!(!svg.contains("two-way"));
}

#[test]
fn refuses_a_size_that_cannot_be() {
    let (link, profiles) = links::empty_link();
    let with = |width, height| {
        let settings = PlotSettings {
            width,
            height,
            ..PlotSettings::default()
        };
        plot::link_svg(&link, &profiles, &settings)
    };
    assert!(matches!(with(300, 1000), Err(PlotError::TooSmall { .. })));
    assert!(matches!(with(1600, 60_000), Err(PlotError::Size { .. })));
    let svg = drawn(&links::empty_link());
    assert!(matches!(
        plot::png_from_svg(&svg, 0),
        Err(PlotError::Size { .. })
    ));
    assert!(matches!(
        plot::png_from_svg(&svg, 100_000),
        Err(PlotError::Size { .. })
    ));
    assert!(matches!(
        plot::png_from_svg("<p>", 100),
        Err(PlotError::Svg(_))
    ));
}

/// Writes every figure as PNG for a person to look at:
/// `FIGURES=folder cargo test --test it figures_to_look_at -- --ignored`.
#[test]
#[ignore = "writes files for a person to look at"]
fn figures_to_look_at() {
    #[expect(
        clippy::disallowed_methods,
        reason = "a folder for a person, not a result"
    )]
    let folder = std::path::PathBuf::from(std::env::var("FIGURES").unwrap());
    std::fs::create_dir_all(&folder).unwrap();
    let mut figures: Vec<(&str, String)> = all_links()
        .iter()
        .map(|(name, link)| (*name, drawn(link)))
        .collect();
    let (trace, one_way) = links::country_trace();
    let svg = plot::one_way_svg(&trace, &one_way, &PlotSettings::default()).unwrap();
    figures.push(("one_way", svg));
    let small = PlotSettings {
        width: 900,
        height: 700,
        ..PlotSettings::default()
    };
    let (link, profiles) = links::country_link();
    figures.push(("small", plot::link_svg(&link, &profiles, &small).unwrap()));
    for (name, svg) in figures {
        let png = plot::png_from_svg(&svg, 1600).unwrap();
        std::fs::write(folder.join(format!("{name}.png")), png).unwrap();
    }
}

/// Found by the test below, its least case: losses and steps of invented joints whose
/// backscatter lies far from zero in a narrow range. Labels of three decimals ran into
/// the name of their axis.
#[test]
fn long_labels_leave_room_for_the_name_of_their_axis() {
    let at_a = [
        (1.900_949_201_060_530_4, 0.0),
        (2.754_104_465_206_486, 0.0),
        (1.882_575_119_526_188, 0.0),
        (0.390_110_378_803_006_6, 0.0),
        (0.574_135_250_779_675_3, 0.0),
        (-0.223_427_957_957_758_05, 0.0),
        (0.958_174_307_899_357_3, 0.0),
        (2.855_921_614_859_052_5, 0.0),
        (0.027_723_190_304_579_867, 0.487_472_596_288_665_5),
        (2.846_238_787_596_804_7, -0.043_847_278_150_114_52),
        (2.893_782_328_687_026, -0.386_111_302_093_660_3),
        (1.663_228_702_099_229_4, -0.910_729_268_970_363),
    ];
    let farther = [
        (
            13_960.293_034_444_9,
            1.416_912_637_701_37,
            -0.578_918_724_676_399_4,
        ),
        (
            16_465.901_358_978_525,
            0.967_943_547_451_143_4,
            0.808_449_578_391_53,
        ),
        (
            19_170.101_136_748_98,
            1.423_564_075_253_407_8,
            0.632_772_067_245_055_4,
        ),
    ];
    let mut joints = Vec::new();
    for (loss_db, step_db) in at_a {
        joints.push(links::splice(0.0, loss_db, step_db));
    }
    for (at_m, loss_db, step_db) in farther {
        joints.push(links::splice(at_m, loss_db, step_db));
    }
    let svg = drawn(&links::of_joints(20_000.0, 0.0, joints));
    assert_eq!(overlapping(&texts(&svg)), Vec::<String>::new());
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 48, failure_persistence: None, ..ProptestConfig::default() })]

    /// Joints anywhere, as many and as close as they come, with any loss and step.
    #[test]
    fn no_text_covers_another_whatever_the_joints(
        mut joints in prop::collection::vec(
            (0.0_f64..20_000.0, -0.3_f64..3.0, -1.0_f64..1.0),
            0..45,
        ),
        cord_m in prop::sample::select(vec![0.0, 20.0, 1000.0]),
    ) {
        joints.sort_by(|one, other| one.0.total_cmp(&other.0));
        let joints: Vec<_> = joints
            .into_iter()
            .map(|(at_m, loss_db, step_db)| links::splice(at_m, loss_db, step_db))
            .collect();
        let link = links::of_joints(20_000.0, cord_m, joints);
        let svg = drawn(&link);
        let found = overlapping(&texts(&svg));
        prop_assert!(found.is_empty(), "{:#?}", found);
        prop_assert!(!svg.contains("NaN"));
    }
}
