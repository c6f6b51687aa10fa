//! Limits and places in words.

use std::fmt;

use crate::units::{Length, Loss, Wavelength};

use super::judgement::Place;
use super::limits::{Band, Limits, LossBound, LossLimit};

/// One limit in words, for a list.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct LimitLine {
    /// What is limited, with the band of wavelengths where there is one.
    pub what: String,
    /// The limit.
    pub limit: String,
    /// Who asks for it.
    pub source: String,
}

impl Limits {
    /// Every limit in words; with a wavelength, only those that are for it.
    pub fn lines(&self, wavelength: Option<Wavelength>) -> Vec<LimitLine> {
        let mut lines = Vec::new();
        let mut add = |what: String, limit: String, source: &str| {
            lines.push(LimitLine {
                what,
                limit,
                source: source.to_owned(),
            });
        };
        let at_most = |limit: &LossLimit| format!("at most {} dB", limit.max.db());
        for (what, limit) in [
            ("splice loss", &self.splice_loss),
            ("connector loss", &self.connector_loss),
            ("mean splice loss of a fibre", &self.mean_per_fibre),
            ("mean splice loss of a closure", &self.mean_per_closure),
        ] {
            if let Some(limit) = limit {
                add(what.to_owned(), at_most(limit), &limit.source);
            }
        }
        if let Some(limit) = &self.splices_over {
            add(
                format!("splices above {} dB", limit.over.db()),
                format!("at most {} in a fibre", limit.at_most),
                &limit.source,
            );
        }
        if let Some(limit) = &self.reflectance {
            let text = format!("at most {} dB", minus(limit.max.db()));
            add("reflectance".to_owned(), text, &limit.source);
        }
        if let Some(limit) = &self.orl {
            let text = format!("at least {} dB", limit.min.db());
            add("return loss".to_owned(), text, &limit.source);
        }
        let is_for = |band: &Band| wavelength.is_none_or(|wavelength| band.holds(wavelength));
        for limit in self.section_attenuation.iter().filter(|l| is_for(&l.band)) {
            let from = limit.least_length.map_or_else(String::new, |length| {
                format!(", from {} m", Length::m(length))
            });
            add(
                format!("attenuation of a section{from}{}", of_band(limit.band)),
                format!("at most {} dB/km", limit.max.db_per_km()),
                &limit.source,
            );
        }
        for limit in self.link_loss.iter().filter(|l| is_for(&l.band)) {
            add(
                format!("link loss{}", of_band(limit.band)),
                loss_bound(limit.bound),
                &limit.source,
            );
        }
        lines
    }
}

fn minus(db: f64) -> String {
    db.to_string().replace('-', "\u{2212}")
}

fn of_band(band: Band) -> String {
    match (band.from.map(Wavelength::nm), band.to.map(Wavelength::nm)) {
        (Some(from), Some(to)) => format!(", {from} to {to} nm"),
        (Some(from), None) => format!(", from {from} nm"),
        (None, Some(to)) => format!(", up to {to} nm"),
        (None, None) => String::new(),
    }
}

fn loss_bound(bound: LossBound) -> String {
    match bound {
        LossBound::Fixed { max } => format!("at most {} dB", max.db()),
        LossBound::Budget {
            per_splice,
            per_connector,
            per_km,
            plus,
            splices,
            connectors,
        } => {
            let count = |count: Option<usize>| {
                count.map_or_else(String::new, |count| format!("{count} × "))
            };
            let plus = if plus.db() == 0.0 {
                String::new()
            } else {
                format!(" + {} dB", plus.db())
            };
            format!(
                "{}{} dB a splice + {}{} dB a connector + {} dB/km{plus}",
                count(splices),
                Loss::db(per_splice),
                count(connectors),
                per_connector.db(),
                per_km.db_per_km()
            )
        }
    }
}

impl fmt::Display for Place {
    /// The place in words; a joint's name as it was given.
    fn fmt(&self, formatter: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Event {
                number,
                joint,
                seen_from,
            } => {
                write!(formatter, "number {number}")?;
                if let Some(joint) = joint {
                    write!(formatter, " ({joint})")?;
                }
                if let Some(end) = seen_from {
                    write!(formatter, " from {end}")?;
                }
                Ok(())
            }
            Self::Section { from, to } => {
                write!(formatter, "{:.1} m to {:.1} m", from.m(), to.m())
            }
            Self::Link => formatter.write_str("link"),
            Self::LinkFrom(end) => write!(formatter, "link from {end}"),
            Self::Closure(name) => formatter.write_str(name),
        }
    }
}
