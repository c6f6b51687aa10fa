//! Header words of other languages than English, as far as they are built in:
//! German, French and Spanish. Others come with a [`Recipe`](super::Recipe).
//!
//! Only words that mean one thing stand here, from memory: German `Ende` and French
//! `extrémité` may be a place as well as a distance, and are left to a recipe.

use super::words::{Known, Quantity};

/// What settings are called.
const SETTINGS: &[(Known, &[&str])] = &[
    (
        Known::Fibre,
        &[
            "faser",
            "faser nr",
            "fasernummer",
            "fasername",
            "faser id",
            "lwl faser",
            "fibre optique",
            "nom de la fibre",
            "n° de fibre",
            "no de fibre",
            "numéro de fibre",
            "fibra",
            "nombre de fibra",
            "nombre de la fibra",
            "n.º de fibra",
            "número de fibra",
            "id de fibra",
        ],
    ),
    (
        Known::Cable,
        &[
            "kabel",
            "kabel nr",
            "kabelname",
            "kabelnummer",
            "kabel id",
            "câble",
            "nom du câble",
            "n° de câble",
            "numéro de câble",
            "cable óptico",
            "nombre del cable",
            "número de cable",
        ],
    ),
    (
        Known::From,
        &[
            "von",
            "standort a",
            "ort a",
            "messort",
            "startort",
            "départ",
            "lieu de départ",
            "depuis",
            "site de départ",
            "desde",
            "origen",
            "lugar de origen",
        ],
    ),
    (
        Known::To,
        &[
            "nach",
            "standort b",
            "ort b",
            "zielort",
            "gegenstelle",
            "arrivée",
            "lieu d'arrivée",
            "site d'arrivée",
            "hasta",
            "destino",
            "lugar de destino",
        ],
    ),
    (
        Known::Wavelength,
        &[
            "wellenlänge",
            "messwellenlänge",
            "laserwellenlänge",
            "longueur d'onde",
            "longitud de onda",
        ],
    ),
    (
        Known::Pulse,
        &[
            "pulsbreite",
            "impulsbreite",
            "pulslänge",
            "impulslänge",
            "pulsdauer",
            "impulsdauer",
            "puls",
            "impuls",
            "largeur d'impulsion",
            "largeur de l'impulsion",
            "durée d'impulsion",
            "impulsion",
            "ancho de pulso",
            "anchura de pulso",
            "ancho de impulso",
            "anchura de impulso",
            "duración de pulso",
            "duración del pulso",
            "pulso",
        ],
    ),
    (
        Known::Index,
        &[
            "brechungsindex",
            "brechzahl",
            "gruppenindex",
            "gruppenbrechungsindex",
            "gruppenbrechzahl",
            "indice de réfraction",
            "indice de groupe",
            "índice de refracción",
            "índice de grupo",
        ],
    ),
    (
        Known::Backscatter,
        &[
            "rückstreukoeffizient",
            "rückstreuung",
            "rückstreufaktor",
            "coefficient de rétrodiffusion",
            "rétrodiffusion",
            "coeficiente de retrodispersión",
            "retrodispersión",
            "coeficiente de retroesparcimiento",
        ],
    ),
    (
        Known::Averaging,
        &[
            "mittelungszeit",
            "mittelungsdauer",
            "messzeit",
            "messdauer",
            "mittelung",
            "durée de moyennage",
            "temps de moyennage",
            "temps d'acquisition",
            "durée d'acquisition",
            "moyennage",
            "durée de mesure",
            "tiempo de promediado",
            "tiempo de adquisición",
            "tiempo de medición",
            "tiempo de medida",
            "promediado",
        ],
    ),
    (
        Known::Measured,
        &[
            "gemessen",
            "gemessen am",
            "messdatum",
            "datum",
            "datum uhrzeit",
            "datum und uhrzeit",
            "mesuré le",
            "date de mesure",
            "date de la mesure",
            "date et heure",
            "fecha",
            "medido el",
            "fecha de medición",
            "fecha y hora",
        ],
    ),
    (Known::Time, &["uhrzeit", "heure", "hora"]),
    (
        Known::Launch,
        &[
            "vorlauffaser",
            "vorlaufstrecke",
            "vorlauflänge",
            "vorlaufkabel",
            "vorlauf",
            "bobine amorce",
            "amorce",
            "fibre amorce",
            "longueur d'amorce",
            "bobina de lanzamiento",
            "fibra de lanzamiento",
            "cable de lanzamiento",
        ],
    ),
    (
        Known::Tail,
        &[
            "nachlauffaser",
            "nachlaufstrecke",
            "nachlauflänge",
            "nachlaufkabel",
            "nachlauf",
            "bobine de fin",
            "bobine réceptrice",
            "fibre de fin",
            "bobina final",
            "bobina de cola",
            "fibra de cola",
            "bobina de recepción",
        ],
    ),
    (
        Known::Instrument,
        &[
            "messgerät",
            "gerät",
            "gerätetyp",
            "appareil",
            "appareil de mesure",
            "réflectomètre",
            "equipo",
            "instrumento",
        ],
    ),
    (
        Known::Serial,
        &[
            "seriennummer",
            "serien nr",
            "gerätenummer",
            "numéro de série",
            "n° de série",
            "no de série",
            "número de serie",
            "n.º de serie",
            "nº de serie",
        ],
    ),
    (
        Known::Calibrated,
        &[
            "kalibriert bis",
            "nächste kalibrierung",
            "kalibrierung gültig bis",
            "étalonné jusqu'au",
            "prochain étalonnage",
            "calibrado hasta",
            "próxima calibración",
        ],
    ),
    (
        Known::Operator,
        &[
            "prüfer",
            "bediener",
            "messtechniker",
            "techniker",
            "gemessen von",
            "opérateur",
            "technicien",
            "mesuré par",
            "operador",
            "técnico",
            "medido por",
        ],
    ),
    (
        Known::Note,
        &[
            "bemerkung",
            "bemerkungen",
            "kommentar",
            "remarque",
            "remarques",
            "commentaire",
            "commentaires",
            "observaciones",
            "observación",
            "comentario",
            "comentarios",
            "nota",
        ],
    ),
    (
        Known::Spacing,
        &[
            "abtastabstand",
            "punktabstand",
            "messpunktabstand",
            "abtastintervall",
            "pas d'échantillonnage",
            "espacement",
            "intervalle d'échantillonnage",
            "separación entre muestras",
            "intervalo de muestreo",
            "paso de muestreo",
        ],
    ),
    (
        Known::Start,
        &[
            "startpunkt",
            "erster punkt",
            "erster messpunkt",
            "premier point",
            "premier échantillon",
            "primera muestra",
            "primer punto",
        ],
    ),
    (
        Known::Samples,
        &[
            "messpunkte",
            "anzahl punkte",
            "anzahl der punkte",
            "anzahl messpunkte",
            "nombre de points",
            "nombre d'échantillons",
            "échantillons",
            "número de puntos",
            "número de muestras",
            "muestras",
        ],
    ),
    (
        Known::DistanceUnit,
        &[
            "entfernungseinheit",
            "längeneinheit",
            "unité de distance",
            "unidad de distancia",
        ],
    ),
    (
        Known::LevelUnit,
        &["pegeleinheit", "unité de niveau", "unidad de nivel"],
    ),
];

/// What columns are called: a word of their titles.
const COLUMNS: &[(Quantity, &[&str])] = &[
    (
        Quantity::Distance,
        &[
            "entfernung",
            "länge",
            "strecke",
            "distanz",
            "abstand",
            "laufzeit",
            "éloignement",
            "longueur",
            "temps",
            "distancia",
            "longitud",
            "posición",
            "tiempo",
        ],
    ),
    (
        Quantity::Level,
        &[
            "pegel",
            "leistung",
            "rückstreupegel",
            "rückstreuleistung",
            "niveau",
            "puissance",
            "nivel",
            "potencia",
            "señal",
        ],
    ),
    (
        Quantity::Loss,
        &[
            "dämpfung",
            "verlust",
            "atténuation",
            "affaiblissement",
            "perte",
            "pertes",
            "atenuación",
            "pérdida",
            "pérdidas",
        ],
    ),
    (
        Quantity::Index,
        &["punkt", "nummer", "numéro", "número", "muestra"],
    ),
];

/// Every word for a setting, also as it is written without accents.
pub(super) fn settings() -> impl Iterator<Item = (Known, String)> {
    let of =
        |(known, words): &'static (Known, &[&str])| words.iter().map(move |word| (*known, *word));
    SETTINGS
        .iter()
        .flat_map(of)
        .flat_map(|(known, word)| spellings(word).map(move |word| (known, word)))
}

/// What a word of a column's title names, in lower case.
pub(super) fn column(word: &str) -> Option<Quantity> {
    let named = |words: &[&str]| {
        words
            .iter()
            .any(|own| spellings(own).any(|own| own == word))
    };
    // English titles do not get here, and a file has a few words in its titles.
    COLUMNS
        .iter()
        .find(|(_, words)| named(words))
        .map(|(quantity, _)| *quantity)
}

/// A word as it is, without its accents, and with the letters that stand for an umlaut.
fn spellings(word: &str) -> impl Iterator<Item = String> {
    let bare = |c: char| match c {
        'á' | 'â' | 'à' | 'ä' => 'a',
        'é' | 'è' | 'ê' => 'e',
        'í' => 'i',
        'ó' | 'ö' => 'o',
        'ú' | 'ü' => 'u',
        'ñ' => 'n',
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
        assert_eq!(column("kurve"), None);
    }
}
