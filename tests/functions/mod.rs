//! One model file for the whole aircraft: clips that show some of its surfaces.

#![allow(clippy::unwrap_used)]

mod declared;
mod in_clips;
mod kept;
mod synthetic;

/// Two functions of one surface each, with the stations of the rendered film by `from`.
fn one_flap_each(stations: &str) -> String {
    crate::bad_input::film::head()
        + &format!(
            "[[function]]\nname = \"left\"\nsurfaces = [\"left flap\"]\n\
             [[function]]\nname = \"right\"\nsurfaces = [\"right flap\"]\n\
             [stations]\n{stations}\n"
        )
}

/// Two functions of the same pair, as on a V-tail.
fn v_tail(stations: &str) -> String {
    let function = |name: &str, motion: &str| {
        format!(
            "[[function]]\nname = \"{name}\"\nsurfaces = [\"left flap\", \"right flap\"]\n\
             [[function.match]]\nreference = \"left flap\"\nfollowers = [\"right flap\"]\n\
             motion = \"{motion}\"\ntolerance_deg = 3.0\n"
        )
    };
    crate::bad_input::film::head()
        + &function("elevator", "same")
        + &function("rudder", "opposite")
        + &format!("[stations]\n{stations}\n")
}

const ORDER: &str = "from = \"order\"\norder = [0, 100, 0, -100, 0]";
