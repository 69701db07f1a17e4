//! Rounding of figures for files: enough digits for every further use, and none of the noise that
//! would make two equal measurements differ in their last bits.

use serde_json::Value;

use super::MeasurementError;

/// Decimals of every figure: a millionth of a degree, a millimetre, a second, a percent.
const DECIMALS: i32 = 6;

/// Decimals of variances, whose square roots need the digits of the other figures.
const VARIANCE_DECIMALS: i32 = 12;

/// Rounds every figure in the document.
pub(super) fn round(value: &mut Value) {
    match value {
        Value::Number(number) => {
            if let Some(rounded) = number
                .as_f64()
                .filter(|_| number.is_f64())
                .map(rounded_for_files)
                .and_then(serde_json::Number::from_f64)
            {
                *number = rounded;
            }
        }
        Value::Array(items) => items.iter_mut().for_each(round),
        Value::Object(fields) => fields.values_mut().for_each(round),
        Value::Null | Value::Bool(_) | Value::String(_) => {}
    }
}

/// Rounds rows of variances; one that is no number is refused.
pub(super) fn round_variances(rows: &mut [Vec<f64>]) -> Result<(), MeasurementError> {
    for variance in rows.iter_mut().flatten() {
        if !variance.is_finite() {
            let reason = format!("a variance is {variance}");
            return Err(MeasurementError::NotFinite { reason });
        }
        *variance = rounded(*variance, VARIANCE_DECIMALS);
    }
    Ok(())
}

/// A figure with the decimals of files.
pub(crate) fn rounded_for_files(figure: f64) -> f64 {
    rounded(figure, DECIMALS)
}

/// The nearest figure with so many decimals; zero never bears a minus sign.
fn rounded(figure: f64, decimals: i32) -> f64 {
    let scale = 10f64.powi(decimals);
    let scaled = (figure * scale).round();
    // Past 2^53 a double has no decimals left to round.
    if scaled.is_finite() && scaled.abs() < 9e15 {
        scaled / scale + 0.0
    } else {
        figure
    }
}
