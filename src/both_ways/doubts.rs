//! What a reader of a link must know besides its numbers.

use crate::measure::Section;
use crate::units::Attenuation;
use crate::warning::Warning;

use super::build::{Parts, mean_attenuation};
use super::link::Event;

/// Share by which the fitted ratio of group indices may differ from the headers'
/// before it is said: 0.3 %, three times the doubt of one header.
const INDEX_DOUBT: f64 = 3e-3;

/// Attenuation of cabled single-mode fibre, dB/km, beyond which the levels are
/// doubted: below what Rayleigh scattering alone leaves, or above the greatest of
/// ITU-T G.652.D for the band (0.40 to 1490 nm, 0.30 above; from memory) and a third.
const ATTENUATION_DOUBT: [(f64, f64, f64); 2] = [(1490.0, 0.25, 0.53), (f64::INFINITY, 0.13, 0.40)];

/// Adds what the result itself makes doubtful.
pub(super) fn warn_of_result(
    parts: &Parts<'_, '_>,
    events: &[Event],
    sections: &[Section],
    warnings: &mut Vec<Warning>,
) {
    warn_of_sections(parts, sections, warnings);
    let ratio = parts.pair.b.group_index().ratio() / parts.pair.a.group_index().ratio();
    if (parts.axis.scale / ratio - 1.0).abs() > INDEX_DOUBT {
        warnings.push(Warning::new(
            "group index doubtful",
            format!(
                "the events of the two traces fit a ratio of group indices of {:.5}, the headers say {ratio:.5}: \
                 one index is wrong, and lengths with it by {:.2} %",
                parts.axis.scale,
                100.0 * (parts.axis.scale / ratio - 1.0).abs()
            ),
        ));
    }
    for (v, end) in [(0, "A"), (1, "B")] {
        if parts.orl(v).is_none() {
            let why = if parts.first.is_none() || parts.last.is_none() {
                "without a cord at both ends the link's own reflections cannot be told from the port's"
            } else {
                "a reflection in the link is clipped, or the level before it cannot be measured"
            };
            warnings.push(Warning::new(
                "return loss not measured",
                format!("no return loss from {end}: {why}"),
            ));
        }
    }
    for (look, end) in [(&parts.pair.look_a, "A"), (&parts.pair.look_b, "B")] {
        if look.near.has_cord && look.near.std_error_m.is_none() {
            warnings.push(Warning::new(
                "cord end not seen",
                format!(
                    "from {end}: no event stands where the launch cord of {:.0} m should end; places \
                     rest on the stated length",
                    look.near.own_m
                ),
            ));
        }
    }
    let one_way: Vec<String> = events
        .iter()
        .filter(|e| e.loss_a_to_b.is_ok() != e.loss_b_to_a.is_ok())
        .map(|e| e.number.to_string())
        .collect();
    if !one_way.is_empty() {
        warnings.push(Warning::new(
            "one way only",
            format!(
                "{} could be measured from one end only: no two-way loss is given there",
                numbered(&one_way)
            ),
        ));
    }
    if let Some(known) = parts.pair.settings.known_length {
        let measured = parts.length_m - parts.zero_m;
        if (measured - known.m()).abs() > 0.005 * known.m() {
            warnings.push(Warning::new(
                "length differs from the known one",
                format!("measured {measured:.1} m, known {:.1} m", known.m()),
            ));
        }
    }
}

/// Says what the sections leave out, and what their slope makes doubtful.
fn warn_of_sections(parts: &Parts<'_, '_>, sections: &[Section], warnings: &mut Vec<Warning>) {
    let covered: f64 = sections.iter().map(|s| (s.to - s.from).m()).sum();
    let length = parts.length_m - parts.zero_m;
    if length > 0.0 && covered < 0.98 * length {
        warnings.push(Warning::new(
            "attenuation of a part",
            format!(
                "the attenuation is that of {:.1} km of {:.1} km: elsewhere there is no section \
                 measured from both ends",
                covered / 1000.0,
                length / 1000.0
            ),
        ));
    }
    let nm = parts.pair.a.wavelength().nm();
    let (Some(mean), Some((_, least, most))) = (
        mean_attenuation(sections).map(Attenuation::db_per_km),
        ATTENUATION_DOUBT.iter().find(|(up_to, _, _)| nm <= *up_to),
    ) else {
        return;
    };
    if covered > 1000.0 && !(*least..=*most).contains(&mean) {
        warnings.push(Warning::new(
            "attenuation doubtful",
            format!(
                "{mean:.3} dB/km is not what fibre has at {nm} nm ({least} to {most}): are the levels \
                 5·log10 of power (one way), the distances in the unit read, the wavelength right?"
            ),
        ));
    }
}

/// `event 7`, or `events 7, 8 and 9`.
fn numbered(numbers: &[String]) -> String {
    match numbers {
        [all @ .., last] if !all.is_empty() => format!("events {} and {last}", all.join(", ")),
        _ => format!("event {}", numbers.concat()),
    }
}

#[cfg(test)]
mod tests {
    use super::numbered;

    #[test]
    fn several_events_are_named_in_the_plural() {
        let numbers = ["7", "8", "9"].map(str::to_owned);
        assert_eq!(numbered(&numbers[..1]), "event 7");
        assert_eq!(numbered(&numbers[..2]), "events 7 and 8");
        assert_eq!(numbered(&numbers), "events 7, 8 and 9");
    }
}
