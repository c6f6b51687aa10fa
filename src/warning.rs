//! Doubts that travel with a result: data, not prints.

use std::borrow::Cow;

use serde::{Deserialize, Serialize};

/// Something seen that a reader of the result must know.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Warning {
    /// Stable word for machines, such as `cords assumed`.
    pub code: Cow<'static, str>,
    /// What was seen and what to do about it.
    pub message: String,
}

impl Warning {
    /// A warning from its code and message.
    pub fn new(code: impl Into<Cow<'static, str>>, message: impl Into<String>) -> Self {
        Self {
            code: code.into(),
            message: message.into(),
        }
    }
}
