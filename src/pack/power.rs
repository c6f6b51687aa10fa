//! End-to-end loss by source and power meter, beside the two-way total.

use crate::both_ways::Link;
use crate::report::number::{loss_with_error, with_error};
use crate::units::{Loss, Measured, Measurement, Wavelength};

use super::content::PowerReading;

/// Standard errors of the difference beyond which two results do not agree: about 5 %
/// of true agreements are called in doubt (normal distribution, two-sided).
pub const AGREE_WITHIN: f64 = 1.96;

/// Columns of the file, in order.
const COLUMNS: [&str; 5] = [
    "fibre",
    "wavelength_nm",
    "direction",
    "loss_db",
    "std_error_db",
];

/// Greatest loss that a power meter's file may state, dB: far beyond any meter's range.
const MOST_DB: f64 = 150.0;

/// One row of a file of power-meter readings.
#[derive(Debug, Clone, PartialEq)]
pub struct PowerRow {
    /// Line in the file, from 1.
    pub line: u64,
    /// Name of the fibre.
    pub fibre: String,
    /// Wavelength of the source.
    pub wavelength: Wavelength,
    /// The reading.
    pub reading: PowerReading,
}

/// What is wrong with a file of readings, and where.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("line {line}, column {column}: {what}")]
pub struct PowerError {
    /// Line, from 1.
    pub line: u64,
    /// Column of the table, from 1.
    pub column: usize,
    /// What was found, and what was wanted.
    pub what: String,
}

/// Reads `fibre,wavelength_nm,direction,loss_db,std_error_db`, the first line naming
/// the columns. The direction is `A to B`, `B to A`, or empty for the mean of both; the
/// loss is positive, its standard error at one standard deviation, empty if unknown.
///
/// # Errors
/// [`PowerError`] with line and column, what was found and wanted.
pub fn parse(text: &str) -> Result<Vec<PowerRow>, PowerError> {
    let mut reader = csv::ReaderBuilder::new()
        .has_headers(false)
        .flexible(true)
        .trim(csv::Trim::All)
        .comment(Some(b'#'))
        .from_reader(text.as_bytes());
    let mut rows: Vec<PowerRow> = Vec::new();
    let mut is_first = true;
    for record in reader.records() {
        let record = record.map_err(|error| PowerError {
            line: error.position().map_or(1, csv::Position::line),
            column: 1,
            what: error.to_string(),
        })?;
        let line = record.position().map_or(1, csv::Position::line);
        let at = |column: usize, what: String| PowerError {
            line,
            column: column + 1,
            what,
        };
        if std::mem::take(&mut is_first) {
            for (column, wanted) in COLUMNS.iter().enumerate() {
                let found = record.get(column).unwrap_or_default();
                if found != *wanted {
                    return Err(at(
                        column,
                        format!(
                            "{found:?} found; the first line must be `{}`",
                            COLUMNS.join(",")
                        ),
                    ));
                }
            }
            continue;
        }
        if record.len() != COLUMNS.len() {
            return Err(at(
                record.len().min(COLUMNS.len()),
                format!(
                    "{} columns found; wanted {} (write a decimal point, not a comma)",
                    record.len(),
                    COLUMNS.len()
                ),
            ));
        }
        let field = |column: usize| record.get(column).unwrap_or_default();
        let number = |column: usize, least: f64, most: f64, unit: &str| {
            let found = field(column);
            found
                .parse::<f64>()
                .ok()
                .filter(|value| (least..=most).contains(value))
                .ok_or_else(|| {
                    at(
                        column,
                        format!("{found:?} found; wanted a number from {least} to {most} {unit}"),
                    )
                })
        };
        if field(0).is_empty() {
            return Err(at(0, "no fibre is named".to_owned()));
        }
        let direction = field(2);
        if !["A to B", "B to A", ""].contains(&direction) {
            return Err(at(
                2,
                format!("{direction:?} found; wanted `A to B`, `B to A`, or nothing"),
            ));
        }
        let std_error = if field(4).is_empty() {
            None
        } else {
            Some(Loss::from_db(number(4, 0.0, MOST_DB, "dB")?))
        };
        let row = PowerRow {
            line,
            fibre: field(0).to_owned(),
            wavelength: Wavelength::from_nm(number(1, 600.0, 2000.0, "nm")?),
            reading: PowerReading {
                direction: direction.to_owned(),
                loss: Measured {
                    value: Loss::from_db(number(3, -MOST_DB, MOST_DB, "dB")?),
                    std_error,
                },
            },
        };
        if let Some(before) = rows.iter().find(|before| {
            before.fibre == row.fibre
                && before.reading.direction == row.reading.direction
                && same_light(before.wavelength, row.wavelength)
        }) {
            return Err(at(
                0,
                format!(
                    "fibre {:?} stands on line {} too with this wavelength and direction",
                    row.fibre, before.line
                ),
            ));
        }
        rows.push(row);
    }
    if rows.is_empty() {
        return Err(PowerError {
            line: 1,
            column: 1,
            what: "no reading in the file".to_owned(),
        });
    }
    Ok(rows)
}

/// The readings that belong to a link: same fibre, nominal wavelengths within 5 nm.
pub fn of_link(rows: &[PowerRow], link: &Link) -> Vec<PowerReading> {
    rows.iter()
        .filter(|row| {
            link.fibre.as_deref() == Some(&row.fibre) && same_light(row.wavelength, link.wavelength)
        })
        .map(|row| row.reading.clone())
        .collect()
}

/// The limit that two traces of one link are held to as well.
fn same_light(one: Wavelength, other: Wavelength) -> bool {
    (one.nm() - other.nm()).abs() <= 5.0
}

/// Difference of the two-way loss from a reading, and what it says.
#[derive(Debug, Clone, PartialEq)]
pub struct Agreement {
    /// Two-way loss less the power meter's.
    pub difference: Measured<Loss>,
    /// Whether it is within [`AGREE_WITHIN`] standard errors; none where an error is unknown.
    pub agrees: Option<bool>,
}

/// Holds a reading against the two-way loss, u = √(u₁² + u₂²); none where the two-way
/// loss is not measured.
///
/// ```
/// use bothends::pack::{PowerReading, power::agreement};
/// use bothends::units::{Loss, Measured};
/// let db = |value, error| Measured {
///     value: Loss::from_db(value),
///     std_error: Some(Loss::from_db(error)),
/// };
/// let reading = PowerReading { direction: String::new(), loss: db(7.30, 0.08) };
/// // 0.15 dB apart with u = √(0.08² + 0.06²) = 0.1 dB: 1.5 standard errors.
/// let found = agreement(&reading, &Ok(db(7.15, 0.06))).unwrap();
/// assert_eq!(found.agrees, Some(true));
/// assert!((found.difference.std_error.unwrap().db() - 0.1).abs() < 1e-12);
/// ```
pub fn agreement(reading: &PowerReading, two_way: &Measurement<Loss>) -> Option<Agreement> {
    let two_way = two_way.as_ref().ok()?;
    let difference = two_way.value - reading.loss.value;
    let std_error = match (two_way.std_error, reading.loss.std_error) {
        (Some(one), Some(other)) => Some(one.db().hypot(other.db())),
        _ => None,
    };
    Some(Agreement {
        difference: Measured {
            value: difference,
            std_error: std_error.map(Loss::from_db),
        },
        agrees: std_error.map(|error| difference.db().abs() <= AGREE_WITHIN * error),
    })
}

/// A reading beside the two-way loss, in words.
pub fn sentence(reading: &PowerReading, two_way: &Measurement<Loss>) -> String {
    let direction = if reading.direction.is_empty() {
        String::new()
    } else {
        format!(", {}", reading.direction)
    };
    let read = with_error(
        reading.loss.value.db(),
        reading.loss.std_error.map(Loss::db),
        2,
    );
    let verdict = match agreement(reading, two_way) {
        None => "the two-way loss is not measured, so nothing is compared".to_owned(),
        Some(found) => {
            let difference = loss_with_error(&found.difference);
            match found.agrees {
                Some(true) => format!("the two-way loss differs by {difference} dB: they agree"),
                Some(false) => format!(
                    "the two-way loss differs by {difference} dB, more than {AGREE_WITHIN} standard \
                     errors: they do not agree; look for what one of them measured and the other \
                     did not"
                ),
                None => format!(
                    "the two-way loss differs by {difference} dB; without both standard errors it \
                     cannot be said whether they agree"
                ),
            }
        }
    };
    format!("{read} dB by source and power meter{direction}; {verdict}")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_fault_has_its_line_and_column() {
        let head = "fibre,wavelength_nm,direction,loss_db,std_error_db\n";
        let fault = |rest: &str| parse(&format!("{head}{rest}")).unwrap_err().to_string();
        insta::assert_snapshot!(
            [
                parse("").unwrap_err().to_string(),
                parse("fibre;wavelength\n").unwrap_err().to_string(),
                fault(""),
                fault("017,1550,A to B,7,1\n,1550,,7,0.1\n"),
                fault("017,1550,A>B,7.1,0.1\n"),
                fault("017,15,A to B,7.1,0.1\n"),
                fault("017,1550,A to B,7,15,0.1\n"),
                fault("017,1550,A to B,NaN,0.1\n"),
                fault("017,1550,A to B,7.1,-0.1\n"),
                fault("017,1550,A to B,7.1,0.1\n017,1551,A to B,7.2,0.1\n"),
            ]
            .join("\n")
        );
        assert_eq!(
            parse(&format!("{head}017,1550,,7.1,\n")).unwrap()[0]
                .reading
                .loss
                .std_error,
            None
        );
    }
}
