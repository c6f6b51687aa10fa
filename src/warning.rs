//! Doubts that travel with a result: data, not prints.

use serde::Serialize;

/// Something seen that a reader of the result must know.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Warning {
    /// Stable word for machines, such as `cords assumed`.
    pub code: &'static str,
    /// What was seen and what to do about it.
    pub message: String,
}

impl Warning {
    /// A warning from its code and message.
    pub fn new(code: &'static str, message: impl Into<String>) -> Self {
        Self {
            code,
            message: message.into(),
        }
    }
}
