//! Traces in other languages, and the recipe that tells their words to the reader.

use std::fmt::Write as _;

use super::SimTrace;
use super::text::{comma_number, entries, kilometres, shown};

/// The words of a language for what a file says.
#[derive(Debug, Clone, Copy)]
pub(super) struct Language {
    /// Each key of the plain form, and the word for it.
    keys: [(&'static str, &'static str); 17],
    distance: &'static str,
    level: &'static str,
    /// Between a key and its value.
    mark: &'static str,
    /// Between columns.
    separator: char,
}

/// Words by ourselves; technical German as far as we know it.
pub(super) const GERMAN: Language = Language {
    keys: [
        ("fibre", "Faser"),
        ("cable", "Kabel"),
        ("from", "Von"),
        ("to", "Nach"),
        ("wavelength", "Wellenlänge"),
        ("pulse width", "Pulsbreite"),
        ("group index", "Gruppenindex"),
        ("backscatter coefficient", "Rückstreukoeffizient"),
        ("averaging time", "Mittelungszeit"),
        ("measured", "Gemessen"),
        ("launch cord", "Vorlauffaser"),
        ("tail cord", "Nachlauffaser"),
        ("instrument", "Messgerät"),
        ("serial", "Seriennummer"),
        ("calibrated until", "Kalibriert bis"),
        ("operator", "Prüfer"),
        ("note", "Bemerkung"),
    ],
    distance: "Entfernung",
    level: "Pegel",
    mark: ";",
    separator: ';',
};

/// Words by ourselves; technical French as far as we know it.
pub(super) const FRENCH: Language = Language {
    keys: [
        ("fibre", "Nom de la fibre"),
        ("cable", "Câble"),
        ("from", "Départ"),
        ("to", "Arrivée"),
        ("wavelength", "Longueur d'onde"),
        ("pulse width", "Largeur d'impulsion"),
        ("group index", "Indice de groupe"),
        ("backscatter coefficient", "Coefficient de rétrodiffusion"),
        ("averaging time", "Durée de moyennage"),
        ("measured", "Mesuré le"),
        ("launch cord", "Bobine amorce"),
        ("tail cord", "Bobine de fin"),
        ("instrument", "Appareil"),
        ("serial", "Numéro de série"),
        ("calibrated until", "Étalonné jusqu'au"),
        ("operator", "Opérateur"),
        ("note", "Remarque"),
    ],
    distance: "Éloignement",
    level: "Niveau",
    mark: " : ",
    separator: '\t',
};

impl Language {
    /// A trace with decimal commas and kilometres.
    pub(super) fn write(self, trace: &SimTrace) -> String {
        let mut out = String::new();
        for (key, value) in entries(&trace.header) {
            let word = self.keys.iter().find(|(name, _)| *name == key);
            let word = word.map_or(key.as_str(), |(_, word)| word);
            // Writing to a string cannot fail.
            let _ = writeln!(out, "{word}{}{}", self.mark, comma_number(&value));
        }
        let separator = self.separator;
        let _ = writeln!(
            out,
            "\n{} (km){separator}{} (dB)",
            self.distance, self.level
        );
        for (distance_m, level_db) in trace.distances_m.iter().zip(&trace.levels_db) {
            let (km, level) = (kilometres(*distance_m), shown(*level_db));
            let _ = writeln!(
                out,
                "{}{separator}{}",
                km.replace('.', ","),
                level.replace('.', ",")
            );
        }
        out
    }

    /// The recipe by which the reader knows the words.
    pub(super) fn recipe(self) -> String {
        let columns = [("distance", self.distance), ("level", self.level)];
        let mut out = String::from("[words]\n");
        for (meaning, word) in self.keys.into_iter().chain(columns) {
            // Writing to a string cannot fail.
            let _ = writeln!(out, "\"{word}\" = \"{meaning}\"");
        }
        out
    }
}
