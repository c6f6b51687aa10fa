//! Header words in Italian, Dutch, Portuguese and Polish, from memory.

use super::{Known, Quantity};

/// What settings are called.
#[rustfmt::skip]
pub(super) const SETTINGS: &[(Known, &[&str])] = &[
    (Known::Fibre, &[
        "fibra ottica", "nome fibra", "numero fibra", "numero di fibra", "n fibra", "id fibra",
        "fibra n", "vezel", "vezelnummer", "vezel nr", "vezelnaam", "vezel id", "glasvezel",
        "fibra óptica", "nome da fibra", "número da fibra", "n.º da fibra", "nº da fibra",
        "id da fibra", "włókno", "nr włókna", "numer włókna", "nazwa włókna", "włókno nr",
        "identyfikator włókna", "fibra ottica n",
    ]),
    (Known::Cable, &[
        "cavo", "nome cavo", "nome del cavo", "numero cavo", "id cavo", "cavo ottico", "kabelnaam",
        "kabel nr", "kabelnummer", "cabo", "nome do cabo", "número do cabo", "n.º do cabo",
        "cabo óptico", "nazwa kabla", "numer kabla", "nr kabla",
    ]),
    (Known::From, &[
        "da", "estremo a", "estremità a", "sito a", "punto a", "lato a", "origine", "sito di origine",
        "partenza", "van", "eind a", "einde a", "locatie a", "kant a", 
        "gemeten vanaf", "vanaf", "de", "desde", "origem", "extremidade a", "extremo a", "ponto a",
        "local a", "lado a", "site a", "local de origem", "od", "koniec a", "punkt a",
        "strona a", "lokalizacja a", "mierzono od", "zmierzono od", "początek trasy",
        "sito di partenza", "beginpunt", "punkt początkowy", "partida",
    ]),
    (Known::To, &[
        "estremo b", "estremità b", "sito b", "punto b", "lato b", "destinazione",
        "sito di destinazione", "arrivo", "verso sito", "naar", "eind b", "einde b", "locatie b",
        "kant b", "gemeten naar", "bestemming", "para", "até", "destino", "extremidade b", "ponto b",
        "local b", "lado b", "local de destino", "do", "koniec b", "punkt b", "strona b",
        "lokalizacja b", "koniec trasy", "cel",
        "sito di arrivo", "eindpunt", "punkt końcowy", "chegada",
    ]),
    (Known::Direction, &[
        "direzione", "direzione di misura", "direzione misura", "verso", "verso di misura", "richting",
        "meetrichting", "direção", "direção de medição", "direção da medição", "direcção",
        "sentido de medição", "sentido da medição", "kierunek", "kierunek pomiaru",
    ]),
    (Known::Wavelength, &[
        "lunghezza d'onda", "lunghezza onda", "lunghezza d'onda nominale", "lunghezza d'onda laser",
        "golflengte", "meetgolflengte", "nominale golflengte", "lasergolflengte",
        "comprimento de onda", "comprimento de onda nominal", "comprimento de onda do laser",
        "długość fali", "nominalna długość fali", "długość fali lasera",
        "dł fali", "comp de onda",
    ]),
    (Known::Pulse, &[
        "larghezza impulso", "larghezza d'impulso", "larghezza dell'impulso", "ampiezza impulso",
        "durata impulso", "durata dell'impulso", "impulso", "pulsbreedte", "impulsbreedte", "pulsduur",
        "impulsduur", "pulslengte", "largura de pulso", "largura do pulso", "largura de impulso",
        "largura do impulso", "duração do pulso", "duração de pulso", "duração do impulso",
        "szerokość impulsu", "długość impulsu", "czas trwania impulsu", "czas impulsu",
        "szer impulsu",
    ]),
    (Known::Index, &[
        "indice di gruppo", "indice di rifrazione", "indice di rifrazione di gruppo",
        "indice di rifrazione gruppo", "groepsindex", "brekingsindex", "groepsbrekingsindex",
        "índice de refração", "índice de refracção", "índice de refração de grupo",
        "grupowy współczynnik załamania", "grupowy współczynnik załamania światła",
        "współczynnik załamania", "współczynnik załamania światła", "indeks grupowy",
        "współczynnik grupowy", "grupowy indeks załamania", "indeks załamania",
        "brekingsindex groep", "wsp załamania",
    ]),
    (Known::Backscatter, &[
        "coefficiente di retrodiffusione", "coefficiente retrodiffusione", "retrodiffusione",
        "terugstrooicoëfficiënt", "terugverstrooiingscoëfficiënt", "terugverstrooiing",
        "backscattercoëfficiënt", "coeficiente de retroespalhamento", "coeficiente de retrodifusão",
        "coeficiente de retrodispersão", "współczynnik rozproszenia wstecznego",
        "współczynnik rozpraszania wstecznego",
    ]),
    (Known::Averaging, &[
        "tempo di media", "tempo di mediazione", "tempo media", "tempo di acquisizione",
        "tempo di misura", "durata misura", "durata della misura", "durata acquisizione",
        "middelingstijd", "meettijd", "meetduur", "acquisitietijd", "tempo de média",
        "tempo de aquisição", "tempo de medição", "tempo de medida", "duração da medição",
        "duração da aquisição", "tempo de integração", "czas uśredniania", "czas pomiaru",
        "czas akwizycji", "czas trwania pomiaru", "uśrednianie",
        "mediazione", "middeling",
    ]),
    (Known::Measured, &[
        "data", "data misura", "data di misura", "data della misura", "misurato il", "data e ora",
        "data ora", "meetdatum", "gemeten op", "gemeten", "datum en tijd", "datum tijd",
        "data da medição", "data de medição", "data da medida", "medido em", "data e hora",
        "data hora", "data pomiaru", "zmierzono", "zmierzono dnia", "pomiar z dnia", "data i godzina",
        "data godzina",
        "datum meting", "data testu", "data do teste",
    ]),
    (Known::Time, &[
        "ora", "tijd", "tijdstip", "godzina",
    ]),
    (Known::Launch, &[
        "bobina di lancio", "fibra di lancio", "cavo di lancio", "lunghezza bobina di lancio",
        "lunghezza della bobina di lancio", "voorloopvezel", "voorloopkabel", "aanloopvezel",
        "bobina de lançamento", "fibra de lançamento", "cabo de lançamento",
        "comprimento da bobina de lançamento", "włókno rozbiegowe", "kabel rozbiegowy", "rozbiegówka",
        "odcinek rozbiegowy",
    ]),
    (Known::Tail, &[
        "bobina di coda", "fibra di coda", "cavo di coda", "bobina di ricezione",
        "lunghezza bobina di coda", "naloopvezel", "naloopkabel", "uitloopvezel", "bobina de cauda",
        "fibra de cauda", "cabo de cauda", "bobina de recepção", "włókno dobiegowe", "kabel dobiegowy",
        "dobiegówka", "odcinek dobiegowy",
    ]),
    (Known::Instrument, &[
        "strumento", "strumento di misura", "apparecchio", "nome strumento", "meetinstrument",
        "meetapparaat", "toestel", "instrumento de medição", "equipamento", "nome do equipamento",
        "przyrząd", "urządzenie", "reflektometr", "przyrząd pomiarowy",
    ]),
    (Known::Serial, &[
        "numero di serie", "n di serie", "numero seriale", "matricola", "serienummer", "serienr",
        "n.º de série", "número de série", "nº de série", "numer seryjny", "nr seryjny",
        "nr fabryczny", "numer fabryczny",
    ]),
    (Known::Calibrated, &[
        "calibrato fino al", "prossima calibrazione", "scadenza calibrazione", "gekalibreerd tot",
        "volgende kalibratie", "calibrado até", "próxima calibração", "kalibracja ważna do",
        "następna kalibracja",
    ]),
    (Known::Operator, &[
        "operatore", "tecnico", "misurato dal tecnico", "eseguito da", "nome operatore", "monteur",
        "gemeten door", "uitgevoerd door", "naam monteur", "técnico", "medido por", "executado por",
        "nome do operador", "operator pomiaru", "technik", "mierzył", "pomiar wykonał", "zmierzył",
        "wykonał",
    ]),
    (Known::Note, &[
        "nota", "annotazioni", "osservazioni", "commento", "commenti", "opmerking", "opmerkingen",
        "observações", "observação", "comentário", "comentários", "uwagi", "uwaga", "komentarz",
    ]),
    (Known::Spacing, &[
        "passo di campionamento", "passo campionamento", "intervallo di campionamento",
        "distanza tra i campioni", "distanza tra campioni", "distanza tra i punti", "spaziatura",
        "bemonsteringsafstand", "puntafstand", "afstand tussen punten", "meetpuntafstand",
        "bemonsteringsinterval", "passo de amostragem", "intervalo de amostragem",
        "distância entre amostras", "distância entre pontos", "espaçamento", "odstęp próbek",
        "odstęp między próbkami", "krok próbkowania", "odstęp punktów", "odstęp próbkowania",
    ]),
    (Known::Start, &[
        "primo campione", "primo punto", "posizione iniziale", "distanza iniziale", "inizio",
        "distanza del primo campione", "eerste punt", "eerste meetpunt", "beginpositie",
        "beginafstand", "startpositie", "primeira amostra", "primeiro ponto",
        "posição inicial", "distância inicial", "início", "distância da primeira amostra",
        "pierwsza próbka", "pierwszy punkt", "pozycja początkowa", "odległość początkowa", "początek",
    ]),
    (Known::Samples, &[
        "numero di punti", "numero punti", "numero di campioni", "punti", "campioni", "aantal punten",
        "aantal meetpunten", "aantal samples", "meetpunten", "número de pontos", "número de amostras",
        "pontos", "amostras", "liczba punktów", "liczba próbek", "punkty", "próbki",
    ]),
    (Known::DistanceUnit, &[
        "unità di distanza", "unità distanza", "unità di lunghezza", "afstandseenheid",
        "eenheid van afstand", "eenheid afstand", "lengte eenheid", "unidade de distância",
        "unidade da distância", "unidade de comprimento", "jednostka odległości", "jednostka długości",
    ]),
    (Known::LevelUnit, &[
        "unità di livello", "niveau eenheid", "eenheid niveau", "unidade de nível",
        "jednostka poziomu",
    ]),
];

/// What columns are called: a word of their titles.
#[rustfmt::skip]
pub(super) const COLUMNS: &[(Quantity, &[&str])] = &[
    (Quantity::Distance, &[
        "distanza", "lunghezza", "posizione", "tempo", "ritardo", "afstand", "lengte", "positie",
        "looptijd", "tijd", "distância", "comprimento", "posição", "atraso", "odległość", "długość",
        "dystans", "pozycja", "położenie", "czas", "opóźnienie",
    ]),
    (Quantity::Level, &[
        "livello", "potenza", "retrodiffusione", "segnale", "ampiezza", "traccia", "vermogen",
        "terugstrooiing", "terugverstrooiing", "signaal", "nível", "potência", "retroespalhamento",
        "retrodifusão", "sinal", "traço", "poziom", "moc", "sygnał", "amplituda", "rozproszenie",
        "krzywa",
    ]),
    (Quantity::Loss, &[
        "attenuazione", "perdita", "perdite", "demping", "verlies", "verliezen", "verzwakking", "atenuação",
        "perda", "perdas", "tłumienie", "tłumienność", "strata", "straty",
    ]),
    (Quantity::Index, &[
        "campione", "punkt", "punt", "ponto", "amostra", "próbka", "numero", "numer", "lp", "meetpunt",
    ]),
];
