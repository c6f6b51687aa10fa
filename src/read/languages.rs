//! Header words of other languages than English, as far as they are built in. Others come
//! with a [`Recipe`](super::Recipe).
//!
//! Only words that mean one thing stand here, from memory: German `Ende` and French
//! `extrémité` may be a place as well as a distance, and are left to a recipe.

use std::collections::HashMap;
use std::sync::LazyLock;

use super::words::{Known, Quantity};

mod german_french_spanish;
mod italian_dutch_portuguese_polish;

use german_french_spanish as first;
use italian_dutch_portuguese_polish as second;

/// Every word for a setting, also as it is written without accents.
pub(super) fn settings() -> impl Iterator<Item = (Known, String)> {
    let of =
        |(known, words): &'static (Known, &[&str])| words.iter().map(move |word| (*known, *word));
    first::SETTINGS
        .iter()
        .chain(second::SETTINGS)
        .flat_map(of)
        .flat_map(|(known, word)| spellings(word).map(move |word| (known, word)))
}

/// Every spelling of a word in a column's title; of equal ones the first counts.
static COLUMNS: LazyLock<HashMap<String, Quantity>> = LazyLock::new(|| {
    let mut columns = HashMap::new();
    for (quantity, words) in first::COLUMNS.iter().chain(second::COLUMNS) {
        for word in words.iter().flat_map(|word| spellings(word)) {
            columns.entry(word).or_insert(*quantity);
        }
    }
    columns
});

/// What a word of a column's title names, in lower case.
pub(super) fn column(word: &str) -> Option<Quantity> {
    COLUMNS.get(word).copied()
}

/// A word as it is, without its accents, and with the letters that stand for an umlaut.
fn spellings(word: &str) -> impl Iterator<Item = String> {
    let bare = |c: char| match c {
        'á' | 'â' | 'à' | 'ä' | 'ã' | 'ą' => 'a',
        'é' | 'è' | 'ê' | 'ë' | 'ę' => 'e',
        'í' | 'î' | 'ï' => 'i',
        'ó' | 'ö' | 'ô' | 'õ' => 'o',
        'ú' | 'ü' | 'ù' => 'u',
        'ñ' | 'ń' => 'n',
        'ç' | 'ć' => 'c',
        'ł' => 'l',
        'ś' => 's',
        'ż' | 'ź' => 'z',
        other => other,
    };
    let plain = word.chars().map(bare).collect();
    let long = word
        .replace('ä', "ae")
        .replace('ö', "oe")
        .replace('ü', "ue");
    [word.to_owned(), plain, long].into_iter()
}

#[cfg(test)]
mod tests {
    use super::super::words::key;
    use super::*;

    #[test]
    fn every_word_means_what_its_row_says() {
        for (known, word) in settings() {
            let found = key(&word).map(|key| (key.known, key.sure));
            assert_eq!(found, Some((known, true)), "{word}");
        }
    }

    #[test]
    fn accents_may_be_missing() {
        for word in ["entfernung", "länge", "laenge", "lange", "posicion"] {
            assert_eq!(column(word), Some(Quantity::Distance), "{word}");
        }
        assert_eq!(
            key("rueckstreukoeffizient").map(|key| key.known),
            Some(Known::Backscatter)
        );
        assert_eq!(column("wetter"), None);
    }
}
