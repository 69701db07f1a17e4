//! Pages of a measurement with a grave warning, asked without sockets.

use super::*;

impl TestBench {
    /// Writes the sample measurement with one more warning.
    fn warn_of(&self, code: &str, text: &str, mend: &str) {
        let mut measurement = crate::measurement::sample::heron();
        measurement.warnings.push(crate::warning::WarningText {
            code: code.into(),
            text: text.into(),
            mend: mend.into(),
            grave: true,
        });
        let file = self.folder.path().join("heron-result/measurement.json");
        std::fs::write(file, measurement.to_json().unwrap()).unwrap();
    }
}

#[test]
fn a_grave_warning_comes_before_the_numbers_on_every_page() {
    let bench = TestBench::with_measurement();
    bench.warn_of(
        "profile-contradicted",
        "the clip contradicts the camera profile",
        "calibrate the camera again",
    );
    let id = bench.bench.workshop.measurements()[0].id.clone();
    let aircraft = bench.aircraft_id();
    let overview = bench.page(&format!("/aircraft/{aircraft}"));
    assert!(overview.contains("Next: Read the warning"), "{overview}");
    for path in [
        "/".into(),
        format!("/aircraft/{aircraft}"),
        format!("/measurements/{id}"),
    ] {
        let page = bench.page(&path).to_lowercase();
        assert!(page.contains("read the warning first"), "{path}: {page}");
        assert!(!page.contains("enter the numbers below"), "{path}: {page}");
    }
}

#[test]
fn no_page_of_a_measurement_offers_numbers_that_may_belong_to_the_other_servo() {
    let bench = TestBench::with_measurement();
    bench.warn_of("sides-exchanged", "left and right are swapped", "turn it");
    let id = bench.bench.workshop.measurements()[0].id.clone();
    for page in ["", "/numbers"] {
        let page = bench.page(&format!("/measurements/{id}{page}"));
        assert!(page.contains("No numbers are shown"), "{page}");
        // What only the verdict's sentence says, and what leads to numbers.
        for offer in ["will remain", "at most 0.14", ">Numbers to enter</a>"] {
            assert!(!page.contains(offer), "{offer}: {page}");
        }
    }
}
