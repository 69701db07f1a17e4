use nalgebra::Point2;

use super::*;
use crate::camera::Camera;
use crate::clip::{GreyImage, Levels};
use crate::measurement::sample::heron;
use crate::tags::{CornerCovariance, SightedFrame, Sighting};

/// A grey wall, brighter to the right, with the codes of limited-range video.
fn wall() -> GreyImage {
    let (width_px, height_px) = (1920, 1080);
    GreyImage {
        width_px,
        height_px,
        pixels: (0..width_px * height_px)
            .map(|at| (60 + (at % width_px) * 120 / width_px) as u8)
            .collect(),
    }
}

fn camera() -> Camera {
    Camera {
        fx: 1512.0,
        fy: 1512.0,
        cx: 957.0,
        cy: 545.0,
        distortion: [0.06, -0.1, 0.0, 0.0, 0.0],
    }
}

fn sighting(tag_id: u32, centre_px: [f64; 2]) -> Sighting {
    let corner = |x: f64, y: f64| Point2::new(centre_px[0] + x, centre_px[1] + y);
    Sighting {
        tag_id,
        corners_px: [
            corner(-19.0, -18.0),
            corner(19.0, -18.0),
            corner(19.0, 18.0),
            corner(-19.0, 18.0),
        ],
        covariance_px2: CornerCovariance::identity() * 0.0004,
    }
}

fn sighted() -> SightedFrame {
    SightedFrame {
        index: 0,
        time_s: 0.0,
        sightings: vec![
            sighting(0, [960.0, 590.0]),
            sighting(10, [475.0, 612.0]),
            sighting(11, [1440.0, 612.0]),
        ],
        dropped: Vec::new(),
        landmarks: Vec::new(),
    }
}

fn with_picture<T>(work: impl FnOnce(Picture<'_>) -> T) -> T {
    let (image, sighted, camera) = (wall(), sighted(), camera());
    work(Picture {
        image: &image,
        levels: Levels {
            black: 16,
            white: 235,
        },
        sighted: &sighted,
        camera: &camera,
    })
}

#[test]
fn the_whole_report_is_put_together() {
    let files = with_picture(|picture| {
        let inputs = ReportInputs {
            picture: Some(picture),
            frames: Some(&[]),
        };
        files(&heron(), &inputs).unwrap()
    });
    let names: Vec<&str> = files.iter().map(|file| file.name.as_str()).collect();
    assert_eq!(
        names,
        [
            "measurement.json",
            "report.html",
            "stations.csv",
            "frames.csv",
            "marked.svg"
        ]
    );
    look("report.html", std::str::from_utf8(&files[1].bytes).unwrap());
}

/// The sample with few stations, so that its drawings stay readable as text.
fn small() -> crate::measurement::Measurement {
    let mut measurement = heron();
    for surface in &mut measurement.surfaces {
        surface.stations.retain(|station| station.hold % 4 == 0);
    }
    let correction = &mut measurement.matches[0];
    correction
        .found_deg
        .retain(|station| station.stick_pct % 50.0 == 0.0);
    correction
        .predicted_deg
        .stations
        .retain(|station| station.stick_pct % 50.0 == 0.0);
    let trace = &mut measurement.trace;
    trace.time_s = trace.time_s.iter().copied().step_by(10).collect();
    for row in &mut trace.deflection_deg {
        *row = row.iter().copied().step_by(10).collect();
    }
    measurement
}

/// The page without its style and drawings, which other tests check.
fn words_of(page: &str) -> String {
    let mut words = String::new();
    let mut rest = page;
    while let Some((before, tag)) = ["<svg", "<style"]
        .iter()
        .filter_map(|tag| rest.find(tag).map(|at| (at, *tag)))
        .min()
    {
        words.push_str(&rest[..before]);
        words.push_str(&format!("{tag}>…"));
        let end = tag.replace('<', "</");
        rest = &rest[before + rest[before..].find(&end).unwrap()..];
    }
    words + rest
}

#[test]
fn the_page_says_what_was_agreed() {
    insta::assert_snapshot!(words_of(&page::page(&small(), None).unwrap()));
}

#[test]
fn the_mismatch_chart_looks_as_it_was_agreed() {
    let measurement = small();
    insta::assert_snapshot!(charts::mismatch(
        &measurement.matches[0],
        Some(0.3),
        Format::Wide
    ));
}

#[test]
fn the_response_chart_looks_as_it_was_agreed() {
    let measurement = small();
    let shown = page::pair(&measurement, &measurement.matches[0]);
    insta::assert_snapshot!(charts::straight_line_departure(&shown, Format::Wide));
}

#[test]
fn the_timeline_looks_as_it_was_agreed() {
    insta::assert_snapshot!(charts::timeline(&small(), Format::Wide));
}

#[test]
fn the_hinge_sketch_looks_as_it_was_agreed() {
    insta::assert_snapshot!(charts::hinges(&small().surfaces, Format::Wide));
}

#[test]
fn the_page_needs_nothing_from_elsewhere() {
    let page = with_picture(|picture| {
        let still = marked_still(&heron(), &picture, Format::Wide).unwrap();
        page::page(&heron(), Some(&still)).unwrap()
    });
    for word in ["<script", "src=", "<link", "@import", "url(", "https://"] {
        assert!(!page.contains(word), "{word}");
    }
    // The only addresses are names of XML vocabularies.
    let addresses = page.matches("http://").count();
    assert_eq!(
        addresses,
        page.matches("http://www.w3.org/2000/svg").count()
    );
}

#[test]
fn the_page_is_made_for_every_odd_measurement() {
    let mut nothing_measured = heron();
    for surface in &mut nothing_measured.surfaces {
        surface.stations.clear();
        surface.health = Default::default();
        surface.hinge.arm = None;
    }
    nothing_measured.matches.clear();
    nothing_measured.trace = Default::default();
    let page = page::page(&nothing_measured, None).unwrap();
    assert!(page.contains("Measured, not matched"));
    assert!(page.contains("The right tailplane is not matched to the left tailplane"));
    nothing_measured.groups.clear();
    let page = page::page(&nothing_measured, None).unwrap();
    assert!(page.contains("Measured; nothing to match"));
    assert_all_figures_are_numbers(&page);

    let mut no_surface = nothing_measured;
    no_surface.surfaces.clear();
    let page = page::page(&no_surface, None).unwrap();
    assert_all_figures_are_numbers(&page);
}

#[test]
fn a_camera_that_reads_line_by_line_is_told() {
    let mut measurement = heron();
    let has_caution = |measurement: &Measurement| {
        let page = page::page(measurement, None).unwrap();
        page.contains("It read each picture line by line within 19.6 ± 0.4 ms")
    };
    assert!(!has_caution(&measurement));
    // From the last line to the first, if the camera was upside down.
    measurement.camera.readout_ms = Some(crate::measured::Measured::from_expanded(-19.6, 0.4));
    assert!(has_caution(&measurement));
}

#[test]
fn a_surface_that_stops_early_opens_the_page_and_the_summary() {
    let mut measurement = heron();
    measurement.surfaces[1].health.early_stop = vec![crate::response::EarlyStop {
        stick_pct: 75.0,
        deflection_deg: crate::measured::Measured::new(18.31, 0.02),
    }];
    let page = page::page(&measurement, None).unwrap();
    let place = |words: &str| page.find(words).unwrap();
    assert!(place("Caution: a surface stops while its servo goes on") < place("class=\"verdict"));
    let summary = summary(&measurement, None);
    let place = |words: &str| summary.find(words).unwrap();
    assert!(place("\nCAUTION: The right tailplane stops") < place("\nEnter the numbers below"));
    assert!(place("\nWarnings") < place("\nCAUTION"));
}

fn assert_all_figures_are_numbers(page: &str) {
    let words = page.split(|letter: char| !letter.is_alphabetic());
    let odd: Vec<&str> = words.filter(|word| ["NaN", "inf"].contains(word)).collect();
    assert!(odd.is_empty(), "{odd:?}");
}

#[test]
fn names_cannot_break_the_page() {
    let mut measurement = heron();
    measurement.model = "<script>alert(1)</script>".into();
    measurement.surfaces[1].name = "<b>right</b>".into();
    measurement.matches[0].follower = "<b>right</b>".into();
    let page = page::page(&measurement, None).unwrap();
    assert!(!page.contains("<script>") && !page.contains("<b>right"));
}

#[test]
fn a_trace_has_a_picture_for_every_stage() {
    let of_sightings = with_picture(|picture| {
        let frames = std::slice::from_ref(picture.sighted);
        trace_of_sightings(frames, Some(picture)).unwrap()
    });
    let of_record = trace_of_record(&heron());
    let files = || of_sightings.iter().chain(&of_record);
    let mut names: Vec<&str> = files().map(|file| file.name.as_str()).collect();
    names.sort_unstable();
    assert_eq!(
        names,
        [
            "1-clip.svg",
            "2-tags.csv",
            "2-tags.svg",
            "3-motion.svg",
            "4-stations.svg",
            "5-response-1.svg",
            "6-matching-1.svg",
        ]
    );
    let tags = files().find(|file| file.name == "2-tags.svg").unwrap();
    let tags = String::from_utf8(tags.bytes.clone()).unwrap();
    // Sample corners have a variance of 0.0004 px², so k = 2 gives 0.04 px.
    assert!(
        tags.contains(">10: ±0.040 px<"),
        "the corner's uncertainty is shown"
    );
    assert_eq!(
        trace_of_times(&[("clip", 1.25), ("tags", 2.5)])
            .unwrap()
            .bytes,
        b"stage,time_s\nclip,1.25\ntags,2.5\n".to_vec()
    );
}

#[test]
fn the_same_measurement_gives_the_same_bytes() {
    let make = || {
        with_picture(|picture| {
            let inputs = ReportInputs {
                picture: Some(picture),
                frames: None,
            };
            files(&heron(), &inputs).unwrap()
        })
    };
    assert_eq!(make(), make());
}

#[test]
fn a_comparison_says_what_was_agreed() {
    use crate::comparison::Comparison;
    use crate::measurement::sample::heron_after;

    let (before, after) = (heron(), heron_after());
    let comparison = Comparison::of(&before, &after).unwrap();
    insta::assert_snapshot!("cured", comparison_summary(&comparison, &after));
    look(
        "comparison.html",
        &comparison_page(&comparison, &before, &after).unwrap(),
    );
    let mut again = before.clone();
    again.clip.path = "clips/heron_tail_again.mp4".into();
    let unchanged = Comparison::of(&before, &again).unwrap();
    let page = comparison_page(&unchanged, &before, &again).unwrap();
    insta::assert_snapshot!("unchanged_page", words_of(&page));
    insta::assert_snapshot!("unchanged", comparison_summary(&unchanged, &again));
    look("comparison-out.html", &page);
}

#[test]
fn a_pair_that_no_numbers_help_is_told_so() {
    use crate::comparison::Comparison;

    let mut after = heron();
    after.matches[0].predicted_deg.worst = 1.3;
    let has_caution = |mut after: Measurement| {
        after.date = Some("2026-11-26".into());
        let after = &after;
        let comparison = Comparison::of(&heron(), after).unwrap();
        let page = comparison_page(&comparison, &heron(), after).unwrap();
        [comparison_summary(&comparison, after), page].map(|text| {
            let text = text.split_whitespace().collect::<Vec<_>>().join(" ");
            text.contains("Another round of numbers is not worth it")
        })
    };
    assert_eq!(has_caution(after), [true, true]);
    // The sample's own numbers would leave 0.14° of 1.31°.
    assert_eq!(has_caution(heron()), [false, false]);
}

/// Writes a page for looking at: `HINGEWISE_LOOK=FOLDER`.
fn look(name: &str, page: &str) {
    if let Ok(folder) = std::env::var("HINGEWISE_LOOK") {
        std::fs::write(std::path::Path::new(&folder).join(name), page).unwrap();
    }
}

#[test]
fn a_setup_sheet_says_what_was_agreed() {
    use crate::measurement::sample::{LEFT, RIGHT, heron_after};
    use crate::record::{Kept, Source};

    let kept = |name: &str, measurement| Kept {
        name: name.into(),
        measurement,
    };
    let latest = kept("002-2026-11-26-heron_tail_after", heron_after());
    let earlier = [kept("001-2026-11-25-heron_tail", heron())];
    let source = Source {
        kept: &latest,
        earlier: &earlier,
        surfaces: vec![LEFT, RIGHT],
    };
    let drifts = source.neutral_drifts();
    let page = setup_sheet(&[source], &drifts, &[]).unwrap();
    insta::assert_snapshot!(words_of(&page));
    look("setup.html", &page);
}
