//! A limits file, read.

use std::ops::RangeInclusive;

use crate::units::{Attenuation, Length, Loss, Reflectance, ReturnLoss, Wavelength};

use super::fields::{FieldError, Fields, document};
use super::limits::{
    AttenuationLimit, Band, CountLimit, Limits, LinkLossLimit, LossBound, LossLimit,
    ReflectanceLimit, ReturnLossLimit,
};

/// Why a text holds no limits, with its place in it.
pub type LimitsError = FieldError;

/// A loss limit outside this range is a slip of the decimal mark.
const LOSS_DB: RangeInclusive<f64> = 0.0..=100.0;
const REFLECTANCE_DB: RangeInclusive<f64> = -100.0..=0.0;
const RETURN_LOSS_DB: RangeInclusive<f64> = 0.0..=100.0;
const STD_ERROR_DB: RangeInclusive<f64> = 0.0..=10.0;
const ATTENUATION_DB_PER_KM: RangeInclusive<f64> = 0.0..=100.0;
const WAVELENGTH_NM: RangeInclusive<f64> = 600.0..=2000.0;
const LENGTH_M: RangeInclusive<f64> = 0.0..=1_000_000.0;

const SOURCE_EXAMPLE: &str = "contract value";

const TABLES: [&str; 10] = [
    "name",
    "splice_loss",
    "connector_loss",
    "mean_per_fibre",
    "mean_per_closure",
    "splices_over",
    "reflectance",
    "orl",
    "section_attenuation",
    "link_loss",
];
const BUDGET: [&str; 6] = [
    "per_splice_db",
    "per_connector_db",
    "per_km_db",
    "plus_db",
    "splices",
    "connectors",
];

impl Limits {
    /// Reads a limits file; `fallback_name` is the name of limits that name themselves nothing.
    ///
    /// # Errors
    /// [`LimitsError`] with line and column, what was found and what was wanted: no
    /// TOML, a key that is not known, a number out of range, a limit without a
    /// source, no limit at all.
    ///
    /// # Example
    /// ```
    /// use bothends::verdict::Limits;
    /// let text = "[splice_loss]\nmax_db = 0.15\nsource = 'contract value'\n";
    /// let limits = Limits::from_toml(text, "HL-204").unwrap();
    /// assert_eq!(limits.splice_loss.unwrap().max.db(), 0.15);
    ///
    /// let slip = "[splice_loss]\nmx_db = 0.15\n";
    /// assert_eq!(
    ///     Limits::from_toml(slip, "HL-204").unwrap_err().to_string(),
    ///     "line 2, column 1: \"mx_db\" is not known in [splice_loss]; is `max_db` meant?"
    /// );
    /// ```
    pub fn from_toml(text: &str, fallback_name: &str) -> Result<Self, LimitsError> {
        let document = document(text)?;
        let file = Fields::new(text, document.get_ref(), "", 0, &TABLES)?;
        let limits = Self {
            name: file
                .text("name")?
                .unwrap_or_else(|| fallback_name.to_owned()),
            splice_loss: loss(&file, "splice_loss")?,
            connector_loss: loss(&file, "connector_loss")?,
            mean_per_fibre: loss(&file, "mean_per_fibre")?,
            mean_per_closure: loss(&file, "mean_per_closure")?,
            splices_over: splices_over(&file)?,
            reflectance: reflectance(&file)?,
            orl: orl(&file)?,
            section_attenuation: file
                .tables(
                    "section_attenuation",
                    &[
                        "from_nm",
                        "to_nm",
                        "max_db_per_km",
                        "least_length_m",
                        "source",
                    ],
                )?
                .iter()
                .map(section_attenuation)
                .collect::<Result<_, _>>()?,
            link_loss: link_losses(&file)?,
        };
        if limits.is_empty() {
            let wanted = TABLES.get(1..).unwrap_or_default().join("`, `");
            return Err(file.fault(format!(
                "no limit in the file; wanted at least one of `{wanted}`"
            )));
        }
        Ok(limits)
    }
}

fn source(table: &Fields<'_>) -> Result<String, LimitsError> {
    table.required_text("source", SOURCE_EXAMPLE)
}

fn loss(file: &Fields<'_>, key: &str) -> Result<Option<LossLimit>, LimitsError> {
    let Some(table) = file.table(key, &["max_db", "source"])? else {
        return Ok(None);
    };
    Ok(Some(LossLimit {
        max: Loss::from_db(table.required_number("max_db", &LOSS_DB, "dB")?),
        source: source(&table)?,
    }))
}

fn splices_over(file: &Fields<'_>) -> Result<Option<CountLimit>, LimitsError> {
    let Some(table) = file.table("splices_over", &["over_db", "at_most", "source"])? else {
        return Ok(None);
    };
    Ok(Some(CountLimit {
        over: Loss::from_db(table.required_number("over_db", &LOSS_DB, "dB")?),
        at_most: table.required_count("at_most")?,
        source: source(&table)?,
    }))
}

fn reflectance(file: &Fields<'_>) -> Result<Option<ReflectanceLimit>, LimitsError> {
    let Some(table) = file.table("reflectance", &["max_db", "std_error_db", "source"])? else {
        return Ok(None);
    };
    Ok(Some(ReflectanceLimit {
        max: Reflectance::from_db(table.required_number("max_db", &REFLECTANCE_DB, "dB")?),
        std_error_db: table.number("std_error_db", &STD_ERROR_DB, "dB")?,
        source: source(&table)?,
    }))
}

fn orl(file: &Fields<'_>) -> Result<Option<ReturnLossLimit>, LimitsError> {
    let Some(table) = file.table("orl", &["min_db", "std_error_db", "source"])? else {
        return Ok(None);
    };
    Ok(Some(ReturnLossLimit {
        min: ReturnLoss::from_db(table.required_number("min_db", &RETURN_LOSS_DB, "dB")?),
        std_error_db: table.number("std_error_db", &STD_ERROR_DB, "dB")?,
        source: source(&table)?,
    }))
}

fn band(table: &Fields<'_>) -> Result<Band, LimitsError> {
    let wavelength = |key| -> Result<Option<Wavelength>, LimitsError> {
        let nm = table.number(key, &WAVELENGTH_NM, "nm")?;
        Ok(nm.map(Wavelength::from_nm))
    };
    let band = Band {
        from: wavelength("from_nm")?,
        to: wavelength("to_nm")?,
    };
    if let Band {
        from: Some(from),
        to: Some(to),
    } = band
        && from > to
    {
        return Err(table.fault(format!(
            "`from_nm` {} is above `to_nm` {}: no wavelength is between them",
            from.nm(),
            to.nm()
        )));
    }
    Ok(band)
}

fn section_attenuation(table: &Fields<'_>) -> Result<AttenuationLimit, LimitsError> {
    let max = table.required_number("max_db_per_km", &ATTENUATION_DB_PER_KM, "dB/km")?;
    Ok(AttenuationLimit {
        band: band(table)?,
        max: Attenuation::from_db_per_km(max),
        least_length: table
            .number("least_length_m", &LENGTH_M, "m")?
            .map(Length::from_m),
        source: source(table)?,
    })
}

fn link_losses(file: &Fields<'_>) -> Result<Vec<LinkLossLimit>, LimitsError> {
    let mut wanted = vec!["from_nm", "to_nm", "max_db"];
    wanted.extend(BUDGET);
    wanted.push("source");
    file.tables("link_loss", &wanted)?
        .iter()
        .map(|table| {
            Ok(LinkLossLimit {
                band: band(table)?,
                bound: bound(table)?,
                source: source(table)?,
            })
        })
        .collect()
}

fn bound(table: &Fields<'_>) -> Result<LossBound, LimitsError> {
    let budget_key = BUDGET.iter().find(|key| table.has(key));
    if let Some(max) = table.number("max_db", &LOSS_DB, "dB")? {
        return match budget_key {
            None => Ok(LossBound::Fixed {
                max: Loss::from_db(max),
            }),
            Some(key) => Err(table.fault(format!(
                "[[link_loss]] has `max_db` and `{key}`; wanted either a fixed value or a budget"
            ))),
        };
    }
    if budget_key.is_none() {
        return Err(table.fault(
            "[[link_loss]] has no limit; wanted `max_db`, or a budget of `per_splice_db`, \
             `per_connector_db` and `per_km_db`",
        ));
    }
    let db = |key| {
        table
            .required_number(key, &LOSS_DB, "dB")
            .map(Loss::from_db)
    };
    Ok(LossBound::Budget {
        per_splice: db("per_splice_db")?,
        per_connector: db("per_connector_db")?,
        per_km: Attenuation::from_db_per_km(table.required_number(
            "per_km_db",
            &ATTENUATION_DB_PER_KM,
            "dB/km",
        )?),
        plus: Loss::from_db(table.number("plus_db", &LOSS_DB, "dB")?.unwrap_or(0.0)),
        splices: table.count("splices")?,
        connectors: table.count("connectors")?,
    })
}
