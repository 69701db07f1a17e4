//! How much the airframe tag tells of a camera in the hand.

use hingewise::motion::MotionWarning;

use super::{brief, measured};
use crate::support::aircraft::{self, Aircraft, WorldTag};
use crate::support::filming::{self, CornerNoise, Filming};
use crate::support::judge::{rms, station_errors};
use crate::support::world::observe;

#[test]
fn tells_a_lone_airframe_tag_that_faces_a_moving_camera() {
    let told = |pitch_deg: f64, hand: f64, second: bool| {
        // On the line of sight of a camera that looks along z.
        let mut airframe_tags = vec![tag(0, [0.0, 0.0, 750.0], pitch_deg, 20.0)];
        if second {
            airframe_tags.push(tag(1, [0.0, 0.0, 830.0], pitch_deg, 20.0));
        }
        let built = Aircraft {
            airframe_tags,
            ..aircraft::plain(4)
        };
        let filming = Filming {
            hand,
            ..filming::tripod()
        };
        let (_, warnings) = measured(&observe(&built, &brief(filming, 4))).unwrap();
        warnings.iter().find_map(|warning| match warning {
            MotionWarning::AirframeTagSquareOn {
                tag_id, angle_deg, ..
            } => Some((*tag_id, *angle_deg)),
            _ => None,
        })
    };
    let (tag_id, angle_deg) = told(0.0, 1.0, false).unwrap();
    assert_eq!(tag_id, 0);
    assert!((0.0..3.0).contains(&angle_deg), "{angle_deg}");
    assert_eq!(told(15.0, 1.0, false), None);
    assert_eq!(told(-15.0, 1.0, false), None);
    assert_eq!(told(0.0, 0.0, false), None);
    assert_eq!(told(0.0, 1.0, true), None);
}

/// An airframe tag that leans by `pitch_deg` from square-on.
fn tag(id: u32, at_mm: [f64; 3], pitch_deg: f64, edge_mm: f64) -> WorldTag {
    WorldTag {
        id,
        edge_mm,
        world_from_tag: aircraft::facing(at_mm, 0.0, pitch_deg, 0.5),
        bend_radius_mm: 0.0,
    }
}

/// Claimed standard deviation at the ends of the travel in some films from the hand, deg.
fn sd_at_ends_deg(airframe_tags: &[WorldTag]) -> f64 {
    let films = (0..6).map(|seed| {
        let built = Aircraft {
            airframe_tags: airframe_tags.to_vec(),
            ..aircraft::plain(seed)
        };
        let filming = Filming {
            noise: CornerNoise::white(0.02),
            ..filming::handheld()
        };
        observe(&built, &brief(filming, seed))
    });
    rms(films.flat_map(|film| {
        let (motion, _) = measured(&film).unwrap();
        let errors = station_errors(&film, &motion);
        let at_end = |hold: usize| film.truth.holds[hold].stick_pct.abs() == 100.0;
        let ends = errors.into_iter().filter(|error| at_end(error.hold));
        ends.map(|error| error.sd_deg).collect::<Vec<_>>()
    }))
}

#[test]
fn in_the_hand_a_leaning_a_larger_or_a_second_airframe_tag_tells_more() {
    let at_mm = [3.0, 22.0, 750.0];
    let leaning = tag(0, at_mm, 20.0, 20.0);
    let [square_on, one, larger, two] = [
        vec![tag(0, at_mm, 0.0, 20.0)],
        vec![leaning.clone()],
        vec![tag(0, at_mm, 20.0, 40.0)],
        vec![leaning, tag(1, [3.0, -10.0, 830.0], 20.0, 20.0)],
    ]
    .map(|tags| sd_at_ends_deg(&tags));
    println!("square-on {square_on:.3}°, leaning {one:.3}°, larger {larger:.3}°, two {two:.3}°");
    // What the README advises by.
    assert!(square_on > 1.8 * one);
    assert!(larger < 0.85 * one);
    assert!(two < 0.8 * one);
}
