//! Landmarks in drawn pictures with known motion.

use nalgebra::{Matrix2, Point2, Rotation2, Vector2};

use super::*;

const SIZE_PX: [usize; 2] = [480, 360];

/// Light of an invented scene at a place: waves of all lengths and directions, nowhere the same.
fn scene(place: &Point2<f64>, seed: f64) -> f64 {
    let wave = |number: usize| {
        let direction = 2.4 * number as f64 + seed;
        let length_px = 9.0 + 4.0 * number as f64;
        let along = place.x * direction.cos() + place.y * direction.sin();
        (std::f64::consts::TAU * along / length_px + 1.7 * number as f64).sin()
    };
    (0..8).map(wave).sum::<f64>() / 8.0
}

/// A view of the scene: a place of it is seen at `turn · place + shift`.
#[derive(Debug, Clone, Copy)]
struct View {
    seed: f64,
    turn: Matrix2<f64>,
    shift_px: Vector2<f64>,
    contrast: f64,
    brightness: f64,
}

fn plain() -> View {
    View {
        seed: 0.3,
        turn: Matrix2::identity(),
        shift_px: Vector2::zeros(),
        contrast: 200.0,
        brightness: 120.0,
    }
}

impl View {
    fn of(&self, place: Point2<f64>) -> Point2<f64> {
        self.turn * place + self.shift_px
    }

    fn picture(&self) -> GreyImage {
        let back = self.turn.try_inverse().unwrap();
        let [width_px, height_px] = SIZE_PX;
        let pixels = (0..height_px).flat_map(|row| (0..width_px).map(move |column| (column, row)));
        let code = |(column, row): (usize, usize)| {
            let place = back * (Point2::new(column as f64, row as f64) - self.shift_px);
            (self.brightness + self.contrast * scene(&place, self.seed)) as u8
        };
        GreyImage {
            width_px,
            height_px,
            pixels: pixels.map(code).collect(),
        }
    }

    /// A tag on the airframe and one on a surface.
    fn tags(&self) -> TagsInFrame {
        let outline = |x: f64, y: f64| {
            let square = [[0.0, 0.0], [30.0, 0.0], [30.0, 30.0], [0.0, 30.0]];
            square.map(|[right, down]| self.of(Point2::new(x + right, y + down)))
        };
        TagsInFrame {
            airframe_px: [(0, outline(300.0, 100.0))].into(),
            surfaces_px: [(1, outline(200.0, 240.0))].into(),
        }
    }
}

/// A hand's view at a frame: some pixels further each time, turning and coming nearer a little.
fn by_hand(frame: usize) -> View {
    let time = 0.2 * frame as f64;
    let turn = 0.03 * time.sin();
    View {
        turn: (1.0 + 0.02 * (1.3 * time).sin()) * Rotation2::new(turn).into_inner(),
        shift_px: Vector2::new(18.0 * time.sin(), 11.0 * (1.0 - (0.7 * time).cos())),
        ..plain()
    }
}

#[test]
fn a_template_is_found_turned_enlarged_and_in_another_light() {
    let template = Template::cut(&plain().picture(), [320, 200]).unwrap();
    for (turn_rad, scale, contrast) in [(0.0, 1.0, 200.0), (0.05, 1.04, 140.0), (-0.1, 0.93, 230.0)]
    {
        let view = View {
            turn: scale * Rotation2::new(turn_rad).into_inner(),
            shift_px: Vector2::new(3.37, -8.61),
            contrast,
            brightness: 110.0,
            ..plain()
        };
        let place = view.of(Point2::new(320.0, 200.0));
        let expected = place + Vector2::new(1.1, -0.8);
        let found = template
            .find(&view.picture(), expected, &view.turn)
            .unwrap();
        // Interpolation between pixels smooths waves of 9 px by some hundredths of their length.
        assert!(
            (found - place).norm() < 0.03,
            "{turn_rad}: {found} for {place}"
        );
    }
}

#[test]
fn a_template_is_not_found_elsewhere_nor_in_its_opposite_nor_outside() {
    let picture = plain().picture();
    let template = Template::cut(&picture, [320, 200]).unwrap();
    let find = |view: View, place: Point2<f64>| {
        template.find(&view.picture(), place, &Matrix2::identity())
    };
    let place = Point2::new(320.0, 200.0);
    assert!(find(plain(), place).is_some());
    let other = View {
        seed: 1.9,
        ..plain()
    };
    assert_eq!(find(other, place), None);
    let opposite = View {
        contrast: -200.0,
        ..plain()
    };
    assert_eq!(find(opposite, place), None);
    for outside in [[-500.0, 200.0], [5.0, 200.0], [320.0, 359.0], [1e4, -1e4]] {
        assert_eq!(find(plain(), Point2::from(outside)), None);
    }
    for border in [[5, 200], [320, 350], [479, 359]] {
        assert_eq!(Template::cut(&picture, border), None);
    }
}

/// Thirty pictures a second.
fn at_s(frame: usize) -> f64 {
    frame as f64 / 30.0
}

#[test]
fn nothing_is_followed_beside_a_still_camera() {
    let mut landmarks = Landmarks::default();
    for frame in 0..5 {
        let view = View {
            shift_px: Vector2::repeat(0.02 * frame as f64),
            ..plain()
        };
        assert_eq!(
            landmarks
                .follow(at_s(frame), &view.picture(), &view.tags())
                .unwrap(),
            []
        );
    }
    assert!(landmarks.followed.is_empty());
}

#[test]
fn landmarks_move_as_the_scene_does_and_keep_away_from_surfaces() {
    let mut landmarks = Landmarks::default();
    let mut places_in_scene = BTreeMap::new();
    for frame in 0..40 {
        let view = by_hand(frame);
        let seen = landmarks
            .follow(at_s(frame), &view.picture(), &view.tags())
            .unwrap();
        if frame > 2 {
            assert!(seen.len() > 14, "frame {frame}: {}", seen.len());
        }
        let back = view.turn.try_inverse().unwrap();
        for LandmarkSighting { number, place_px } in seen {
            let in_scene: Point2<f64> = back * (place_px.cast() - view.shift_px);
            let first = places_in_scene.entry(number).or_insert(in_scene);
            assert!((in_scene - *first).norm() < 0.06, "frame {frame}, {number}");
        }
    }
    assert!(places_in_scene.len() <= MOST_LANDMARKS);
    let surface = Point2::new(215.0, 255.0);
    let mut places = places_in_scene.values();
    assert!(places.all(|place| (place - surface).norm() > 140.0));
}

#[test]
fn landmarks_are_followed_on_while_no_airframe_tag_is_in_sight() {
    let mut landmarks = Landmarks::default();
    let mut numbers = vec![];
    for frame in 0..40 {
        let mut view = by_hand(frame);
        // Steps further than a template reaches; some landmarks leave the picture.
        view.shift_px *= 3.0;
        let mut tags = view.tags();
        if (15..30).contains(&frame) {
            tags.airframe_px.clear();
        }
        let seen = landmarks
            .follow(at_s(frame), &view.picture(), &tags)
            .unwrap();
        if frame > 2 {
            assert!(seen.len() > 10, "frame {frame}: {}", seen.len());
        }
        numbers.extend(seen.iter().map(|seen| seen.number));
    }
    assert!((numbers.iter().max()) < Some(&(MOST_LANDMARKS as u32)));
}

#[test]
fn none_is_chosen_while_no_airframe_tag_is_in_sight() {
    let mut landmarks = Landmarks::default();
    for frame in 0..40 {
        let mut view = by_hand(frame);
        let mut tags = view.tags();
        if frame >= 10 {
            view.seed = 1.9;
            tags.airframe_px.clear();
        }
        let seen = landmarks
            .follow(at_s(frame), &view.picture(), &tags)
            .unwrap();
        let newest = seen.iter().map(|seen| seen.number).max();
        assert!(newest < Some(MOST_LANDMARKS as u32), "frame {frame}");
    }
}

#[test]
fn others_are_chosen_when_the_camera_looks_elsewhere() {
    let mut landmarks = Landmarks::default();
    let mut numbers = vec![];
    for frame in 0..50 {
        let mut view = by_hand(frame);
        if frame >= 20 {
            view.seed = 1.9;
        }
        let seen = landmarks
            .follow(at_s(frame), &view.picture(), &view.tags())
            .unwrap();
        numbers.push(seen.iter().map(|seen| seen.number).max());
    }
    assert_eq!(numbers[19].unwrap(), numbers[5].unwrap());
    assert!(
        numbers[20..30]
            .iter()
            .all(|number| number.is_none_or(|it| it <= numbers[19].unwrap()))
    );
    assert!(numbers[49].unwrap() > numbers[19].unwrap());
}

#[test]
fn a_blank_wall_has_none_and_is_asked_now_and_then_only() {
    let mut landmarks = Landmarks::default();
    for frame in 0..40 {
        let view = View {
            contrast: 0.0,
            ..by_hand(frame)
        };
        assert_eq!(
            landmarks
                .follow(at_s(frame), &view.picture(), &view.tags())
                .unwrap(),
            []
        );
    }
}

#[test]
fn what_was_kept_and_read_back_goes_on_the_same_way() {
    let mut landmarks = Landmarks::default();
    let see = |landmarks: &mut Landmarks, frame: usize| {
        let view = by_hand(frame);
        landmarks
            .follow(at_s(frame), &view.picture(), &view.tags())
            .unwrap()
    };
    for frame in 0..8 {
        see(&mut landmarks, frame);
    }
    let bytes = postcard::to_stdvec(&landmarks).unwrap();
    let mut read: Landmarks = postcard::from_bytes(&bytes).unwrap();
    assert_eq!(read, landmarks);
    assert_eq!(see(&mut read, 8), see(&mut landmarks, 8));
    // Damaged templates are refused.
    let template = landmarks.followed[0].template.clone();
    let codes: Vec<u8> = template.into();
    assert!(Template::try_from(codes[1..].to_vec()).is_err());
    assert!(Template::try_from(vec![7; codes.len()]).is_err());
}
