//! The files that a simulation leaves behind.

use super::{Dialect, Plan, SimulateError, encode, recipe, run, write};

/// Names and contents of the two traces and the truth.
///
/// `stem` begins every name: `<stem>-from-a.txt`, `<stem>-from-b.txt` (`.csv`
/// in a foreign dialect, with `.gz` behind it where packed), `<stem>-truth.json`,
/// and for another language `<stem>-recipe.toml`. Nothing is written to disk.
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
    let extension = dialect.extension();
    let mut truth =
        serde_json::to_string_pretty(&simulated.truth).map_err(|error| SimulateError::Truth {
            reason: error.to_string(),
        })?;
    truth.push('\n');
    let mut files = vec![
        (
            format!("{stem}-from-a.{extension}"),
            encode(&write(&simulated.a, dialect), dialect),
        ),
        (
            format!("{stem}-from-b.{extension}"),
            encode(&write(&simulated.b, dialect), dialect),
        ),
        (format!("{stem}-truth.json"), truth.into_bytes()),
    ];
    let recipe = recipe(dialect).map(String::into_bytes);
    files.extend(recipe.map(|bytes| (format!("{stem}-recipe.toml"), bytes)));
    Ok(files)
}
