//! Whole pictures instead of sightings.

use hingewise::camera::CameraProfile;
use hingewise::clip::{Clip, ClipOptions, Frame, GreyImage, Levels};
use hingewise::live::{LiveError, LiveFrame, LiveSession};

use super::film::{TRIPOD, root};

fn live(frame: &Frame, levels: Levels) -> LiveFrame {
    LiveFrame {
        time_s: frame.time_s,
        luma: frame.image.clone(),
        levels,
    }
}

#[test]
fn pictures_give_the_same_states_as_the_sightings_of_the_clip_s_search() {
    let clip = Clip::open(&root("sample-frames/cards.mp4"), &ClipOptions::default()).unwrap();
    let levels = clip.info().levels;
    let (mut of_pictures, mut of_sightings) = (TRIPOD.session(), TRIPOD.session());
    let frames = clip.into_stream().unwrap().take(150);
    for (frame, sighted) in frames.zip(&TRIPOD.sightings.frames) {
        let mut state = of_pictures.frame(live(&frame.unwrap(), levels)).unwrap();
        let expected = of_sightings.sighted(sighted.clone()).unwrap();
        // The overview of the search weighs poor pictures; these are good.
        state.warnings.clone_from(&expected.warnings);
        for (found, expected) in state.surfaces.iter().zip(&expected.surfaces) {
            assert_eq!(found.tag.corners_px, expected.tag.corners_px);
            assert_eq!(found.learned, expected.learned);
        }
    }
    assert!(of_pictures.state().surfaces.iter().all(|it| it.learned));
}

fn blank(width_px: usize, height_px: usize, bytes: usize) -> GreyImage {
    GreyImage {
        width_px,
        height_px,
        pixels: vec![128; bytes].into(),
    }
}

#[test]
fn pictures_of_another_size_shape_or_range_are_refused_with_help() {
    let levels = Levels {
        black: 0,
        white: 255,
    };
    let send = |session: &mut LiveSession, time_s: f64, luma: GreyImage, levels: Levels| {
        session.frame(LiveFrame {
            time_s,
            luma,
            levels,
        })
    };
    let mut session = TRIPOD.session();
    let profile = CameraProfile::read(&root("sample-frames/camera.toml")).unwrap();
    let (width, height) = (profile.width_px, profile.height_px);
    let too_few = send(&mut session, 0.0, blank(width, height, 10), levels).unwrap_err();
    assert!(
        matches!(too_few, LiveError::NotAPicture { .. }),
        "{too_few}"
    );
    let shape = send(&mut session, 0.0, blank(640, 480, 640 * 480), levels).unwrap_err();
    assert!(matches!(shape, LiveError::Profile(_)), "{shape}");
    let whole = || blank(width, height, width * height);
    send(&mut session, 0.0, whole(), levels).unwrap();
    let half = blank(width / 2, height / 2, width * height / 4);
    let size = send(&mut session, 0.1, half, levels).unwrap_err();
    assert!(matches!(size, LiveError::SizeChanged { .. }), "{size}");
    let limited = Levels {
        black: 16,
        white: 235,
    };
    let range = send(&mut session, 0.1, whole(), limited).unwrap_err();
    assert!(matches!(range, LiveError::RangeChanged), "{range}");
    for error in [too_few, shape, size, range] {
        assert!(!error.mend().is_empty());
    }
    send(&mut session, 0.1, whole(), levels).unwrap();
}
