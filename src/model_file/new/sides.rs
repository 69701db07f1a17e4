//! The words in the name of a surface, and the side that they say.

/// The side of a surface whose name says no side.
pub(super) const CENTRE: &str = "centre";

/// Words for left: English, German and Dutch, French, Spanish and Portuguese, Italian, Polish,
/// Czech, the Scandinavian languages.
const LEFT: [&str; 24] = [
    "left",
    "l",
    "lh",
    "port",
    "links",
    "linke",
    "linker",
    "linkes",
    "gauche",
    "izquierdo",
    "izquierda",
    "esquerdo",
    "esquerda",
    "sinistro",
    "sinistra",
    "lewy",
    "lewa",
    "lewe",
    "levý",
    "levá",
    "levé",
    "vänster",
    "vänstra",
    "venstre",
];

/// Words for right, in the same languages.
const RIGHT: [&str; 26] = [
    "right",
    "r",
    "rh",
    "starboard",
    "rechts",
    "rechte",
    "rechter",
    "rechtes",
    "droit",
    "droite",
    "derecho",
    "derecha",
    "direito",
    "direita",
    "destro",
    "destra",
    "prawy",
    "prawa",
    "prawe",
    "pravý",
    "pravá",
    "pravé",
    "höger",
    "högra",
    "højre",
    "høyre",
];

/// The words of a name, in lower case.
fn words(name: &str) -> impl Iterator<Item = String> {
    name.split(|letter: char| !letter.is_alphanumeric())
        .filter(|word| !word.is_empty())
        .map(str::to_lowercase)
}

/// Whether a name has one word, or several in a row, each alone or with the s of a plural.
pub(super) fn has_words(name: &str, wanted: &str) -> bool {
    let of_name: Vec<String> = words(name).collect();
    let wanted: Vec<&str> = wanted.split(' ').collect();
    let mut runs = of_name.windows(wanted.len());
    runs.any(|run| {
        let mut pairs = run.iter().zip(&wanted);
        pairs.all(|(word, wanted)| word == wanted || word.strip_suffix('s') == Some(wanted))
    })
}

/// The side in the name of a surface.
pub(super) fn side_of(name: &str) -> &'static str {
    let has_any = |side: &[&str]| side.iter().any(|word| has_words(name, word));
    match (has_any(&LEFT), has_any(&RIGHT)) {
        (true, false) => "left",
        (false, true) => "right",
        _ => CENTRE,
    }
}

/// The words of a name except those for left and right.
pub(super) fn without_side(name: &str) -> Vec<String> {
    words(name)
        .filter(|word| !LEFT.contains(&word.as_str()) && !RIGHT.contains(&word.as_str()))
        .collect()
}
