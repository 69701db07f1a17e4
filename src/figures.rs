//! Figures and messages as a person reads them: a true minus, a sign where direction matters, ± always;
//! whole sentences.

use crate::measured::Measured;

/// Decimals of degrees and millimetres: the measurement is good to a hundredth.
const DECIMALS: usize = 2;

/// An uncertainty may be rounded down by this share of the last digit, else it is rounded up
/// (JCGM 100:2008, 7.2.6: round up, but let common sense prevail).
const ROUND_DOWN_SHARE: f64 = 0.15;

/// A message as a sentence: messages begin with a small letter and have no full stop.
pub fn sentence(message: &str) -> String {
    let mut letters = message.trim().chars();
    let first = letters
        .next()
        .map(|letter| letter.to_uppercase().to_string());
    let sentence = first.unwrap_or_default() + letters.as_str();
    if sentence.is_empty() || sentence.ends_with(['.', '?', '!']) {
        return sentence;
    }
    sentence + "."
}

/// A message and the help that belongs to it, as two sentences.
pub fn sentences(message: &str, help: &str) -> String {
    format!("{} {}", sentence(message), sentence(help))
}

/// A figure with a true minus sign and so many decimals.
pub fn plain(value: f64, decimals: usize) -> String {
    with_sign(value, decimals, "")
}

/// A figure that always bears its sign, except zero.
pub fn signed(value: f64, decimals: usize) -> String {
    with_sign(value, decimals, "+")
}

fn with_sign(value: f64, decimals: usize, plus: &str) -> String {
    let magnitude = format!("{:.decimals$}", value.abs());
    let is_zero = magnitude.bytes().all(|digit| matches!(digit, b'0' | b'.'));
    match value {
        _ if is_zero => magnitude,
        value if value < 0.0 => format!("−{magnitude}"),
        _ => format!("{plus}{magnitude}"),
    }
}

/// An expanded uncertainty, rounded up to hundredths.
pub fn uncertainty(u: f64) -> String {
    let scale = 10f64.powi(DECIMALS as i32);
    let hundredths = (u * scale - ROUND_DOWN_SHARE).ceil();
    let least = if u > 0.0 { 1.0 } else { 0.0 };
    format!("{:.DECIMALS$}", hundredths.max(least) / scale)
}

/// "+6.21 ± 0.03", without a unit, for tables that have it in their head.
pub fn signed_with_u(measured: Measured) -> String {
    let (value, u) = (signed(measured.value, DECIMALS), uncertainty(measured.u()));
    format!("{value} ± {u}")
}

/// "0.12 ± 0.04", for figures that have no direction.
pub fn plain_with_u(measured: Measured) -> String {
    let (value, u) = (plain(measured.value, DECIMALS), uncertainty(measured.u()));
    format!("{value} ± {u}")
}

/// "+6.21° ± 0.03°".
pub fn signed_deg(measured: Measured) -> String {
    let (value, u) = (signed(measured.value, DECIMALS), uncertainty(measured.u()));
    format!("{value}° ± {u}°")
}

/// "0.12° ± 0.04°".
pub fn plain_deg(measured: Measured) -> String {
    let (value, u) = (plain(measured.value, DECIMALS), uncertainty(measured.u()));
    format!("{value}° ± {u}°")
}

/// "0.30°", for declared values, which have no uncertainty.
pub fn declared_deg(value: f64) -> String {
    format!("{}°", plain(value, DECIMALS))
}

/// "0.15°", for a bound that holds in 95 of 100 cases: rounded up like an uncertainty. Every text with
/// such a bound uses this function, so that one bound reads the same everywhere.
pub fn at_most_deg(bound_deg: f64) -> String {
    let scale = 10f64.powi(DECIMALS as i32);
    declared_deg((bound_deg * scale - ROUND_DOWN_SHARE).ceil() / scale)
}

/// A stick position or a number of the radio, with as many decimals as it needs, up to two.
pub fn percent(value: f64) -> String {
    let decimals = (0..=DECIMALS)
        .find(|&decimals| {
            let scale = 10f64.powi(decimals as i32);
            ((value * scale).round() / scale - value).abs() < 1e-6
        })
        .unwrap_or(DECIMALS);
    signed(value, decimals)
}

/// The same without a plus, for end points, which are never negative.
pub fn percent_unsigned(value: f64) -> String {
    percent(value).trim_start_matches('+').into()
}

/// The same sentence with figures that do not come apart at the end of a line.
pub fn glued(sentence: &str) -> String {
    sentence
        .replace(" ± ", "\u{a0}±\u{a0}")
        .replace(" %", "\u{a0}%")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn uncertainties_are_rounded_up_with_common_sense() {
        // JCGM 100:2008, 7.2.6: 10.47 mΩ rounds up to 11 mΩ, 28.05 kHz down to 28 kHz.
        assert_eq!(uncertainty(0.1047), "0.11");
        assert_eq!(uncertainty(0.2805), "0.28");
        assert_eq!(uncertainty(0.0004), "0.01");
        assert_eq!(uncertainty(0.0), "0.00");
    }

    #[test]
    fn signs_are_true_and_zero_has_none() {
        assert_eq!(signed(-1.234, 2), "−1.23");
        assert_eq!(signed(1.0, 0), "+1");
        assert_eq!(signed(-0.001, 2), "0.00");
        assert_eq!(plain(0.5, 1), "0.5");
        assert_eq!(percent(-12.5), "−12.5");
        assert_eq!(percent(25.0), "+25");
        assert_eq!(percent_unsigned(101.0), "101");
    }

    #[test]
    fn a_figure_goes_with_its_doubt() {
        let measured = Measured::new(6.2134, 0.016);
        assert_eq!(signed_deg(measured), "+6.21° ± 0.04°");
        assert_eq!(plain_with_u(measured), "6.21 ± 0.04");
    }
}
