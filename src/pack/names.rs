//! File names from what files say.

use std::collections::BTreeSet;

/// Most characters of a name made from a header; the longest ending fits behind it.
const LONGEST: usize = 100;

/// Most bytes of it: file systems take 255, and letters of some scripts take four.
const LONGEST_BYTES: usize = 180;

/// Names that one family of systems keeps for devices, whatever ending follows.
const DEVICES: [&str; 6] = ["con", "prn", "aux", "nul", "com", "lpt"];

/// A file name without ending that stays in its folder on any system: letters and
/// digits of any script, `-`, `_` and inner points are kept, everything else
/// becomes one `-`.
///
/// ```
/// use bothends::pack::safe_stem;
/// assert_eq!(safe_stem("../../HL 204/017"), "HL-204-017");
/// ```
pub fn safe_stem(text: &str) -> String {
    let mut stem = String::new();
    for char in text.chars() {
        if char.is_alphanumeric() || matches!(char, '_' | '.') {
            stem.push(char);
        } else if !stem.ends_with('-') {
            stem.push('-');
        }
    }
    let mut kept: String = stem
        .trim_matches(['-', '.'])
        .chars()
        .take(LONGEST)
        .collect();
    while kept.len() > LONGEST_BYTES || kept.ends_with(['.', '-']) {
        kept.pop();
    }
    let first = kept
        .split('.')
        .next()
        .unwrap_or_default()
        .trim_end_matches(|c: char| c.is_ascii_digit())
        .to_lowercase();
    if kept.is_empty() {
        "link".to_owned()
    } else if DEVICES.contains(&first.as_str()) {
        format!("_{kept}")
    } else {
        kept
    }
}

/// Names that were given out, so that none is given twice, whatever a file system makes
/// of capitals.
#[derive(Debug, Clone, Default)]
pub struct Names {
    taken: BTreeSet<String>,
}

impl Names {
    /// A safe name like the one wanted, and unlike any before: a number is put behind it
    /// if need be.
    pub fn unique(&mut self, wanted: &str) -> String {
        self.unique_with(wanted, "")
    }

    /// The same for a file with an ending, such as `.txt`; the number stands before it.
    pub fn unique_with(&mut self, wanted: &str, ending: &str) -> String {
        let stem = safe_stem(wanted);
        let mut name = format!("{stem}{ending}");
        let mut n = 2;
        while !self.taken.insert(name.to_lowercase()) {
            name = format!("{stem}-{n}{ending}");
            n += 1;
        }
        name
    }
}

#[cfg(test)]
mod tests {
    use super::{Names, safe_stem};

    #[test]
    fn a_name_never_leaves_its_folder() {
        assert_eq!(safe_stem("HL-204-017-1550"), "HL-204-017-1550");
        assert_eq!(safe_stem("../../etc/passwd-1550"), "etc-passwd-1550");
        assert_eq!(safe_stem("C:\\cable\u{0}\n7"), "C-cable-7");
        assert_eq!(safe_stem("Brücke 7/12"), "Brücke-7-12");
        assert_eq!(safe_stem("-rf"), "rf");
        assert_eq!(safe_stem("///"), "link");
        assert_eq!(safe_stem("NUL"), "_NUL");
        assert_eq!(safe_stem("com1.txt"), "_com1.txt");
        assert_eq!(safe_stem("common"), "common");
        assert_eq!(safe_stem(&"x".repeat(5000)).len(), 100);
        assert!(safe_stem(&"漢".repeat(5000)).len() <= 180);
    }

    #[test]
    fn two_fibres_never_share_a_file() {
        let mut names = Names::default();
        assert_eq!(names.unique("HL/1"), "HL-1");
        assert_eq!(names.unique("HL 1"), "HL-1-2");
        assert_eq!(names.unique("hl-1"), "hl-1-3");
        assert_eq!(names.unique_with("a", ".txt"), "a.txt");
        assert_eq!(names.unique_with("A", ".txt"), "A-2.txt");
    }
}
