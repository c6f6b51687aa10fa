//! Pages for a browser without network: an index, and one page a fibre.
//!
//! A page allows the one script and the one style sheet that are in it, by their
//! fingerprints, and nothing else: were a name of a file to get past the escaping, a
//! browser would still not run it.

mod escape;
mod fibre;
mod index;
mod parts;
mod samples;
mod script_words;

pub use fibre::{Levels, fibre_page};
pub use index::{IndexFile, index_page};

use base64::Engine;
use base64::engine::general_purpose::STANDARD;
use sha2::{Digest, Sha256};

use self::escape::html;

const STYLE: &str = include_str!("page.css");
const FIBRE_SCRIPT: &str = include_str!("page.js");
const INDEX_SCRIPT: &str = include_str!("index.js");

/// Where a page may fetch levels from.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Fetch {
    /// From nowhere: everything is in the page.
    Nowhere,
    /// From the server that the page came from.
    SameServer,
}

/// The policy that a page states, and that a server sends with it.
pub fn policy(fetch: Fetch) -> String {
    let hash = |text: &str| STANDARD.encode(Sha256::digest(text.as_bytes()));
    format!(
        "default-src 'none'; script-src 'sha256-{}' 'sha256-{}'; style-src 'sha256-{}'; \
         img-src data:; connect-src {}; base-uri 'none'; form-action 'none'",
        hash(FIBRE_SCRIPT),
        hash(INDEX_SCRIPT),
        hash(STYLE),
        match fetch {
            Fetch::Nowhere => "'none'",
            Fetch::SameServer => "'self'",
        }
    )
}

/// A whole page around its body.
fn page(language: &str, title: &str, body: &str, script: &str, fetch: Fetch) -> String {
    format!(
        "<!DOCTYPE html>\n<html lang=\"{}\">\n<head>\n<meta charset=\"utf-8\">\n\
         <meta http-equiv=\"Content-Security-Policy\" content=\"{}\">\n\
         <meta name=\"viewport\" content=\"width=device-width, initial-scale=1\">\n\
         <meta name=\"referrer\" content=\"no-referrer\">\n\
         <title>{}</title>\n<style>{STYLE}</style>\n</head>\n<body>\n{body}\n\
         <script>{script}</script>\n</body>\n</html>\n",
        html(language),
        policy(fetch),
        html(title),
    )
}
