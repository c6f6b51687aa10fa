//! The limits that were asked for as rows, for every form of the pack.

use super::wording::{Text, Wording};
use crate::report::number::signed;
use crate::units::{Length, Wavelength};
use crate::verdict::{Band, Limits, LossBound, What};

/// A limit that is asked for.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Asked {
    /// The quantity.
    pub(super) what: What,
    /// The wavelengths that it is for, in words.
    pub(super) band: String,
    /// The limit as a number in the unit of the quantity; none where it is added up.
    pub(super) limit: Option<f64>,
    /// The limit in words.
    pub(super) text: String,
    /// Who asks for it.
    pub(super) source: String,
}

/// Every limit that is asked for.
pub(super) fn asked(limits: &Limits, wording: &Wording) -> Vec<Asked> {
    let db = |value: f64| format!("{} dB", as_asked(value));
    let mut all = Vec::new();
    let mut put = |what, band: Option<Band>, limit, text, source: &str| {
        all.push(Asked {
            what,
            band: band
                .and_then(in_words)
                .unwrap_or_else(|| wording.of(Text::AllWavelengths).to_owned()),
            limit,
            text,
            source: source.to_owned(),
        });
    };
    let at_most = |value: f64| (Some(value), format!("≤ {}", db(value)));
    let losses = [
        (What::SpliceLoss, &limits.splice_loss),
        (What::ConnectorLoss, &limits.connector_loss),
        (What::FibreMean, &limits.mean_per_fibre),
        (What::ClosureMean, &limits.mean_per_closure),
    ];
    for (what, limit) in losses {
        if let Some(limit) = limit {
            let (number, text) = at_most(limit.max.db());
            put(what, None, number, text, &limit.source);
        }
    }
    if let Some(limit) = &limits.splices_over {
        let (count, loss) = (limit.at_most.to_string(), db(limit.over.db()));
        let values = [("count", &*count), ("loss", &*loss)];
        let text = wording.filled(Text::AtMostOver, &values);
        let number = Some(limit.at_most as f64);
        put(What::SplicesOver, None, number, text, &limit.source);
    }
    if let Some(limit) = &limits.reflectance {
        let (number, text) = at_most(limit.max.db());
        put(What::Reflectance, None, number, text, &limit.source);
    }
    if let Some(limit) = &limits.orl {
        let least = limit.min.db();
        let text = format!("≥ {}", db(least));
        put(What::ReturnLoss, None, Some(least), text, &limit.source);
    }
    for limit in &limits.section_attenuation {
        let least = limit.least_length.map(Length::m);
        let least = least.map_or_else(String::new, |m| format!(" (≥ {} m)", as_asked(m)));
        let most = limit.max.db_per_km();
        let text = format!("≤ {} dB/km{least}", as_asked(most));
        put(
            What::SectionAttenuation,
            Some(limit.band),
            Some(most),
            text,
            &limit.source,
        );
    }
    for limit in &limits.link_loss {
        let (number, text) = match limit.bound {
            LossBound::Fixed { max } => at_most(max.db()),
            LossBound::Budget {
                per_splice,
                per_connector,
                per_km,
                plus,
                ..
            } => {
                let parts = [
                    ("splice", per_splice.db()),
                    ("connector", per_connector.db()),
                    ("km", per_km.db_per_km()),
                    ("plus", plus.db()),
                ]
                .map(|(key, value)| (key, db(value)));
                let values: Vec<(&str, &str)> =
                    parts.iter().map(|(key, text)| (*key, &**text)).collect();
                let text = if plus.db() == 0.0 {
                    Text::BudgetOfParts
                } else {
                    Text::Budget
                };
                (None, wording.filled(text, &values))
            }
        };
        put(
            What::LinkLoss,
            Some(limit.band),
            number,
            text,
            &limit.source,
        );
    }
    all
}

/// A number with the decimals that it has, three at most.
fn as_asked(value: f64) -> String {
    let text = signed(value, 3);
    let short = text.trim_end_matches('0').trim_end_matches('.');
    short.to_owned()
}

/// `1260 … 1360 nm`; an open end is left out, and nothing stands for both.
fn in_words(band: Band) -> Option<String> {
    let nm = |wavelength: Option<Wavelength>| {
        wavelength.map_or_else(String::new, |wavelength| wavelength.nm().to_string())
    };
    match (band.from, band.to) {
        (None, None) => None,
        (from, to) => Some(format!("{} … {} nm", nm(from), nm(to)).trim().to_owned()),
    }
}
