//! The files that a simulation leaves behind.

use super::{Dialect, Plan, SimulateError, encode, run, write};

/// Names and contents of the two traces and the truth.
///
/// `stem` begins every name: `<stem>-from-a.txt`, `<stem>-from-b.txt` (`.csv`
/// in a foreign dialect) and `<stem>-truth.json`. Nothing is written to disk.
///
/// # Errors
/// [`SimulateError`] as for [`run`].
pub fn files(
    plan: &Plan,
    stem: &str,
    seed: u64,
    dialect: Dialect,
) -> Result<Vec<(String, Vec<u8>)>, SimulateError> {
    let simulated = run(plan, seed)?;
    let extension = match dialect {
        Dialect::Plain => "txt",
        _ => "csv",
    };
    let mut truth =
        serde_json::to_string_pretty(&simulated.truth).map_err(|error| SimulateError::Truth {
            reason: error.to_string(),
        })?;
    truth.push('\n');
    Ok(vec![
        (
            format!("{stem}-from-a.{extension}"),
            encode(&write(&simulated.a, dialect), dialect),
        ),
        (
            format!("{stem}-from-b.{extension}"),
            encode(&write(&simulated.b, dialect), dialect),
        ),
        (format!("{stem}-truth.json"), truth.into_bytes()),
    ])
}
