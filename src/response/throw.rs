//! Throw: the straight line that the trailing edge travels.

use crate::measured::Measured;

/// Throw of a deflection, mm, signed like it: 2·c·sin(δ/2) with the chord c from hinge line to
/// trailing edge. The chord is taken as exact.
pub fn throw_mm(deflection_deg: Measured, chord_mm: f64) -> Measured {
    let half_rad = 0.5 * deflection_deg.value.to_radians();
    let slope_mm_per_deg = (chord_mm * half_rad.cos() * 1f64.to_radians()).abs();
    Measured::new(
        2.0 * chord_mm * half_rad.sin(),
        slope_mm_per_deg * deflection_deg.sd,
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Control-surface adjustment report of a light sport aircraft (Flight Design CTLS,
    /// Maintenance and Inspection Procedures AF 04800001 rev 3, App. II): angle and throw.
    const AILERON: [(f64, f64); 2] = [(26.5, 109.0), (12.5, 52.0)];
    const TRIM_TAB: [(f64, f64); 2] = [(23.5, 50.0), (6.5, 14.0)];

    #[test]
    fn one_chord_explains_both_ends_of_a_published_report() {
        for (rows, tolerance_mm) in [(AILERON, 0.5), (TRIM_TAB, 0.5)] {
            // The chord of one row gives the throw of the other, to the report's whole millimetres.
            let [(up_deg, up_mm), (down_deg, down_mm)] = rows;
            let chord_mm = up_mm / throw_mm(Measured::new(up_deg, 0.0), 1.0).value;
            let down = throw_mm(Measured::new(-down_deg, 0.0), chord_mm);
            assert!((down.value + down_mm).abs() < tolerance_mm, "{down:?}");
        }
        // c·tan θ would be off by 4 mm, c·θ in radians by less than the report can show.
        let by_tangent = 109.0 / 26.5_f64.to_radians().tan() * 12.5_f64.to_radians().tan();
        assert!((by_tangent - 52.0).abs() > 3.0);
    }

    #[test]
    fn the_report_s_tolerance_in_degrees_is_its_tolerance_in_mm() {
        // Same report: ±1.5° are ±6 mm at the ailerons' chord of 238 mm.
        let throw = throw_mm(Measured::new(26.5, 1.5), 238.0);
        assert!((throw.sd - 6.0).abs() < 0.5, "{throw:?}");
    }
}
