//! Words of the trade in headers and labels: English, German, Spanish, French and Portuguese, whole or shortened.
//!
//! General words only, as a dictionary of farming has them; never the columns of one program's export. A new word is a new entry in
//! the list of its channel.

use super::Channel;

/// A header as it is compared: its words in lower case without accents, and the unit that stands in it.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub(crate) struct Header {
    /// Words, split at anything but letters and digits and where lower case turns to upper.
    pub(crate) words: Vec<String>,
    /// What stands in brackets, letters, digits and `%` only.
    pub(crate) in_brackets: Option<String>,
}

/// Letters without accents, lower case.
pub(crate) fn folded(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for character in text.chars().flat_map(char::to_lowercase) {
        match character {
            'à' | 'á' | 'â' | 'ã' | 'ä' | 'å' => out.push('a'),
            'ç' => out.push('c'),
            'è' | 'é' | 'ê' | 'ë' => out.push('e'),
            'ì' | 'í' | 'î' | 'ï' => out.push('i'),
            'ñ' => out.push('n'),
            'ò' | 'ó' | 'ô' | 'õ' | 'ö' => out.push('o'),
            'ù' | 'ú' | 'û' | 'ü' => out.push('u'),
            'ß' => out.push_str("ss"),
            other => out.push(other),
        }
    }
    out
}

impl Header {
    /// Takes a header apart.
    pub(crate) fn of(name: &str) -> Self {
        let (mut outside, mut inside, mut depth) = (String::new(), String::new(), 0);
        for character in name.chars() {
            match character {
                '(' | '[' | '{' => depth += 1,
                ')' | ']' | '}' => depth -= 1,
                other if depth > 0 => inside.push(other),
                other => outside.push(other),
            }
        }
        let mut words: Vec<String> = Vec::new();
        let mut word = String::new();
        let mut before = ' ';
        for character in outside.chars() {
            let camel = before.is_lowercase() && character.is_uppercase();
            if (!character.is_alphanumeric() && character != '%') || camel {
                words.push(std::mem::take(&mut word));
            }
            if character.is_alphanumeric() || character == '%' {
                word.push(character);
            }
            before = character;
        }
        words.push(word);
        let words = words.iter().map(|word| folded(word)).filter(|word| !word.is_empty()).collect();
        Self { words, in_brackets: Some(unit_text(&inside)).filter(|unit| !unit.is_empty()) }
    }

    /// The texts that may be a unit: what stands in brackets, else the last words.
    pub(crate) fn unit_texts(&self) -> Vec<String> {
        if let Some(unit) = &self.in_brackets {
            return vec![unit.clone()];
        }
        let count = self.words.len();
        let mut texts = Vec::new();
        if count >= 3 {
            texts.push(self.words[count - 2..].concat());
        }
        texts.extend(self.words.last().cloned());
        texts
    }

    fn joined(&self) -> String {
        self.words.concat()
    }
}

/// A unit as it is compared: letters, digits and `%`, lower case; `%` is `pct`, a reciprocal `-1` or `⁻¹` falls away.
pub(crate) fn unit_text(text: &str) -> String {
    folded(text).replace('%', "pct").replace("-1", "").chars().filter(char::is_ascii_alphanumeric).collect()
}

/// How well a header names a channel: 1 for its word, less for a part or a shortened word, 0 for nothing of it.
pub(crate) fn strength(header: &Header, channel: Channel) -> f64 {
    WORDS.iter().filter(|(known, _)| *known == channel).map(|(_, words)| named(header, words)).fold(0.0, f64::max)
}

/// The same of words that are parted by blanks.
pub(crate) fn named(header: &Header, words: &str) -> f64 {
    let joined = header.joined();
    words.split(' ').map(|word| alike(header, &joined, word)).fold(0.0, f64::max)
}

fn alike(header: &Header, joined: &str, word: &str) -> f64 {
    let whole = joined == word;
    let has = |known: &str| header.words.iter().any(|token| token == known);
    if whole {
        return 1.0;
    }
    if has(word) {
        // a single letter beside other words names nothing
        return if word.len() == 1 { 0.0 } else { 0.95 };
    }
    if word.len() >= 5 && joined.contains(word) {
        return 0.8;
    }
    // shortened: to ten letters as a shapefile does it, or to the first letters
    let shortened = |text: &str| text.len() >= 3 && word.len() > text.len() && word.starts_with(text);
    if shortened(joined) || header.words.iter().any(|token| shortened(token)) {
        return 0.65;
    }
    // without some of its letters
    let thinned = |text: &str| {
        text.len() >= 4 && word.len() > text.len() && text.as_bytes()[0] == word.as_bytes()[0] && is_within(text, word)
    };
    if thinned(joined) || header.words.iter().any(|token| thinned(token)) { 0.45 } else { 0.0 }
}

/// Whether the letters of `text` stand in `word` in that order.
fn is_within(text: &str, word: &str) -> bool {
    let mut letters = word.bytes();
    text.bytes().all(|letter| letters.any(|other| other == letter))
}

/// The words of each channel, parted by blanks.
const WORDS: [(Channel, &str); 25] = [
    (Channel::Longitude, "longitude lon long lng laenge lange laengengrad langengrad longitud x"),
    (Channel::Latitude, "latitude lat breite breitengrad latitud y"),
    (
        Channel::Time,
        "time utc timestamp datetime zeit zeitpunkt uhrzeit zeitstempel hora fecha fechahora heure date \
         dateheure horodatage data datahora datum datumzeit epoch tiempo temps tempo",
    ),
    (
        Channel::Speed,
        "speed groundspeed velocity geschwindigkeit fahrgeschwindigkeit velocidad vitesse velocidade \
         vitesseavancement vel spd mph kmh kph",
    ),
    (
        Channel::Distance,
        "distance dist strecke wegstrecke distanz weg distancia recorrido deplacement percurso travelled",
    ),
    (
        Channel::Interval,
        "interval intervall intervalo intervalle duration dauer duracion duree duracao cycle zyklus ciclo \
         seconds sekunden segundos secondes",
    ),
    (
        Channel::Swath,
        "swath width swathwidth cutwidth workingwidth arbeitsbreite schnittbreite breite ancho anchura \
         anchodecorte anchotrabajo largeur largeurdecoupe largeurtravail largura larguradecorte \
         larguratrabalho",
    ),
    (
        Channel::Moisture,
        "moisture moist grainmoisture feuchte feuchtigkeit kornfeuchte wassergehalt humedad humidite \
         teneureau umidade humidade watercontent water",
    ),
    (
        Channel::Flow,
        "flow massflow grainflow flowrate throughput durchsatz korndurchsatz massenstrom kornstrom flujo \
         flujomasico caudal debit debitmassique flux fluxo fluxomassa vazao",
    ),
    (
        Channel::Yield,
        "yield yld dryyield wetyield ertrag kornertrag rendimiento rinde rendement rendimento produtividade \
         productividad productivite",
    ),
    (
        Channel::Header,
        "header hdr headerstate down cutting working workstate engaged schneidwerk vorsatz arbeitsstellung \
         cabezal plataforma corte barre coupe barredecoupe trabajo travail trabalho",
    ),
    (Channel::Elevation, "elevation elev altitude alt hoehe hohe altitud elevacion elevacao cota height"),
    (Channel::Heading, "heading course bearing kurs richtung rumbo cap rumo direction direccion fahrtrichtung"),
    (
        Channel::Machine,
        "machine combine harvester maschine maehdrescher mahdrescher drescher cosechadora maquina \
         moissonneuse batteuse colheitadeira colhedora vehicle fahrzeug",
    ),
    (Channel::Load, "load ladung fuhre carga chargement wagen remolque benne"),
    (Channel::Pass, "pass durchgang fahrt fahrspur pasada passage passada"),
    (Channel::Field, "field fieldname schlag schlagname feld lote parcela campo parcelle champ talhao paddock"),
    (Channel::Farm, "farm farmname betrieb campo hof finca granja ferme exploitation fazenda grower"),
    (
        Channel::Crop,
        "crop croptype frucht fruchtart kultur kulturart cultivo culture cultura produkt product producto \
         produit produto",
    ),
    (Channel::Season, "season year jahr erntejahr campana campanha annee campagne ano safra"),
    (
        Channel::Treatment,
        "treatment trt treat behandlung variante tratamiento traitement tratamento modalite rate aufwandmenge \
         dosis dose",
    ),
    (
        Channel::Block,
        "block blk bloque bloc bloco rep replicate replication wiederholung wdh repeticion repetition \
         repeticao",
    ),
    (Channel::Strip, "strip streifen franja bande faixa plot"),
    (Channel::Drainage, "drainage drclass drclassdcd drainageclass entwasserung drenaje drenagem"),
    (Channel::Tiled, "tiled tile dranung draniert drainagerohr drenado drainee"),
];

/// What was put down.
pub(crate) const RATE: &str = "rate applied application appliedrate aufwandmenge ausbringmenge istmenge menge saatmenge dosis dose \
     dosiseal dosisaplicada doseappliquee doseaplicada taxa";
/// What was to be put down.
pub(crate) const TARGET: &str = "target setpoint prescribed planned desired wanted soll sollmenge sollwert vorgabe objetivo consigne cible \
     meta prescripcion prescription prescricao";
/// What is in the tank.
pub(crate) const PRODUCT: &str = "product produkt mittel producto produit produto tank mix";
/// Which sections ran.
pub(crate) const SECTIONS: &str =
    "sections section teilbreiten teilbreite secciones seccion troncons troncon secoes secao boomsections";
/// Depth of rain.
pub(crate) const PRECIPITATION: &str = "precipitation precip prcp rain rainfall niederschlag regen niederschlagsmenge precipitacion lluvia \
     pluie pluviometrie precipitations precipitacao chuva ppt";
/// Name of a place where rain is measured.
pub(crate) const STATION: &str = "station stationid wetterstation estacion estacao stationname gauge";
/// A day.
pub(crate) const DAY: &str = "date day datum tag fecha dia jour data month monat mes mois";
/// A count or a rating of the crop.
pub(crate) const OBSERVED: &str = "rating score count stand plants emergence lodging severity incidence disease infestation weeds bonitur note \
     boniturnote befall bestand lager anzahl pflanzen conteo plantas incidencia severidad nota encamado comptage maladie \
     verse contagem estande severidade health damage vigour vigor rot";
/// A share of plants or leaves.
pub(crate) const PERCENT: &str =
    "percent pct prozent incidence severity incidencia severidad severidade porcentaje pourcentage percentagem";
/// A plant, a spot, a photograph, an observer, and whether that one knew the treatments.
pub(crate) const PLANT: &str = "plant pflanze planta plante";
pub(crate) const SPOT: &str = "spot place point sample stelle probe punto punkt point lieu ponto amostra muestra";
pub(crate) const PHOTO: &str = "photo picture image foto bild imagen imagem";
pub(crate) const OBSERVER: &str = "observer scout rater by beobachter bearbeiter observador observateur";
pub(crate) const BLIND: &str = "blind blinded verblindet ciego aveugle cego";
/// What is measured of the ground.
pub(crate) const GROUND: &str = "clay sand silt texture om organic humus ph ec conductivity cec phosphorus potassium magnesium nitrate elevation \
     slope ton schluff leitfaehigkeit arcilla arena limo argile sable limon argila areia silte hybrid variety sorte variedad \
     variete cultivar variedade soil boden suelo sol solo twi ndvi";

/// The crop that a text names, by its key in the settings.
pub(crate) fn crop(text: &str) -> Option<&'static str> {
    const CROPS: [(&str, &[&str]); 7] = [
        ("corn", &["corn", "maize", "mais", "kornermais", "koernermais", "maiz", "milho", "maisgrain"]),
        ("soybean", &["soybean", "soybeans", "soy", "soya", "soja", "sojabohne", "sojabohnen"]),
        ("wheat", &["wheat", "winterwheat", "weizen", "winterweizen", "trigo", "ble", "bletendre"]),
        ("sorghum", &["sorghum", "sorgo", "milo"]),
        ("barley", &["barley", "gerste", "wintergerste", "sommergerste", "cebada", "orge", "cevada"]),
        ("oats", &["oats", "oat", "hafer", "avena", "avoine", "aveia"]),
        ("canola", &["canola", "rapeseed", "raps", "winterraps", "colza"]),
    ];
    let header = Header::of(text);
    let joined = header.joined();
    let named = |known: &str| joined == known || header.words.iter().any(|word| word == known);
    CROPS.iter().find(|(_, words)| words.iter().any(|word| named(word))).map(|(key, _)| *key)
}

/// Whether a treatment's label says that nothing was applied.
pub(crate) fn is_check(label: &str) -> bool {
    const CHECKS: [&str; 25] = [
        "check",
        "control",
        "untreated",
        "none",
        "nil",
        "zero",
        "kontrolle",
        "unbehandelt",
        "ohne",
        "null",
        "testigo",
        "sintratar",
        "sin",
        "temoin",
        "nontraite",
        "sans",
        "testemunha",
        "semtratamento",
        "sem",
        "untreatedcheck",
        "ck",
        "utc",
        "controle",
        "ctrl",
        "notreatment",
    ];
    let header = Header::of(label);
    let joined = header.joined();
    let nothing = joined.parse::<f64>().is_ok_and(|rate| rate.abs() < 1e-9);
    nothing || CHECKS.iter().any(|word| joined == *word || header.words.iter().any(|token| token == word))
}

/// Whether a header says that a yield is at market moisture (`Some(true)`) or at field moisture.
pub(crate) fn dryness(name: &str) -> Option<bool> {
    const DRY: [&str; 9] = ["dry", "trocken", "seco", "sec", "seca", "market", "norm", "standard", "dried"];
    const WET: [&str; 9] = ["wet", "feucht", "nass", "humedo", "humide", "umido", "umida", "fresh", "brut"];
    let header = Header::of(name);
    let joined = header.joined();
    let any = |list: &[&str]| {
        list.iter()
            .any(|word| header.words.iter().any(|token| token == word) || (word.len() >= 5 && joined.contains(word)))
    };
    match (any(&DRY), any(&WET)) {
        (true, false) => Some(true),
        (false, true) => Some(false),
        _ => None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn best(name: &str) -> Option<Channel> {
        let header = Header::of(name);
        let mut found: Vec<(f64, Channel)> =
            Channel::ALL.iter().map(|&channel| (strength(&header, channel), channel)).collect();
        found.sort_by(|one, other| other.0.total_cmp(&one.0));
        (found[0].0 > found[1].0).then_some(found[0].1)
    }

    #[test]
    fn headers_of_five_languages_name_their_channel() {
        for (name, channel) in [
            ("Fahrgeschwindigkeit (km/h)", Channel::Speed),
            ("GESCHWINDI", Channel::Speed),
            ("Velocidad", Channel::Speed),
            ("VITESSE", Channel::Speed),
            ("Feuchte [%]", Channel::Moisture),
            ("HUMIDITE", Channel::Moisture),
            ("Umidade", Channel::Moisture),
            ("DURCHSATZ", Channel::Flow),
            ("Débit massique", Channel::Flow),
            ("Arbeitsbreite", Channel::Swath),
            ("LARGEURDEC", Channel::Swath),
            ("Kornertrag", Channel::Yield),
            ("Längengrad", Channel::Longitude),
            ("Mähdrescher", Channel::Machine),
            ("MOISTR", Channel::Moisture),
        ] {
            assert_eq!(best(name), Some(channel), "{name}");
        }
        assert_eq!(strength(&Header::of("q17"), Channel::Flow), 0.0);
    }

    #[test]
    fn units_stand_in_brackets_or_at_the_end() {
        assert_eq!(Header::of("Flow (lb/s)").unit_texts(), ["lbs"]);
        assert_eq!(Header::of("flow_lb_s").unit_texts(), ["lbs", "s"]);
        assert_eq!(Header::of("Durchsatz [kg s-1]").unit_texts(), ["kgs"]);
        assert_eq!(unit_text("%"), "pct");
    }

    #[test]
    fn crops_and_checks_are_known_by_their_words() {
        assert_eq!(crop("Körnermais 2022"), Some("corn"));
        assert_eq!(crop("BLE TENDRE"), Some("wheat"));
        assert_eq!(crop("harvest"), None);
        for label in ["check", "Kontrolle", "0", "0.0", "sin tratar", "témoin"] {
            assert!(is_check(label), "{label}");
        }
        assert!(!is_check("band_full") && !is_check("20"));
        assert_eq!(dryness("Ertrag trocken"), Some(true));
        assert_eq!(dryness("yield"), None);
    }
}
