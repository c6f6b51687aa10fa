//! A row above the titles that says for each column of levels, or for several of them,
//! which wavelength or direction it holds.

use super::dialect::{Separator, split};
use super::keys::plain_key;
use super::lines::Line;
use super::lists::numbered;
use super::title_row::{LONGEST_TITLES, unmarked};
use super::titles::{Meaning, meaning};
use super::words::{Known, Quantity, Vocabulary};

/// The titles with what a row above them says of each column of levels, its wavelength
/// or direction; that row is taken out of the lines before them.
pub(super) fn take_heads(
    before: &mut Vec<Line<'_>>,
    titles: usize,
    separator: Separator,
    texts: Vec<String>,
    vocabulary: &Vocabulary,
) -> Vec<String> {
    let above = before
        .iter()
        .take(titles)
        .rposition(|line| line.text.contains(char::is_alphanumeric));
    let Some((above, line)) = above.and_then(|above| Some((above, before.get(above)?))) else {
        return texts;
    };
    match headed(line.text, separator, &texts, vocabulary) {
        Some(headed) => {
            before.remove(above);
            headed
        }
        None => texts,
    }
}

/// The titles under a row such as `;1310 nm;1550 nm`, whose cells may each stand over
/// several columns: `;1310 nm;;1550 nm;`.
fn headed(
    line: &str,
    separator: Separator,
    texts: &[String],
    vocabulary: &Vocabulary,
) -> Option<Vec<String>> {
    separator.char().filter(|_| line.len() <= LONGEST_TITLES)?;
    let meanings: Vec<Meaning> = texts.iter().map(|text| meaning(text, vocabulary)).collect();
    let is_level = |column: usize| {
        let quantity = meanings.get(column).and_then(|m| m.quantity);
        matches!(quantity, Some(Quantity::Level | Quantity::Loss))
    };
    let levels: Vec<usize> = (0..texts.len())
        .filter(|&column| is_level(column))
        .collect();
    if levels.len() < 2 {
        return None;
    }
    [line.trim_end(), unmarked(line)]
        .into_iter()
        .find_map(|line| {
            let mut cells: Vec<String> = split(line, separator)
                .map(|piece| piece.text.trim().replace(['\n', '\r'], " "))
                .collect();
            while cells.len() > texts.len() && cells.last().is_some_and(String::is_empty) {
                cells.pop();
            }
            let said: Vec<Option<Meaning>> = cells
                .iter()
                .map(|cell| Some(meaning(cell, vocabulary)).filter(|_| !cell.contains([':', '='])))
                .map(|m| m.filter(|m| m.wavelength_nm.is_some() || m.direction.is_some()))
                .collect();
            // A word may stand over the distances, but no key of another setting.
            let label = plain_key(cells.first()?).0;
            let key = vocabulary.key(&label).filter(|key| key.sure);
            let foreign = key.is_some_and(|key| key.known != Known::Wavelength)
                || numbered(&label, vocabulary).is_some();
            let strange = cells
                .iter()
                .zip(&said)
                .skip(1)
                .any(|(cell, said)| cell.contains(char::is_alphanumeric) && said.is_none());
            if cells.len() > texts.len() || foreign || strange {
                return None;
            }
            // Each column stands under the last cell that is filled, and each such cell
            // over as many columns.
            let head_of = |column: &usize| {
                (0..=*column)
                    .rev()
                    .find(|i| said.get(*i).is_some_and(Option::is_some))
            };
            let heads: Vec<usize> = levels.iter().map(head_of).collect::<Option<_>>()?;
            let count = |head: usize| heads.iter().filter(|other| **other == head).count();
            let filled = (0..said.len()).filter(|i| said.get(*i).is_some_and(Option::is_some));
            let even = filled.map(count).collect::<Vec<_>>();
            // One cell over all columns is the value of a setting.
            if even.len() < 2 || even.windows(2).any(|pair| pair[0] != pair[1]) {
                return None;
            }
            let mut named = texts.to_vec();
            for (column, head) in levels.iter().zip(&heads) {
                let said_before = meanings.get(*column)?;
                let says = said.get(*head)?.as_ref()?;
                let differ = says
                    .wavelength_nm
                    .zip(said_before.wavelength_nm)
                    .is_some_and(|(a, b)| (a - b).abs() > 0.5)
                    || says
                        .direction
                        .zip(said_before.direction)
                        .is_some_and(|(a, b)| a != b);
                if differ {
                    return None;
                }
                let text = named.get_mut(*column)?;
                *text = format!("{} {text}", cells.get(*head)?);
            }
            Some(named)
        })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn under(line: &str, titles: &[&str]) -> Option<Vec<String>> {
        let texts: Vec<String> = titles.iter().map(|&text| text.to_owned()).collect();
        headed(line, Separator::Semicolon, &texts, &Vocabulary::default())
    }

    #[test]
    fn a_cell_stands_over_its_column_or_over_as_many_as_the_others() {
        let titles = ["z (m)", "A->B (dB)", "B->A (dB)", "A->B (dB)", "B->A (dB)"];
        let found = under(";1310 nm;;1550 nm;", &titles).unwrap();
        assert_eq!(found[2], "1310 nm B->A (dB)");
        assert_eq!(found[3], "1550 nm A->B (dB)");
        let found = under("# ;1310 nm;1550 nm", &["z (m)", "dB", "dB"]).unwrap();
        assert_eq!(found, ["z (m)", "1310 nm dB", "1550 nm dB"]);
        let found = under("1310 nm;;1550 nm;", &["m", "dB", "m", "dB"]).unwrap();
        assert_eq!(found, ["m", "1310 nm dB", "m", "1550 nm dB"]);
    }

    #[test]
    fn settings_and_uneven_cells_are_no_such_row() {
        let titles = ["z (m)", "dB", "dB"];
        for line in [
            "Wavelength;1310 nm",
            "Lambda 1;1310 nm;1550 nm",
            "Note;1310 nm;1550 nm",
            "Wavelength: 1310 nm;1550 nm",
            "1310 nm;1550 nm;",
            ";1310 nm;first try",
        ] {
            assert_eq!(under(line, &titles), None, "{line}");
        }
        let named = ["z (m)", "1310 nm (dB)", "1550 nm (dB)"];
        assert_eq!(under(";1550 nm;1310 nm", &named), None);
    }
}
