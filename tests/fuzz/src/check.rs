//! What must hold of the reader on any bytes.

use bothends::read::{Glyphs, ReadTrace, Recipe, describe, from_bytes, to_plain_text};

/// Reads, describes, and reads back what was written from it.
///
/// # Panics
/// When a promise of the reader is broken.
pub fn check(bytes: &[u8]) {
    let content = match from_bytes(bytes) {
        Ok(content) => content,
        Err(error) => {
            // A refusal names the place or is one of the whole file, and has words.
            assert!(!error.to_string().is_empty());
            if let Some(place) = error.place {
                assert!(place.line >= 1 && place.column >= 1, "{error}");
            }
            return;
        }
    };
    assert!(!content.traces.is_empty());
    let numbers = |trace: &ReadTrace| {
        let grows = trace
            .distances_m
            .windows(2)
            .into_iter()
            .all(|pair| pair[0] < pair[1]);
        assert!(grows, "a distance does not grow");
        assert!(
            trace.distances_m.iter().all(|d| d.is_finite()),
            "a distance is not finite"
        );
        assert!(
            trace.levels_db.iter().all(|l| !l.is_infinite()),
            "a level is infinite"
        );
    };
    content.traces.iter().for_each(numbers);
    // Writing and reading back costs most of the time: one file in eight.
    let sum = bytes.iter().fold(0_u32, |sum, b| {
        sum.wrapping_mul(31).wrapping_add(u32::from(*b))
    });
    if !(sum >> 7).is_multiple_of(8) {
        return;
    }
    let _ = describe(&content, Glyphs::Blocks);
    let recipe = Recipe::from_layout(&content).to_toml();
    assert!(
        Recipe::from_toml(&recipe).is_ok(),
        "recipe does not read back:\n{recipe}"
    );
    for trace in &content.traces {
        assert_eq!(trace.distances_m.len(), trace.levels_db.len());
        let (Some(distances), Some(levels)) =
            (trace.distances_m.as_slice(), trace.levels_db.as_slice())
        else {
            continue;
        };
        // Too few levels, or none, may be refused as a file of their own, and so
        // may levels that the title `level_db` does not excuse.
        let text = to_plain_text(&trace.header, distances, levels);
        let Ok(again) = from_bytes(text.as_bytes()) else {
            continue;
        };
        let bits = |values: &[f64]| values.iter().map(|v| v.to_bits()).collect::<Vec<_>>();
        assert_eq!(again.traces.len(), 1, "a trace became several");
        let turned = again.warnings.iter().any(|w| w.code == "level direction");
        if turned {
            continue;
        }
        let other = &again.traces[0];
        assert_eq!(
            bits(other.distances_m.as_slice().unwrap_or_default()),
            bits(distances),
            "distances changed"
        );
        let same = other
            .levels_db
            .iter()
            .zip(levels)
            .all(|(a, b)| a.to_bits() == b.to_bits() || a.is_nan() && b.is_nan());
        assert!(same, "levels changed");
    }
}
