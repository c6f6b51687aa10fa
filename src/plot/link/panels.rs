//! The lower panels of a link: both traces, what is hidden, the backscatter profile.

use ndarray::Array1;

use super::Extent;
use crate::both_ways::{Event, EventKind, Link, Profiles};
use crate::plot::PlotError;
use crate::plot::canvas::Canvas;
use crate::plot::figure::{FibreAxis, Panel, RIGHT_PX, SMALL};
use crate::plot::joints::Column;
use crate::plot::levels::{
    Cord, Line, Look, Place, STRIP_MARGIN_PX, STRIP_PX, Strip, StripMark, Stroke, cord_names,
    fibre_axis, ground, level_axis, nothing, panel_of_lines, strips,
};
use crate::plot::phrases::{Phrase, Phrases};
use crate::plot::text::Fonts;
use crate::report::number::signed;
use crate::units::Position;

/// Room for the name of a line, beside its stroke and below it.
const LINE_NAME_PX: (f64, f64) = (RIGHT_PX - 40.0, RIGHT_PX - 12.0);
/// Most lines of such a name.
const LINE_NAME_LINES: usize = 3;

/// Where the lower panels stand.
pub(super) struct Heights {
    pub(super) traces: (f64, f64),
    pub(super) strips_top: f64,
    /// None where the backscatter profile is not drawn.
    pub(super) backscatter: Option<(f64, f64)>,
    /// Where the fibre's axis stands.
    pub(super) lowest: f64,
}

#[expect(
    clippy::too_many_arguments,
    reason = "the parts of one figure, each used once"
)]
pub(super) fn levels(
    canvas: &Canvas<'_>,
    fonts: &Fonts,
    axis: &FibreAxis,
    extent: &Extent,
    link: &Link,
    profiles: &Profiles,
    columns: &[Column],
    heights: &Heights,
) -> Result<(), PlotError> {
    let traces = axis.panel(heights.traces.0, heights.traces.1);
    let through = axis.panel(traces.top, heights.lowest);
    let places = places(link, columns);
    let cords = cords(extent);
    ground(canvas, axis, &through, &cords, &places)?;

    let (a_usable, b_usable) = usable(link, extent);
    let both_usable = (b_usable.0, a_usable.1);
    let profile_db =
        |levels: &Array1<f64>| clear_of_dead_zones(link, &profiles.position_m, &levels.to_vec());
    let words = canvas.words;
    let named = |text: &str| fonts.wrapped(text, SMALL, LINE_NAME_PX, LINE_NAME_LINES);
    let line = |stroke, name: &str, y_db: Vec<f64>, usable_m| Line {
        stroke,
        name: named(name),
        x_m: profiles.position_m.to_vec(),
        // Before a trace's own port and behind the far cord there is no fibre.
        y_db: y_db
            .into_iter()
            .zip(&profiles.position_m)
            .map(|(level, x_m)| {
                if (extent.fibre.0..=extent.fibre.1).contains(x_m) {
                    level
                } else {
                    f64::NAN
                }
            })
            .collect(),
        usable_m,
    };
    let link_m = (0.0, extent.length_m.unwrap_or(axis.span.to));
    let mut shown = Vec::new();
    let mut ranges = Vec::new();
    for (line, from_far_end) in [
        (
            line(
                Stroke::FromA,
                words.of(Phrase::TakenFromA),
                profiles.level_a_db.to_vec(),
                a_usable,
            ),
            false,
        ),
        (
            line(
                Stroke::FromB,
                words.of(Phrase::TakenFromB),
                profiles.level_b_db.to_vec(),
                b_usable,
            ),
            true,
        ),
    ] {
        let clear_db = clear_of_dead_zones(link, &profiles.position_m, &line.y_db);
        let line = line.moved_to_own_start(&clear_db, link_m, from_far_end);
        if let Some(range) = line.range(axis) {
            ranges.push(range);
            shown.push(line);
        }
    }
    let two_way_db = profile_db(&profiles.two_way_db);
    let two_way = line(Stroke::TwoWay, "", two_way_db.clone(), both_usable).moved_to_own_start(
        &two_way_db,
        link_m,
        false,
    );
    if let Some((low, high)) = two_way.range(axis) {
        // Below both traces, by a round number that the name can state.
        let lowest = ranges.iter().map(|range| range.0).fold(0.0, f64::min);
        let gap = (0.05 * (high - low)).max(0.1);
        let step = if high - low + lowest.abs() > 2.0 {
            0.5
        } else {
            0.1
        };
        let drop_db = ((high.max(0.0) - lowest + gap) / step).ceil() * step;
        ranges.push((low - drop_db, high - drop_db));
        let mut two_way = two_way;
        for level in &mut two_way.y_db {
            *level -= drop_db;
        }
        let drop = signed(drop_db, 1);
        two_way.name = named(&words.filled(Phrase::TwoWayProfile, &[("drop", &drop)]));
        shown.push(two_way);
    }
    let level = level_axis(
        &ranges,
        0.12,
        [words.of(Phrase::OwnStartAxis), words.of(Phrase::LevelAxis)],
        6,
    );
    panel_of_lines(canvas, fonts, axis, &traces, &level, &shown, false)?;
    cord_names(canvas, fonts, axis, &traces, &cords)?;
    if shown.is_empty() {
        nothing(canvas, &traces, words.of(Phrase::NoLevels))?;
    } else if !shown.iter().any(|line| line.stroke == Stroke::FromB) {
        let traces = Panel {
            bottom: traces.top + 2.0 * STRIP_PX,
            ..traces
        };
        nothing(canvas, &traces, words.of(Phrase::BNotLaid))?;
    }
    strips(
        canvas,
        fonts,
        axis,
        heights.strips_top + STRIP_MARGIN_PX,
        &strips_of(link, axis, extent, words),
    )?;

    let Some(backscatter) = heights.backscatter else {
        let ground = axis.panel(heights.strips_top, heights.lowest);
        return fibre_axis(canvas, fonts, axis, &ground);
    };
    let backscatter = axis.panel(backscatter.0, backscatter.1);
    let backscatter_db = profile_db(&profiles.backscatter_db);
    let profile = line(
        Stroke::TwoWay,
        words.of(Phrase::BackscatterProfile),
        backscatter_db.clone(),
        both_usable,
    )
    .moved_to_own_start(&backscatter_db, link_m, false);
    let ranges: Vec<(f64, f64)> = profile.range(axis).into_iter().collect();
    let level = level_axis(&ranges, 0.1, [words.of(Phrase::BackscatterAxis), "dB"], 4);
    let drawn = [profile];
    let shown = if ranges.is_empty() {
        &drawn[..0]
    } else {
        &drawn[..]
    };
    panel_of_lines(canvas, fonts, axis, &backscatter, &level, shown, true)?;
    if shown.is_empty() {
        nothing(canvas, &backscatter, words.of(Phrase::NoBackscatter))?;
    }
    Ok(())
}

/// Stretches in which each trace stands clear of the noise, cords included.
fn usable(link: &Link, extent: &Extent) -> ((f64, f64), (f64, f64)) {
    let (from, to) = extent.fibre;
    (
        (from, link.a.usable_to.m().min(to)),
        (link.b.usable_to.m().max(from), to),
    )
}

/// A profile without the stretches in which one of its two traces shows
/// something else than fibre.
fn clear_of_dead_zones(link: &Link, x_m: &Array1<f64>, levels_db: &[f64]) -> Vec<f64> {
    let mut clear = levels_db.to_vec();
    let zones = link
        .events
        .iter()
        .flat_map(|event| [event.dead_zone_a, event.dead_zone_b])
        .flatten();
    let x_m = x_m.as_slice().unwrap_or_default();
    for (from, to) in zones {
        let first = x_m.partition_point(|&x_m| x_m < from.m());
        let end = x_m.partition_point(|&x_m| x_m <= to.m());
        if let Some(hidden) = clear.get_mut(first..end) {
            hidden.fill(f64::NAN);
        }
    }
    clear
}

fn places(link: &Link, columns: &[Column]) -> Vec<Place> {
    link.events
        .iter()
        .zip(columns)
        .filter_map(|(event, column)| {
            Some(Place {
                at_m: column.at_m?,
                end_m: event.end.map(Position::m).filter(|end_m| end_m.is_finite()),
                is_emphasised: column.is_emphasised,
                is_echo: event.kind == EventKind::Echo,
            })
        })
        .collect()
}

/// The stretches outside the link.
fn cords(extent: &Extent) -> Vec<Cord> {
    let mut cords = vec![Cord {
        from_m: extent.fibre.0,
        to_m: 0.0,
        name: Phrase::LaunchCord,
        name_at: 0.9,
    }];
    cords.extend(extent.length_m.map(|length_m| Cord {
        from_m: length_m,
        to_m: extent.fibre.1,
        name: Phrase::TailCord,
        name_at: 0.34,
    }));
    cords
}

fn strips_of(link: &Link, axis: &FibreAxis, extent: &Extent, words: &Phrases) -> Vec<Strip> {
    let (a_usable, b_usable) = usable(link, extent);
    let is_broken = link.is_broken();
    let reason = words.of(if is_broken {
        Phrase::BeyondBreak
    } else {
        Phrase::LostInNoise
    });
    let (b_hidden, b_reason) = if link.registration.is_some() {
        ((extent.fibre.0, b_usable.0), reason)
    } else {
        (extent.fibre, words.of(Phrase::BNotOnAxis))
    };
    let sections = link
        .sections
        .iter()
        .map(|section| StripMark {
            from_m: section.from.m(),
            to_m: section.to.m(),
            look: Look::Plain,
            text: signed(section.attenuation.value.db_per_km(), 3),
        })
        .collect();
    let hidden = |zone: fn(&Event) -> Option<(Position, Position)>,
                  look,
                  noise: (f64, f64),
                  reason: &str| {
        let mut marks: Vec<StripMark> = link
            .events
            .iter()
            .filter_map(zone)
            .map(|(from, to)| StripMark {
                from_m: from.m(),
                to_m: to.m(),
                look,
                text: String::new(),
            })
            .collect();
        if noise.1 > noise.0 {
            marks.push(StripMark {
                from_m: noise.0,
                to_m: noise.1,
                look: Look::Noise,
                text: reason.to_owned(),
            });
        }
        marks
    };
    vec![
        Strip {
            name: Phrase::StripFibre,
            marks: sections,
        },
        Strip {
            name: Phrase::StripHiddenA,
            marks: hidden(
                |event| event.dead_zone_a,
                Look::DeadFromA,
                (
                    a_usable.1,
                    if is_broken {
                        axis.span.to
                    } else {
                        extent.fibre.1
                    },
                ),
                reason,
            ),
        },
        Strip {
            name: Phrase::StripHiddenB,
            marks: hidden(
                |event| event.dead_zone_b,
                Look::DeadFromB,
                b_hidden,
                b_reason,
            ),
        },
    ]
}
