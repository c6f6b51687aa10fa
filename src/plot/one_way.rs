//! The figure of one trace.

use super::figure::{FibreAxis, LevelAxis, axes, sheet};
use super::heading::{FOOT_PX, HEADING_PX, Heading, SEPARATOR};
use super::joints::{Column, Columns, MISSING, Wording};
use super::levels::{
    Cord, Line, Look, Place, STRIP_MARGIN_PX, STRIP_PX, Strip, StripMark, Stroke, cord_names,
    ground, level_axis, nothing, panel_of_lines, strips,
};
use super::phrases::{Phrase, Phrases};
use super::text::Fonts;
use super::{PlotError, PlotSettings};
use crate::measure::{OneWay, OneWayKind};
use crate::report::number::{loss_and_error_db, signed};
use crate::report::plain_text;
use crate::trace::Trace;

/// Space for the ticks and name of the fibre's axis.
const AXIS_PX: f64 = 46.0;
/// Height of the columns, as a share of what the heading leaves.
const COLUMNS_SHARE: f64 = 0.48;
/// Standard errors by which a reading must be negative to be called an apparent gain.
const CLEAR_OF_NOISE: f64 = 2.0;

/// Draws one trace with its apparent losses, and says that they are apparent.
///
/// # Errors
/// [`PlotError::Size`] or [`PlotError::TooSmall`] for a size that cannot be;
/// [`PlotError::Drawing`] if the drawing library refuses.
pub fn one_way_svg(
    trace: &Trace,
    one_way: &OneWay,
    settings: &PlotSettings,
) -> Result<String, PlotError> {
    let fonts = Fonts::new()?;
    sheet(settings, PlotSettings::LEAST_HEIGHT, |canvas| {
        let words = canvas.words;
        let (width, height) = (f64::from(settings.width), f64::from(settings.height));
        let start_m = one_way.link_from.m();
        let first_m = trace.distances_m().first().copied().unwrap_or(0.0) - start_m;
        let last_m = trace.distances_m().last().copied().unwrap_or(0.0) - start_m;
        let last_event_m = one_way
            .events
            .iter()
            .map(|event| event.position.value.m() - start_m)
            .fold(one_way.usable_to.m() - start_m, f64::max);
        let axis = FibreAxis {
            name: Phrase::OneWayFibreAxis,
            ..FibreAxis::new(first_m, last_m.min(last_event_m * 1.03 + 1.0), width)
        }
        .with_room_for(one_way.events.len());
        heading(trace, one_way, settings).draw(canvas, &fonts, width, height)?;

        let columns = columns(one_way, &axis, words);
        let columns_bottom = HEADING_PX + COLUMNS_SHARE * (height - HEADING_PX);
        Columns::new(&columns, &axis, &fonts).draw(
            canvas,
            &fonts,
            &axis,
            (HEADING_PX, columns_bottom),
            Wording {
                axis: [
                    words.of(Phrase::OneWayAxis),
                    words.of(Phrase::LossAxisShort),
                ],
                values: words.of(Phrase::OneWayValues),
                is_two_way: false,
                is_brief: false,
            },
            settings.reference.db(),
        )?;

        let lowest = height - FOOT_PX - AXIS_PX;
        let strips_top = lowest - STRIP_PX * 2.0 - 2.0 * STRIP_MARGIN_PX;
        let panel = axis.panel(columns_bottom, strips_top);
        let places: Vec<Place> = one_way
            .events
            .iter()
            .map(|event| Place {
                at_m: event.position.value.m() - start_m,
                end_m: None,
                is_emphasised: false,
                is_echo: event.kind == OneWayKind::Echo,
            })
            .collect();
        let cords = cords(one_way, &axis);
        ground(
            canvas,
            &axis,
            &axis.panel(panel.top, lowest),
            &cords,
            &places,
        )?;
        let line = Line {
            stroke: Stroke::FromA,
            name: vec![words.of(Phrase::OneWayTrace).to_owned()],
            x_m: trace
                .distances_m()
                .iter()
                .map(|x_m| x_m - start_m)
                .collect(),
            y_db: trace.levels_db().to_vec(),
            usable_m: (f64::NEG_INFINITY, one_way.usable_to.m() - start_m),
        }
        .moved_to_own_start(
            trace.levels_db().as_slice().unwrap_or_default(),
            (0.0, axis.span.to),
            false,
        );
        let ranges: Vec<(f64, f64)> = line.range(&axis).into_iter().collect();
        let level = level_axis(
            &ranges,
            0.15,
            [
                words.of(Phrase::OneWayStartAxis),
                words.of(Phrase::LevelAxis),
            ],
            7,
        );
        let drawn = [line];
        let shown = if ranges.is_empty() {
            &drawn[..0]
        } else {
            &drawn[..]
        };
        panel_of_lines(canvas, &fonts, &axis, &panel, &level, shown, false)?;
        let bare = LevelAxis {
            from: 0.0,
            to: 1.0,
            names: ["", ""],
            ticks: 0,
        };
        axes(
            canvas,
            &fonts,
            &axis.panel(strips_top, lowest),
            &bare,
            Some(&axis),
        )?;
        cord_names(canvas, &fonts, &axis, &panel, &cords)?;
        if shown.is_empty() {
            nothing(canvas, &panel, words.of(Phrase::NoLevels))?;
        }
        strips(
            canvas,
            &fonts,
            &axis,
            strips_top + STRIP_MARGIN_PX,
            &strips_of(one_way, &axis, words),
        )
    })
}

fn heading(trace: &Trace, one_way: &OneWay, settings: &PlotSettings) -> Heading {
    let words = &settings.words;
    let header = trace.header();
    let named = |name: &Option<String>| {
        name.as_deref()
            .map_or_else(|| words.of(Phrase::NotNamed).to_owned(), plain_text)
    };
    let length = one_way.link_to.map_or_else(
        || words.of(Phrase::OneWayNoEnd).to_owned(),
        |end| {
            let length = signed((end.value - one_way.link_from).km(), 3);
            words.filled(Phrase::Length, &[("length", &length), ("unit", "km")])
        },
    );
    let value = |phrase, value: String| words.filled(phrase, &[("value", &value)]);
    let mut foot = vec![
        value(Phrase::Pulse, format!("{} ns", trace.pulse_width().ns())),
        value(Phrase::GroupIndex, trace.group_index().ratio().to_string()),
        value(
            Phrase::Spacing,
            format!("{} m", signed(trace.spacing_m(), 3)),
        ),
    ];
    if let Some(seconds) = header.averaging_time_s {
        foot.push(value(Phrase::Averaging, format!("{seconds} s")));
    }
    foot.extend(settings.program.as_deref().map(plain_text));
    Heading {
        title: words.filled(
            Phrase::OneWayTitle,
            &[
                ("cable", &named(&header.cable)),
                ("fibre", &named(&header.fibre)),
                ("wavelength", &trace.wavelength().nm().to_string()),
            ],
        ),
        ends: vec![words.filled(
            Phrase::OneWayEnds,
            &[("from", &named(&header.from)), ("to", &named(&header.to))],
        )],
        identity: length,
        message: words.of(Phrase::OneWayMessage).to_owned(),
        detail: words.of(Phrase::OneWayDetail).to_owned(),
        verdict: None,
        foot: foot.join(SEPARATOR),
    }
}

fn columns(one_way: &OneWay, axis: &FibreAxis, words: &Phrases) -> Vec<Column> {
    one_way
        .events
        .iter()
        .enumerate()
        .map(|(index, event)| {
            let at_m = (event.position.value - one_way.link_from).m();
            let reading = loss_and_error_db(&event.loss);
            let is_gain = reading.is_some_and(|(loss_db, error_db)| {
                error_db.is_some_and(|error_db| loss_db < -CLEAR_OF_NOISE * error_db)
            });
            Column {
                number: index + 1,
                at_m: Some(at_m).filter(|at_m| at_m.is_finite()),
                kind: words
                    .of(match event.kind {
                        OneWayKind::NonReflective => Phrase::NoReflection,
                        OneWayKind::Reflective => Phrase::Reflective,
                        OneWayKind::Echo => Phrase::KindEcho,
                        OneWayKind::End => Phrase::KindEnd,
                    })
                    .to_owned(),
                place: axis.place(at_m),
                value: reading
                    .map_or_else(|| MISSING.to_owned(), |(loss_db, _)| signed(loss_db, 3)),
                from_a: reading.map(|(loss_db, _)| loss_db),
                remarks: if is_gain {
                    [Phrase::OneWayGain, Phrase::OneWayGainShort]
                        .map(|phrase| words.of(phrase).to_owned())
                        .to_vec()
                } else {
                    Vec::new()
                },
                ..Column::default()
            }
        })
        .collect()
}

fn cords(one_way: &OneWay, axis: &FibreAxis) -> Vec<Cord> {
    let mut cords = vec![Cord {
        from_m: axis.span.from,
        to_m: 0.0,
        name: Phrase::LaunchCord,
        name_at: 0.7,
    }];
    cords.extend(one_way.link_to.map(|end| Cord {
        from_m: (end.value - one_way.link_from).m(),
        to_m: axis.span.to,
        name: Phrase::OneWayBeyond,
        name_at: 0.3,
    }));
    cords
}

fn strips_of(one_way: &OneWay, axis: &FibreAxis, words: &Phrases) -> Vec<Strip> {
    let from_start = |position: crate::units::Position| (position - one_way.link_from).m();
    let sections = one_way
        .sections
        .iter()
        .map(|section| StripMark {
            from_m: from_start(section.from),
            to_m: from_start(section.to),
            look: Look::Plain,
            text: signed(section.attenuation.value.db_per_km(), 3),
        })
        .collect();
    let mut hidden: Vec<StripMark> = one_way
        .events
        .iter()
        .map(|event| StripMark {
            from_m: from_start(event.dead_zone.0),
            to_m: from_start(event.dead_zone.1),
            look: Look::DeadFromA,
            text: String::new(),
        })
        .collect();
    let usable_m = from_start(one_way.usable_to);
    if usable_m < axis.span.to {
        hidden.push(StripMark {
            from_m: usable_m,
            to_m: axis.span.to,
            look: Look::Noise,
            text: words.of(Phrase::LostInNoise).to_owned(),
        });
    }
    vec![
        Strip {
            name: Phrase::StripFibre,
            marks: sections,
        },
        Strip {
            name: Phrase::OneWayHidden,
            marks: hidden,
        },
    ]
}
