//! Settings with which the limits cannot be judged, and which ones would do.

use std::collections::BTreeSet;

use crate::both_ways::EventKind;
use crate::cable::finding::{Finding, FindingKind};
use crate::cable::measure::pulse_m;
use crate::cable::result::CableLink;
use crate::measure::RESOLVED_PULSES;
use crate::units::{Position, SPEED_OF_LIGHT_M_PER_S};

use super::{Facts, known};

/// Share of the limit that the guard band may take: with more, what is a third below the
/// limit is undecided. Our choice.
const GUARD_SHARE: f64 = 1.0 / 3.0;

/// Times by which a fibre's errors must exceed those of the others, and its settings differ,
/// to be called poor although the limits can be judged. Our choice.
const MUCH_WORSE: f64 = 5.0;

/// Pulse widths that instruments commonly offer, nanoseconds (common practice, no source).
const PULSES_NS: [f64; 14] = [
    5.0, 10.0, 20.0, 30.0, 50.0, 100.0, 200.0, 300.0, 500.0, 1000.0, 2000.0, 3000.0, 10_000.0,
    20_000.0,
];

/// Standard error over the one that would do.
const NOISE: &str = "noise_over_what_would_do";

/// What keeps a link from being judged.
struct Poor {
    wavelength: usize,
    /// What would have to be less or more, and by which factor.
    lacks: &'static str,
    factor: f64,
    why: String,
    advice: String,
}

/// One finding for a fibre, from its worst wavelength; one for all where half of the
/// cable is so. Gives the fibres, too.
pub(super) fn poor_settings(facts: &Facts<'_>) -> (Vec<Finding>, BTreeSet<usize>) {
    let mut found: Vec<(usize, Poor)> = Vec::new();
    for fibre in 0..facts.fibres() {
        let mut of_fibre: Vec<Poor> = facts
            .draft
            .links
            .iter()
            .filter(|link| link.fibre == fibre && link.link.registration.is_some())
            .filter_map(|link| too_short(facts, link).or_else(|| poor(facts, link)))
            .collect();
        of_fibre.sort_by(|p, q| q.factor.total_cmp(&p.factor));
        let mut of_fibre = of_fibre.into_iter();
        let Some(mut worst) = of_fibre.next() else {
            continue;
        };
        let others: Vec<String> = of_fibre
            .map(|poor| format!("{:.0} nm", facts.wavelength(poor.wavelength).nm()))
            .collect();
        if !others.is_empty() {
            worst.why = format!("{} (poor at {}, too)", worst.why, others.join(" and "));
        }
        found.push((fibre, worst));
    }
    let fibres = found.iter().map(|(fibre, _)| *fibre).collect();
    if found.len() > 2 && 2 * found.len() >= facts.fibres_measured() {
        let names = found
            .iter()
            .map(|(fibre, _)| facts.fibre_name(*fibre))
            .collect();
        let worst = found
            .iter()
            .max_by(|p, q| p.1.factor.total_cmp(&q.1.factor));
        let finding = worst.map(|(fibre, poor)| {
            let words = format!(
                "{} of {} fibres; worst in fibre {}: {}; {}",
                found.len(),
                facts.fibres_measured(),
                facts.fibre_name(*fibre),
                poor.why,
                poor.advice
            );
            finding(facts, names, poor, words)
        });
        return (finding.into_iter().collect(), fibres);
    }
    let findings = found
        .iter()
        .map(|(fibre, poor)| {
            let name = facts.fibre_name(*fibre);
            let words = format!("fibre {name}: {}; {}", poor.why, poor.advice);
            finding(facts, vec![name], poor, words)
        })
        .collect();
    (findings, fibres)
}

fn finding(facts: &Facts<'_>, names: Vec<String>, poor: &Poor, words: String) -> Finding {
    Finding::of(FindingKind::PoorSettings, names, words)
        .in_light(facts.wavelength(poor.wavelength))
        .number(poor.lacks, poor.factor)
        .text("advice", poor.advice.clone())
}

/// A trace whose samples stop before the far end of the link: cut short, or of too short a range.
fn too_short(facts: &Facts<'_>, link: &CableLink) -> Option<Poor> {
    let length_m = link.link.length.as_ref().ok()?.value.m();
    let scale = link.link.registration.as_ref()?.scale.value;
    let (a, b) = (&link.link.a, &link.link.b);
    let of_ends = [
        ("A", a.range.m(), length_m - a.port.m()),
        ("B", b.range.m() * scale, b.port.m()),
    ];
    of_ends.into_iter().find_map(|(end, reached_m, wanted_m)| {
        let lacking_m = wanted_m - reached_m;
        (lacking_m > pulse_m(&link.link)).then(|| Poor {
            wavelength: link.wavelength,
            lacks: "wanted_range_over_range",
            factor: wanted_m / reached_m,
            why: format!(
                "at {:.0} nm, the trace from {end} stops {lacking_m:.0} m before the other end of the \
                 fibre",
                facts.wavelength(link.wavelength).nm()
            ),
            advice: format!(
                "export it again if the file was cut short, else take it with a range of {:.0} km or \
                 more",
                (wanted_m / 1000.0).ceil()
            ),
        })
    })
}

fn poor(facts: &Facts<'_>, link: &CableLink) -> Option<Poor> {
    let limit = facts
        .splices()
        .filter_map(|j| facts.limit_of(j, facts.cell(link.fibre, j, link.wavelength)?))
        .fold(f64::INFINITY, f64::min);
    if !limit.is_finite() {
        return None;
    }
    let wanted = GUARD_SHARE * limit / facts.rules.coverage;
    let mut worst = (0.0, 0);
    let mut unseen: Vec<usize> = Vec::new();
    for joint in facts.splices() {
        let Some(cell) = facts.cell(link.fibre, joint, link.wavelength) else {
            continue;
        };
        match known(&cell.loss) {
            Some((_, u)) if u > worst.0 => worst = (u, joint),
            Some(_) => {}
            None => unseen.push(joint),
        }
    }
    let (a, b) = (&link.link.a, &link.link.b);
    let pulse_ns = a.pulse_width.ns().max(b.pulse_width.ns());
    let nm = facts.wavelength(link.wavelength).nm();
    let groups = unseen.iter().filter(|&&j| in_group(facts, link, j)).count();
    let gap_m = least_gap(facts);
    // Where the cable's joints are far enough apart, what hides one is something beside it
    // in this fibre alone, and no other pulse is called for.
    if groups > 0 && gap_m < RESOLVED_PULSES * pulse_m(&link.link) {
        let index = a.group_index.ratio();
        let most_ns = gap_m / RESOLVED_PULSES * 2.0 * index / SPEED_OF_LIGHT_M_PER_S * 1e9;
        let wanted_ns = PULSES_NS
            .iter()
            .copied()
            .rfind(|p| *p <= most_ns.min(pulse_ns * 0.99));
        let loses = wanted_ns.map_or(f64::NAN, |w| pulse_ns / w);
        return Some(Poor {
            wavelength: link.wavelength,
            lacks: NOISE,
            factor: (worst.0 / wanted).max(1.0),
            why: format!(
                "at {nm:.0} nm, {groups} joint{} cannot be told from what is beside with a pulse of \
                 {pulse_ns} ns",
                if groups == 1 { "" } else { "s" }
            ),
            advice: wanted_ns.map_or_else(
                || "no usual pulse is short enough".to_owned(),
                |w| {
                    let noise = worst.0 / wanted * loses;
                    let time = time_words(link, noise * noise);
                    format!("a pulse of {w} ns would do{time}")
                },
            ),
        });
    }
    // Noise is constant in power: a joint beyond the usable light needs as much more of
    // it as the fibre between takes away, 5·log10 of power being the level.
    let reach = unseen
        .iter()
        .filter_map(|&j| beyond(facts, link, j))
        .fold(0.0, f64::max);
    let noise = (worst.0 / wanted).max(1.0) * 10f64.powf(reach / 5.0);
    if noise <= 1.0 {
        return poorer_than_others(facts, link, worst);
    }
    let why = if reach > 0.0 {
        format!(
            "at {nm:.0} nm, the light sinks into the noise before {} joint{}",
            unseen.len(),
            if unseen.len() == 1 { "" } else { "s" }
        )
    } else {
        format!(
            "at {nm:.0} nm, the loss at {} is known to ± {:.3} dB, and the limit of {limit} dB asks \
             for ± {wanted:.3} dB",
            facts.joint_name(worst.1),
            worst.0
        )
    };
    let longest_ns =
        gap_m / RESOLVED_PULSES * 2.0 * a.group_index.ratio() / SPEED_OF_LIGHT_M_PER_S * 1e9;
    let by_pulse = PULSES_NS
        .iter()
        .copied()
        .find(|p| *p >= pulse_ns * noise && *p <= longest_ns);
    let by_time = time_words(link, noise * noise);
    let advice = match by_pulse {
        Some(p) => format!(
            "a pulse of {p} ns would do at the same averaging time{}",
            or(&by_time)
        ),
        None if by_time.is_empty() => {
            format!(
                "averaging {:.0} times as long would do",
                (noise * noise).ceil()
            )
        }
        None => format!("the same pulse would do{by_time}"),
    };
    Some(Poor {
        wavelength: link.wavelength,
        lacks: NOISE,
        factor: noise,
        why,
        advice,
    })
}

/// A fibre that was taken with other settings than most, whose losses are known much
/// worse for it.
fn poorer_than_others(facts: &Facts<'_>, link: &CableLink, worst: (f64, usize)) -> Option<Poor> {
    let others = || {
        let links = facts.draft.links.iter();
        links.filter(|l| l.wavelength == link.wavelength && l.fibre != link.fibre)
    };
    let settings = |l: &CableLink| {
        let of = |d: &crate::both_ways::Direction| (d.pulse_width.ns(), d.header.averaging_time_s);
        [of(&l.link.a), of(&l.link.b)]
    };
    let mine = settings(link);
    let alike = others().filter(|l| settings(l) == mine).count();
    if 4 * alike >= others().count() {
        return None;
    }
    let errors: Vec<f64> = others()
        .filter_map(|l| known(&facts.cell(l.fibre, worst.1, l.wavelength)?.loss))
        .map(|(_, u)| u)
        .collect();
    let usual = crate::cable::draft::median(errors)?;
    let factor = worst.0 / usual;
    let usual_link = others().find(|l| settings(l) != mine)?;
    let words = |s: [(f64, Option<f64>); 2]| {
        let time = s[0]
            .1
            .map_or_else(String::new, |t| format!(" averaged {t} s"));
        format!("{} ns{time}", s[0].0)
    };
    (factor > MUCH_WORSE).then(|| Poor {
        wavelength: link.wavelength,
        lacks: NOISE,
        factor,
        why: format!(
            "at {:.0} nm, taken with {}, the loss at {} is known to ± {:.4} dB, {factor:.0} times \
             worse than in the other fibres",
            facts.wavelength(link.wavelength).nm(),
            words(mine),
            facts.joint_name(worst.1),
            worst.0
        ),
        advice: format!(
            "take it again as the others ({})",
            words(settings(usual_link))
        ),
    })
}

fn or(by_time: &str) -> String {
    if by_time.is_empty() {
        String::new()
    } else {
        format!(", or the same pulse{by_time}")
    }
}

/// ` with an averaging time of …`, for noise that must fall by the root of a factor; nothing
/// where no time is stated or the stated one is enough.
fn time_words(link: &CableLink, factor: f64) -> String {
    let times = [&link.link.a, &link.link.b].map(|d| d.header.averaging_time_s);
    match times {
        [Some(a), Some(b)] if factor > 1.0 => {
            format!(
                " with an averaging time of {:.0} s",
                (a.min(b) * factor).ceil()
            )
        }
        _ => String::new(),
    }
}

fn in_group(facts: &Facts<'_>, link: &CableLink, joint: usize) -> bool {
    let own_m = link
        .link
        .length
        .as_ref()
        .ok()
        .map_or(facts.length_m, |l| l.value.m());
    let place_m = facts
        .draft
        .joints
        .get(joint)
        .map_or(f64::NAN, |j| j.position.value.m() * own_m / facts.length_m);
    let reach_m = 2.0 * pulse_m(&link.link);
    let shared = facts
        .cell(link.fibre, joint, link.wavelength)
        .is_some_and(|c| c.loss.is_err());
    shared
        && link.link.events.iter().any(|e| {
            e.kind == EventKind::Group
                && place_m > e.position.value.m() - reach_m
                && place_m < e.end.map_or(e.position.value.m(), Position::m) + reach_m
        })
}

/// Least distance between two joints of the cable, ends included.
fn least_gap(facts: &Facts<'_>) -> f64 {
    facts
        .draft
        .joints
        .windows(2)
        .map(|w| (w[1].position.value - w[0].position.value).m())
        .fold(f64::INFINITY, f64::min)
}

/// One-way dB of fibre between a joint and the light that is still usable, from the end
/// for which it is worse; none where it is in the light.
fn beyond(facts: &Facts<'_>, link: &CableLink, joint: usize) -> Option<f64> {
    let place_m = facts.draft.joints.get(joint)?.position.value.m();
    let per_m = link.link.attenuation?.db_per_km() / 1000.0;
    let from_a = place_m - link.link.a.usable_to.m();
    let from_b = link.link.b.usable_to.m() - place_m;
    let worst = from_a.max(from_b);
    (worst > 0.0).then_some(worst * per_m)
}
