//! Project details that a user gives: title, parties, logo.

/// Who has the work done, who does it, and what it is called.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Project {
    /// Title of the project.
    pub title: Option<String>,
    /// Its number or order.
    pub number: Option<String>,
    /// Where it is.
    pub site: Option<String>,
    /// Free text for the cover.
    pub note: Option<String>,
    /// Who receives the pack.
    pub client: Party,
    /// Who did the work.
    pub contractor: Party,
    /// Who measured.
    pub tester: Party,
    /// Entries of the user's own for the cover: name and value, in their order.
    pub details: Vec<(String, String)>,
    /// Logo of the contractor as a PNG file, checked and of limited size.
    pub logo_png: Option<Vec<u8>>,
}

/// A party of the project.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Party {
    /// Name.
    pub name: Option<String>,
    /// Address, on any number of lines.
    pub address: Option<String>,
    /// Person, telephone or mail.
    pub contact: Option<String>,
}

impl Party {
    /// Whether nothing is said of it.
    pub fn is_empty(&self) -> bool {
        *self == Self::default()
    }
}
