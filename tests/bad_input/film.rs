//! A rendered film of a plain aircraft: an airframe tag, two surfaces, station cards; and ways to
//! spoil it.
//!
//! The camera is a pinhole at the origin that looks along z. Each hinge lies along x, and its tag
//! stands towards the camera from it.

use std::collections::HashMap;
use std::path::Path;

use crate::support::picture::{Drawing, Lens, render};
use crate::support::random::Random;

pub const AIRFRAME: u32 = 0;
pub const LEFT: u32 = 10;
pub const RIGHT: u32 = 23;
/// Cards of the stations −100, 0 and +100.
pub const CARDS: [u32; 3] = [1, 2, 3];
/// Cards of the stations −50 and +50.
pub const HALF_CARDS: [u32; 2] = [5, 7];
/// A tag that nobody declares.
pub const STRANGER: u32 = 42;

const SIZE_PX: [usize; 2] = [640, 360];
const FOCAL_PX: f64 = 520.0;
const DISTANCE_MM: f64 = 600.0;
const EDGE_MM: f64 = 40.0;
const RADIUS_MM: f64 = 80.0;
/// How far the surface tags lean back at neutral.
const LEAN_DEG: f64 = 20.0;
const FRAME_RATE: f64 = 15.0;
const HOLD_FRAMES: usize = 11;
const MOVE_FRAMES: usize = 3;
/// Standard deviation of the noise, code values.
const NOISE_CODE: f64 = 1.0;

/// Code value that the wall behind the tags gets.
const WALL: u8 = 171;

/// Without noise, so that what is rendered once can serve many frames.
const LENS: Lens = Lens {
    noise_code: 0.0,
    ..Lens::SHARP
};

type Corners = [[f64; 2]; 4];

/// What the camera sees at one moment.
type Shot = Vec<(u32, Corners)>;

/// How the surfaces follow the stick.
#[derive(Clone, Copy, PartialEq)]
pub enum Moves {
    /// Both the same way.
    Alike,
    /// The right one the other way.
    Opposite,
    /// The right one rests.
    LeftOnly,
    /// The left one goes through all holds, then the right one, while the other one rests.
    InTurn,
}

/// What is filmed.
#[derive(Clone)]
pub struct Film {
    /// How the surfaces follow the stick.
    pub moves: Moves,
    /// Deflection of both surfaces at full stick.
    pub travel_deg: f64,
    /// The holds in time.
    pub stations_pct: Vec<f64>,
    /// Tags that are not there.
    pub missing: Vec<u32>,
    /// Edge of all tags against what it should be.
    pub scale: f64,
    /// Cards shown beside the right one: position of the hold, and the card.
    pub second_cards: Vec<(usize, u32)>,
    /// Tags that lie about: id, and the centre in the picture.
    pub lying_about: Vec<(u32, [f64; 2])>,
    /// Deflections of both surfaces where something else than the stick holds them.
    pub held_deg: Option<[f64; 2]>,
    /// How far the left tag is out of its place, along the hinge.
    pub left_shift_mm: f64,
    /// Pictures a second.
    pub rate: f64,
    /// Whether the stick goes from each station to the next without a rest, in as long as a hold takes.
    pub sweeps: bool,
    /// Only every so many pictures are kept.
    pub every: usize,
    /// What happens to every picture.
    pub spoil: fn(image::GrayImage) -> image::GrayImage,
}

/// A film in which nothing is wrong.
pub fn good() -> Film {
    Film {
        moves: Moves::Alike,
        travel_deg: 14.0,
        stations_pct: vec![0.0, 100.0, 0.0, -100.0, 0.0],
        missing: vec![],
        scale: 1.0,
        second_cards: vec![],
        lying_about: vec![],
        held_deg: None,
        left_shift_mm: 0.0,
        rate: FRAME_RATE,
        sweeps: false,
        every: 1,
        spoil: |picture| picture,
    }
}

/// The card of a station.
fn card(stick_pct: f64) -> u32 {
    let [low, high] = HALF_CARDS;
    let [lowest, middle, highest] = CARDS;
    match (stick_pct / 50.0) as i32 {
        -2 => lowest,
        -1 => low,
        0 => middle,
        1 => high,
        _ => highest,
    }
}

impl Film {
    /// Writes the stills and their times into a new folder.
    pub fn write(&self, folder: &Path) {
        std::fs::create_dir(folder).unwrap();
        let mut darkroom = Darkroom::new();
        let mut times = String::from("file,time_s\n");
        for (index, shot) in self.shots().iter().enumerate().step_by(self.every) {
            let name = format!("{index:03}.png");
            times += &format!("{name},{:.5}\n", index as f64 / self.rate);
            let picture = (self.spoil)(darkroom.develop(shot));
            picture.save(folder.join(name)).unwrap();
        }
        std::fs::write(folder.join("times.csv"), times).unwrap();
    }

    fn shots(&self) -> Vec<Shot> {
        let mut shots = vec![];
        let frames =
            |at_usual_rate: usize| (at_usual_rate as f64 * self.rate / FRAME_RATE).round() as usize;
        let (hold_frames, move_frames) = match self.sweeps {
            true => (0, frames(HOLD_FRAMES + MOVE_FRAMES)),
            false => (frames(HOLD_FRAMES), frames(MOVE_FRAMES)),
        };
        let mut before = None;
        for (hold, (sides_pct, stick_pct)) in self.holds().into_iter().enumerate() {
            if let Some(before) = before.replace(sides_pct) {
                for step in 1..=move_frames {
                    let part = step as f64 / (move_frames + 1) as f64;
                    let between =
                        |side: usize| before[side] + (sides_pct[side] - before[side]) * part;
                    shots.push(self.shot([between(0), between(1)]));
                }
            }
            let mut shot = self.shot(sides_pct);
            shot.push((card(stick_pct), self.facing([-60.0, -120.0])));
            let second = self.second_cards.iter().filter(|(at, _)| *at == hold);
            shot.extend(second.map(|(_, card)| (*card, self.facing([60.0, -120.0]))));
            shots.extend(vec![shot; hold_frames]);
        }
        for shot in &mut shots {
            shot.retain(|(id, _)| !self.missing.contains(id));
        }
        shots
    }

    /// What the left and the right surface get in each hold, and the stick position on its card.
    fn holds(&self) -> Vec<([f64; 2], f64)> {
        let stations = self.stations_pct.iter();
        let of_right = |right: f64| {
            stations
                .clone()
                .map(move |stick| ([*stick, right * stick], *stick))
        };
        match self.moves {
            Moves::Alike => of_right(1.0).collect(),
            Moves::Opposite => of_right(-1.0).collect(),
            Moves::LeftOnly => of_right(0.0).collect(),
            Moves::InTurn => {
                let right = stations.clone().map(|stick| ([0.0, *stick], *stick));
                of_right(0.0).chain(right).collect()
            }
        }
    }

    /// The aircraft at the stick positions of its sides, without cards.
    fn shot(&self, sides_pct: [f64; 2]) -> Shot {
        let by_stick_deg = sides_pct.map(|stick_pct| self.travel_deg * stick_pct / 100.0);
        let [left_deg, right_deg] = self.held_deg.unwrap_or(by_stick_deg);
        let mut shot = vec![
            (AIRFRAME, self.facing([0.0, 70.0])),
            (LEFT, self.turned(-180.0 + self.left_shift_mm, left_deg)),
            (RIGHT, self.turned(180.0, right_deg)),
        ];
        let to_mm = |place_px: f64, side_px: usize| {
            (place_px - (side_px as f64 - 1.0) / 2.0) * DISTANCE_MM / FOCAL_PX
        };
        for &(id, [x_px, y_px]) in &self.lying_about {
            let place_mm = [to_mm(x_px, SIZE_PX[0]), to_mm(y_px, SIZE_PX[1])];
            shot.push((id, self.facing(place_mm)));
        }
        shot
    }

    /// Corners of a tag that faces the camera: top-left, top-right, bottom-right, bottom-left.
    fn facing(&self, [x_mm, y_mm]: [f64; 2]) -> Corners {
        self.corners(|along, up| [x_mm + along, y_mm - up, DISTANCE_MM])
    }

    /// Corners of a surface's tag, its trailing edge up by a deflection.
    fn turned(&self, x_mm: f64, deflection_deg: f64) -> Corners {
        let (sin, cos) = deflection_deg.to_radians().sin_cos();
        let (sin_lean, cos_lean) = (deflection_deg + LEAN_DEG).to_radians().sin_cos();
        self.corners(|along, up| {
            [
                x_mm + along,
                -RADIUS_MM * sin - up * cos_lean,
                DISTANCE_MM - RADIUS_MM * (cos - 1.0) + up * sin_lean,
            ]
        })
    }

    /// Corners in the picture of a tag whose places in space follow from those on the tag.
    fn corners(&self, in_space_mm: impl Fn(f64, f64) -> [f64; 3]) -> Corners {
        let half_mm = EDGE_MM / 2.0 * self.scale;
        [[-1.0, 1.0], [1.0, 1.0], [1.0, -1.0], [-1.0, -1.0]].map(|[along, up]| {
            let [x, y, z] = in_space_mm(along * half_mm, up * half_mm);
            let pixel = |value: f64, side: usize| FOCAL_PX * value / z + (side as f64 - 1.0) / 2.0;
            [pixel(x, SIZE_PX[0]), pixel(y, SIZE_PX[1])]
        })
    }
}

/// The profile of the camera above.
pub fn profile() -> String {
    let [width_px, height_px] = SIZE_PX;
    let [cx, cy] = SIZE_PX.map(|side| (side as f64 - 1.0) / 2.0);
    format!(
        "format = 1\nname = \"pinhole\"\nwidth_px = {width_px}\nheight_px = {height_px}\n\
         matrix = {{ fx = {FOCAL_PX}, fy = {FOCAL_PX}, cx = {cx}, cy = {cy} }}\n\
         distortion = {{ k1 = 0, k2 = 0, p1 = 0, p2 = 0, k3 = 0 }}\n"
    )
}

/// The model file of the aircraft above; `stations` is the body of its table.
pub fn model(stations: &str) -> String {
    head()
        + &format!(
            "[[match]]\nreference = \"left flap\"\nfollowers = [\"right flap\"]\nmotion = \"same\"\n\
             tolerance_deg = 3.0\n[stations]\n{stations}\n"
        )
}

/// The model file without match groups and stations.
pub fn head() -> String {
    format!(
        "format = 1\n[model]\nname = \"Plover\"\n[tags]\nedge_mm = {EDGE_MM:.1}\n\
         [[airframe_tag]]\nid = {AIRFRAME}\n\
         [[surface]]\nname = \"left flap\"\nside = \"left\"\ntag = {LEFT}\n\
         [[surface]]\nname = \"right flap\"\nside = \"right\"\ntag = {RIGHT}\n\
         [radio]\ncurve_points_pct = [-100, 0, 100]\n"
    )
}

/// Stations told by the cards above.
pub fn by_cards() -> String {
    let [low, middle, high] = CARDS;
    format!("from = \"cards\"\ncards = {{ {low} = -100, {middle} = 0, {high} = 100 }}")
}

/// Stations told by all five cards, as `(card, stick)`.
pub fn by_these_cards(cards: &[(u32, i32)]) -> String {
    let cards: Vec<String> = cards
        .iter()
        .map(|(card, stick_pct)| format!("{card} = {stick_pct}"))
        .collect();
    format!("from = \"cards\"\ncards = {{ {} }}", cards.join(", "))
}

/// Develops shots; each tag in each place is rendered once.
struct Darkroom {
    rendered: HashMap<String, Patch>,
    noise: Random,
}

/// A tag with some wall around it, and where it belongs in the picture.
struct Patch {
    left_px: usize,
    top_px: usize,
    width_px: usize,
    codes: Vec<u8>,
}

impl Darkroom {
    fn new() -> Self {
        Self {
            rendered: HashMap::new(),
            noise: Random::new(1),
        }
    }

    fn develop(&mut self, shot: &Shot) -> image::GrayImage {
        let [width_px, height_px] = SIZE_PX.map(|side| side as u32);
        let mut picture = image::GrayImage::from_pixel(width_px, height_px, image::Luma([WALL]));
        for (id, corners_px) in shot {
            let patch = self
                .rendered
                .entry(format!("{id} {corners_px:?}"))
                .or_insert_with(|| Patch::rendered(*id, corners_px));
            for (index, code) in patch.codes.iter().enumerate() {
                let x = patch.left_px + index % patch.width_px;
                let y = patch.top_px + index / patch.width_px;
                let noisy = f64::from(*code) + NOISE_CODE * self.noise.normal();
                picture.put_pixel(x as u32, y as u32, image::Luma([noisy.round() as u8]));
            }
        }
        picture
    }
}

impl Patch {
    fn rendered(id: u32, corners_px: &Corners) -> Self {
        let span = |axis: usize| {
            let places = corners_px.iter().map(|corner| corner[axis]);
            let low = places.clone().fold(f64::INFINITY, f64::min);
            let high = places.fold(f64::NEG_INFINITY, f64::max);
            let margin = 0.25 * (high - low) + 4.0;
            ((low - margin) as usize, (high + margin) as usize)
        };
        let ((left_px, right_px), (top_px, bottom_px)) = (span(0), span(1));
        let width_px = right_px - left_px;
        let in_patch = corners_px.map(|[x, y]| [x - left_px as f64, y - top_px as f64]);
        let size_px = [width_px, bottom_px - top_px];
        Self {
            left_px,
            top_px,
            width_px,
            codes: render(&Drawing::official(id), &in_patch, size_px, &LENS, 1),
        }
    }
}
