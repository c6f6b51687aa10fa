//! File names from what files say.

/// Most characters of a name made from a header; the longest ending fits behind it.
const LONGEST: usize = 100;

/// A file name without ending that stays in its folder on any system: letters and
/// digits of any script, `-`, `_` and inner points are kept, everything else
/// becomes one `-`.
pub fn safe_stem(text: &str) -> String {
    let mut stem = String::new();
    for char in text.chars() {
        if char.is_alphanumeric() || matches!(char, '_' | '.') {
            stem.push(char);
        } else if !stem.ends_with('-') {
            stem.push('-');
        }
    }
    let kept: String = stem
        .trim_matches(['-', '.'])
        .chars()
        .take(LONGEST)
        .collect();
    if kept.is_empty() {
        "link".to_owned()
    } else {
        kept
    }
}

#[cfg(test)]
mod tests {
    use super::safe_stem;

    #[test]
    fn a_name_never_leaves_its_folder() {
        assert_eq!(safe_stem("HL-204-017-1550"), "HL-204-017-1550");
        assert_eq!(safe_stem("../../etc/passwd-1550"), "etc-passwd-1550");
        assert_eq!(safe_stem("C:\\cable\u{0}\n7"), "C-cable-7");
        assert_eq!(safe_stem("Brücke 7/12"), "Brücke-7-12");
        assert_eq!(safe_stem("-rf"), "rf");
        assert_eq!(safe_stem("///"), "link");
        assert_eq!(safe_stem(&"x".repeat(5000)).len(), 100);
    }
}
