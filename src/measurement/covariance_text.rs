//! The covariance of all stations in a file: rows of figures as long as there are few, and a compact form
//! where rows would take more room than all else together.
//!
//! Compact: `sd_deg`, the standard deviations, and `correlation`, the correlations below the diagonal row by
//! row, each a whole number of 1/32767 in two bytes, least first (RFC 4648, base 64).

use base64::Engine;
use base64::engine::general_purpose::STANDARD;
use serde::de::Error;
use serde::{Deserialize, Deserializer, Serialize, Serializer};

/// Most stations whose rows are written out: as many as a usual clip has, in some hundred kilobytes.
const MOST_ROWS: usize = 150;

/// A correlation of one. Rounding moves a correlation by 0.00002, far less than it is known to.
const ONE: f64 = i16::MAX as f64;

/// Bytes of a variance in rows, about.
const BYTES_IN_ROWS: usize = 16;

/// About how many bytes the covariance of so many stations takes.
pub(super) fn expected_bytes(stations: usize) -> usize {
    match stations <= MOST_ROWS {
        true => BYTES_IN_ROWS * stations * stations,
        // Two bytes for each of half the pairs in twos, and a third more as text.
        false => 2 * stations * stations,
    }
}

#[derive(Serialize, Deserialize)]
struct Compact {
    sd_deg: Vec<f64>,
    correlation: String,
}

#[derive(Deserialize)]
#[serde(untagged)]
enum Either {
    Rows(Vec<Vec<f64>>),
    Compact(Compact),
}

pub(super) fn serialize<S: Serializer>(
    rows: &[Vec<f64>],
    serializer: S,
) -> Result<S::Ok, S::Error> {
    if rows.len() <= MOST_ROWS {
        return rows.serialize(serializer);
    }
    compact(rows).serialize(serializer)
}

pub(super) fn deserialize<'de, D: Deserializer<'de>>(
    deserializer: D,
) -> Result<Vec<Vec<f64>>, D::Error> {
    match Either::deserialize(deserializer)? {
        Either::Rows(rows) => Ok(rows),
        Either::Compact(compact) => rows(&compact)
            .ok_or_else(|| D::Error::custom("the correlations of the stations are damaged")),
    }
}

fn compact(rows: &[Vec<f64>]) -> Compact {
    let sd_deg: Vec<f64> = (0..rows.len())
        .map(|row| rows[row][row].max(0.0).sqrt())
        .collect();
    let mut bytes = Vec::with_capacity(rows.len() * rows.len());
    for (row, variances) in rows.iter().enumerate() {
        for (column, variance) in variances.iter().take(row).enumerate() {
            let product = sd_deg[row] * sd_deg[column];
            let correlation = if product > 0.0 {
                variance / product
            } else {
                0.0
            };
            let counted = (correlation.clamp(-1.0, 1.0) * ONE).round() as i16;
            bytes.extend(counted.to_le_bytes());
        }
    }
    Compact {
        sd_deg,
        correlation: STANDARD.encode(bytes),
    }
}

/// `None` where the correlations do not belong to so many stations.
fn rows(compact: &Compact) -> Option<Vec<Vec<f64>>> {
    let Compact {
        sd_deg,
        correlation,
    } = compact;
    let bytes = STANDARD.decode(correlation).ok()?;
    let count = sd_deg.len();
    if bytes.len() != count.checked_mul(count.saturating_sub(1))? {
        return None;
    }
    let mut numbers = bytes
        .chunks_exact(2)
        .map(|two| i16::from_le_bytes([two[0], two[1]]));
    let mut rows = vec![vec![0.0; count]; count];
    for row in 0..count {
        for column in 0..row {
            let variance = f64::from(numbers.next()?) / ONE * sd_deg[row] * sd_deg[column];
            (rows[row][column], rows[column][row]) = (variance, variance);
        }
        rows[row][row] = sd_deg[row] * sd_deg[row];
    }
    Some(rows)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A covariance of stations of which neighbours go together.
    fn covariance(count: usize) -> Vec<Vec<f64>> {
        let sd = |station: usize| 0.01 + 0.0001 * station as f64;
        let apart = |a: usize, b: usize| a.abs_diff(b) as f64;
        (0..count)
            .map(|a| {
                (0..count)
                    .map(|b| sd(a) * sd(b) * (-apart(a, b) / 9.0).exp())
                    .collect()
            })
            .collect()
    }

    #[test]
    fn many_stations_take_little_room_and_come_back() {
        let before = covariance(400);
        let compact = compact(&before);
        // Two bytes for each pair, and a third more as text.
        assert!(compact.correlation.len() < 400 * 400 * 4 / 3 + 4);
        let after = rows(&compact).unwrap();
        for (a, b) in before.iter().flatten().zip(after.iter().flatten()) {
            assert!((a - b).abs() < 1e-4 * 0.05 * 0.05, "{a} {b}");
        }
    }

    #[test]
    fn correlations_of_other_stations_are_refused() {
        let mut compact = compact(&covariance(5));
        compact.sd_deg.pop();
        assert!(rows(&compact).is_none());
    }
}
