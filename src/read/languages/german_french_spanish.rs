//! Header words in German, French and Spanish, from memory.

use super::{Known, Quantity};

/// What settings are called.
#[rustfmt::skip]
pub(super) const SETTINGS: &[(Known, &[&str])] = &[
    (Known::Fibre, &[
        "faser", "faser nr", "fasernummer", "fasername", "faser id", "lwl faser", "fibre optique",
        "nom de la fibre", "n° de fibre", "no de fibre", "numéro de fibre", "fibra", "nombre de fibra",
        "nombre de la fibra", "n.º de fibra", "número de fibra", "id de fibra", "lwl", "fasernr",
        "faserbezeichnung", "repère de fibre", "identifiant de fibre", "fibre n°",
        "identificador de fibra", "nº de fibra",
        "faserkennung", "brin",
    ]),
    (Known::Cable, &[
        "kabel", "kabel nr", "kabelname", "kabelnummer", "kabel id", "câble", "nom du câble",
        "n° de câble", "numéro de câble", "cable óptico", "nombre del cable", "número de cable",
        "kabelbezeichnung", "lwl kabel", "n° câble", "identifiant du câble", "identificador de cable",
        "n.º de cable",
        "kabelkennung",
    ]),
    (Known::From, &[
        "von", "standort a", "ort a", "messort", "startort", "départ", "lieu de départ", "depuis",
        "site de départ", "desde", "origen", "lugar de origen", "ende a", "seite a", "messung von",
        "gemessen von ort", "messpunkt a", "anfangsort", "ausgangsort", "extrémité a", "extremité a",
        "origine", "lieu d'origine", "mesuré depuis", "mesure depuis", "extremo a",
        "punto a", "lado a", "sitio a", "medido desde", "extremo cercano", "nahes ende",
        "extrémité proche",
        "von standort", "startpunkt a",
    ]),
    (Known::To, &[
        "nach", "standort b", "ort b", "zielort", "gegenstelle", "arrivée", "lieu d'arrivée",
        "site d'arrivée", "hasta", "destino", "lugar de destino", "ende b", "seite b", "messung nach",
        "messpunkt b", "endort", "zielpunkt", "extrémité b", "lieu de destination", "vers",
        "extremo b", "punto b", "lado b", "sitio b", "medido hacia", "extremo lejano", "fernes ende",
        "extrémité distante", "extrémité lointaine",
        "nach standort", "zielpunkt b",
    ]),
    (Known::Direction, &[
        "richtung", "messrichtung", "prüfrichtung", "sens", "sens de mesure", "sens de la mesure",
        "direction de mesure", "sentido", "sentido de medida", "sentido de la medida",
        "sentido de medición", "dirección", "dirección de medida", "dirección de medición",
    ]),
    (Known::Wavelength, &[
        "wellenlänge", "messwellenlänge", "laserwellenlänge", "longueur d'onde", "longitud de onda",
        "nennwellenlänge", "prüfwellenlänge", "longueur d'onde nominale", "longueur d'onde laser",
        "longueur d'onde de mesure", "longitud de onda nominal", "longitud de onda del láser",
        "longitud de onda de medida",
        "lichtwellenlänge", "longueur donde",
    ]),
    (Known::Pulse, &[
        "pulsbreite", "impulsbreite", "pulslänge", "impulslänge", "pulsdauer", "impulsdauer", "puls",
        "impuls", "largeur d'impulsion", "largeur de l'impulsion", "durée d'impulsion", "impulsion",
        "ancho de pulso", "anchura de pulso", "ancho de impulso", "anchura de impulso",
        "duración de pulso", "duración del pulso", "pulso", "messimpuls", "messpuls",
        "breite des impulses", "largeur du pulse", "largeur impulsion", "durée de l'impulsion",
        "longueur d'impulsion", "anchura del pulso", "ancho del pulso", "duración de impulso",
        "duración del impulso", "longitud de pulso", "longitud del pulso",
    ]),
    (Known::Index, &[
        "brechungsindex", "brechzahl", "gruppenindex", "gruppenbrechungsindex", "gruppenbrechzahl",
        "indice de réfraction", "indice de groupe", "índice de refracción", "índice de grupo",
        "gruppenindex der faser", "effektiver gruppenindex", "brechungsindex der faser",
        "indice de réfraction de groupe", "indice de réfraction du groupe",
        "índice de refracción de grupo", "índice de refracción de la fibra",
        "brechungsindex gruppe",
    ]),
    (Known::Backscatter, &[
        "rückstreukoeffizient", "rückstreuung", "rückstreufaktor", "coefficient de rétrodiffusion",
        "rétrodiffusion", "coeficiente de retrodispersión", "retrodispersión",
        "coeficiente de retroesparcimiento", "rückstreuwert", "rückstreupegel bei 1 ns",
        "coefficient de rétro diffusion", "coeficiente de retroesparcido",
        "coeficiente de retro dispersión", "niveau de rétrodiffusion",
    ]),
    (Known::Averaging, &[
        "mittelungszeit", "mittelungsdauer", "messzeit", "messdauer", "mittelung",
        "durée de moyennage", "temps de moyennage", "temps d'acquisition", "durée d'acquisition",
        "moyennage", "durée de mesure", "tiempo de promediado", "tiempo de adquisición",
        "tiempo de medición", "tiempo de medida", "promediado", "mittelwertbildung", "aufnahmezeit",
        "erfassungszeit", "durée de la mesure", "temps de mesure", "temps de moyenne",
        "tiempo de promedio", "duración de la medida", "duración de medida", "duración de la medición",
        "duración de la adquisición", "duración de adquisición", "tiempo de integración",
    ]),
    (Known::Measured, &[
        "gemessen", "gemessen am", "messdatum", "datum", "datum uhrzeit", "datum und uhrzeit",
        "mesuré le", "date de mesure", "date de la mesure", "date et heure", "fecha", "medido el",
        "fecha de medición", "fecha y hora", "gemessen um", "messzeitpunkt", "datum der messung",
        "zeitpunkt", "mesuré", "date du test", "date d'acquisition", "fecha de medida",
        "fecha de la medida", "fecha de la prueba", "fecha de prueba", "medido",
        "aufgenommen am",
    ]),
    (Known::Time, &[
        "uhrzeit", "heure", "hora",
    ]),
    (Known::Launch, &[
        "vorlauffaser", "vorlaufstrecke", "vorlauflänge", "vorlaufkabel", "vorlauf", "bobine amorce",
        "amorce", "fibre amorce", "longueur d'amorce", "bobina de lanzamiento", "fibra de lanzamiento",
        "cable de lanzamiento", "vorspannfaser", "vorspann", "longueur de la bobine amorce",
        "longueur bobine amorce", "fibre d'amorce", "câble amorce",
        "longitud de la bobina de lanzamiento", "longitud bobina de lanzamiento",
        "cordón de lanzamiento",
    ]),
    (Known::Tail, &[
        "nachlauffaser", "nachlaufstrecke", "nachlauflänge", "nachlaufkabel", "nachlauf",
        "bobine de fin", "bobine réceptrice", "fibre de fin", "bobina final", "bobina de cola",
        "fibra de cola", "bobina de recepción", "endfaser", "nachspannfaser", "bobine de queue",
        "fibre de queue", "câble de fin", "bobine de réception", "longueur de la bobine de fin",
        "fibra final", "cable de cola", "longitud de la bobina de cola",
    ]),
    (Known::Instrument, &[
        "messgerät", "gerät", "gerätetyp", "appareil", "appareil de mesure", "réflectomètre", "equipo",
        "instrumento", "messinstrument", "gerätename", "gerätemodell", "nom de l'appareil", "modèle",
        "réflectomètre optique", "equipo de medida", "nombre del equipo", "modelo",
    ]),
    (Known::Serial, &[
        "seriennummer", "serien nr", "gerätenummer", "numéro de série", "n° de série", "no de série",
        "número de serie", "n.º de serie", "nº de serie", "seriennr", "geräte nr", "gerätenr",
        "número de serie del equipo", "numéro de série de l'appareil",
    ]),
    (Known::Calibrated, &[
        "kalibriert bis", "nächste kalibrierung", "kalibrierung gültig bis", "étalonné jusqu'au",
        "prochain étalonnage", "calibrado hasta", "próxima calibración",
    ]),
    (Known::Operator, &[
        "prüfer", "bediener", "messtechniker", "techniker", "gemessen von", "opérateur", "technicien",
        "mesuré par", "operador", "técnico", "medido por", "messender", "name des prüfers",
        "mesure par", "opérateur de mesure", "nom de l'opérateur", "nombre del operador",
        "realizado por", "effectué par", "durchgeführt von",
    ]),
    (Known::Note, &[
        "bemerkung", "bemerkungen", "kommentar", "remarque", "remarques", "commentaire",
        "commentaires", "observaciones", "observación", "comentario", "comentarios", "nota",
    ]),
    (Known::Spacing, &[
        "abtastabstand", "punktabstand", "messpunktabstand", "abtastintervall",
        "pas d'échantillonnage", "espacement", "intervalle d'échantillonnage",
        "separación entre muestras", "intervalo de muestreo", "paso de muestreo",
        "abstand der messpunkte", "abstand der punkte", "schrittweite", "pas de mesure",
        "pas entre points", "espacement des points", "distance entre points", "espaciado",
        "paso entre muestras", "distancia entre muestras", "distancia entre puntos",
        "espaciado de muestras", "pas",
    ]),
    (Known::Start, &[
        "startpunkt", "erster punkt", "erster messpunkt", "premier point", "premier échantillon",
        "primera muestra", "primer punto", "startposition", "anfangsposition", "startentfernung",
        "anfangsentfernung", "position des ersten punktes", "entfernung des ersten messpunktes",
        "début", "position de départ", "distance de départ", "distance du premier point",
        "position du premier point", "inicio", "posición inicial", "distancia inicial",
        "distancia de la primera muestra", "posición de la primera muestra", "anfang",
    ]),
    (Known::Samples, &[
        "messpunkte", "anzahl punkte", "anzahl der punkte", "anzahl messpunkte", "nombre de points",
        "nombre d'échantillons", "échantillons", "número de puntos", "número de muestras", "muestras",
        "punktzahl", "datenpunkte", "nombre d'échantillon", "nombre de mesures", "puntos",
    ]),
    (Known::DistanceUnit, &[
        "entfernungseinheit", "längeneinheit", "unité de distance", "unidad de distancia",
        "einheit der entfernung", "einheit der länge", "einheit der distanz", "einheit entfernung",
        "unité des distances", "unité de longueur", "unidad de longitud", "unidades de distancia",
    ]),
    (Known::LevelUnit, &[
        "pegeleinheit", "unité de niveau", "unidad de nivel", "einheit des pegels", "unité du niveau",
        "unidad del nivel",
    ]),
];

/// What columns are called: a word of their titles.
#[rustfmt::skip]
pub(super) const COLUMNS: &[(Quantity, &[&str])] = &[
    (Quantity::Distance, &[
        "entfernung", "länge", "strecke", "distanz", "abstand", "laufzeit", "éloignement", "longueur",
        "temps", "distancia", "longitud", "posición", "tiempo", "position", "ort", "faserlänge",
        "umlaufzeit", "lage", "pos", "distance", "portée", "ubicación", "retardo", "délai", "retard",
    ]),
    (Quantity::Level, &[
        "pegel", "leistung", "rückstreupegel", "rückstreuleistung", "niveau", "puissance", "nivel",
        "potencia", "señal", "rückstreuung", "rückgestreut", "signal", "kurve", "amplitude",
        "rétrodiffusion", "courbe", "amplitud", "retrodispersión", "traza", "rückstreusignal",
        "signalpegel",
    ]),
    (Quantity::Loss, &[
        "dämpfung", "verlust", "atténuation", "affaiblissement", "perte", "pertes", "atenuación",
        "pérdida", "pérdidas", "gesamtdämpfung", "einfügedämpfung", "streckendämpfung",
    ]),
    (Quantity::Index, &[
        "punkt", "nummer", "numéro", "número", "muestra", "messpunkt", "indice", "índice", "punto",
        "lfd", "échantillon",
    ]),
];
