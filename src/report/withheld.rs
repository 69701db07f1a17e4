//! Numbers that nobody should enter are not shown.

use crate::measurement::Measurement;
use crate::motion::DeclarationWarning;

/// Warnings under which every number may belong to the other servo, or have the wrong sign.
const FORBIDDING: [&str; 2] = [
    DeclarationWarning::SIDES_EXCHANGED,
    DeclarationWarning::PICTURE_TURNED,
];

/// Why no numbers are shown, as a sentence; `None` where they are, or where there are none. The files keep them.
pub fn withheld(measurement: &Measurement) -> Option<&'static str> {
    let mut warnings = measurement.warnings.iter();
    let forbids = warnings.any(|warning| FORBIDDING.contains(&warning.code.as_str()));
    (forbids && !measurement.matches.is_empty()).then_some(
        "No numbers are shown: they may belong to the other servo or have the wrong sign. \
             Do first what the warning says, then measure again.",
    )
}
