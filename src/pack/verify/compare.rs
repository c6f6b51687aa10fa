//! Says where a stored result and one measured again differ.

use serde::Serialize;
use serde_json::Value;

/// Most differences that are told of one result.
const MOST_TOLD: usize = 12;

/// A report as the values that its text holds, so that both sides of a comparison went
/// through the same writing.
///
/// # Errors
/// What the JSON library says.
pub(super) fn taken_apart(report: &impl Serialize) -> Result<Value, String> {
    serde_json::to_string(report)
        .and_then(|text| serde_json::from_str(&text))
        .map_err(|error| format!("cannot be compared: {error}"))
}

/// Differences between the text of a stored result and the one measured again, in words.
pub(super) fn differing(stored: &[u8], again: &Value) -> Vec<String> {
    let stored: Value = match serde_json::from_slice(stored) {
        Ok(value) => value,
        Err(error) => return vec![format!("is no result: {error}")],
    };
    let mut told = Vec::new();
    walk("", &stored, again, &mut told);
    let more = told.len().saturating_sub(MOST_TOLD);
    if more > 0 {
        told.truncate(MOST_TOLD);
        told.push(format!("and {more} more differences from the raw traces"));
    }
    told
}

fn walk(at: &str, stored: &Value, again: &Value, told: &mut Vec<String>) {
    match (stored, again) {
        (Value::Object(one), Value::Object(other)) => {
            let mut keys: Vec<&String> = one.keys().chain(other.keys()).collect();
            keys.sort();
            keys.dedup();
            for key in keys {
                let place = if at.is_empty() {
                    key.clone()
                } else {
                    format!("{at}.{key}")
                };
                match (one.get(key), other.get(key)) {
                    (Some(one), Some(other)) => walk(&place, one, other, told),
                    (Some(one), None) => told.push(format!(
                        "{place} is {one} in the pack and does not come from the raw traces"
                    )),
                    (None, Some(other)) => told.push(format!(
                        "{place} is missing in the pack; the raw traces give {other}"
                    )),
                    (None, None) => {}
                }
            }
        }
        (Value::Array(one), Value::Array(other)) => {
            if one.len() != other.len() {
                told.push(format!(
                    "{at} has {} entries in the pack; the raw traces give {}",
                    one.len(),
                    other.len()
                ));
            }
            for (index, (one, other)) in one.iter().zip(other).enumerate() {
                walk(&format!("{at}[{}]", index + 1), one, other, told);
            }
        }
        (one, other) if one == other => {}
        (one, other) => told.push(format!(
            "{at} is {one} in the pack; the raw traces give {other}"
        )),
    }
}
