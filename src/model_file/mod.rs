//! Model file: what the person declares about the aircraft, the filming and the radio.

mod book;
mod fault;
mod fields;
mod function;
mod new;
mod proposal;
mod radio;
mod read;
mod read_functions;
mod read_match;
mod read_radio;
mod read_stations;

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use serde::{Deserialize, Serialize};

pub use self::fault::ModelFault;
pub use self::function::{Function, groups_among};
pub use self::new::{NewModel, NewModelError};
pub use self::proposal::Proposal;
pub(crate) use self::radio::MOST_CURVE_POINTS;
pub use self::radio::{CurveShows, EndPoints, Joins, Radio, Settings};
use crate::measured::Measured;
use crate::table_reader::{FaultyFile, FileError, read_file, read_text};

/// The one tag family that is understood.
pub const TAG_FAMILY: &str = "36h11";
/// Largest id of that family, which has 587 tags.
pub const LAST_TAG_ID: u32 = 586;

/// Why a model file was refused: unreadable, or all its faults at once.
pub type ModelFileErrors = FileError<ModelFault>;

/// A model file, checked: every reference resolves, every default is filled in.
#[derive(Debug, Clone, PartialEq)]
pub struct ModelFile {
    /// Where it was read from; file names in it are relative to its folder.
    pub path: PathBuf,
    /// The aircraft's name.
    pub name: String,
    /// Tags on parts that do not move; the first is the airframe's frame.
    pub airframe_tags: Vec<AirframeTag>,
    /// The measured surfaces, in the order of the file.
    pub surfaces: Vec<Surface>,
    /// Which surfaces are to move alike; with functions, the groups of all of them.
    pub matches: Vec<MatchGroup>,
    /// Station source; with functions, that of the file, or of the first function if the file has none.
    pub stations: Stations,
    /// Surfaces that one stick moves together; empty where the file declares no functions, and all its
    /// surfaces have the match groups and stations above.
    pub functions: Vec<Function>,
    /// Limits of the radio; `None` if the file has none.
    pub radio: Option<Radio>,
}

/// A tag on a part that does not move.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct AirframeTag {
    /// Id in the family 36h11.
    pub id: u32,
    /// Outer edge of the black square.
    pub edge_mm: f64,
}

/// Where a surface sits, seen from behind.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Side {
    /// Left of the aircraft.
    Left,
    /// Right of the aircraft.
    Right,
    /// On the middle line.
    Centre,
}

/// A hinged surface with its tag.
#[derive(Debug, Clone, PartialEq)]
pub struct Surface {
    /// Name, unique in the file.
    pub name: String,
    /// Side of the aircraft.
    pub side: Side,
    /// Id of its tag.
    pub tag_id: u32,
    /// Outer edge of the black square of its tag.
    pub edge_mm: f64,
    /// Hinge line to trailing edge.
    pub chord_mm: Option<f64>,
    /// Hinge line to the tag's centre by a ruler, a prior for the fit.
    pub hinge_to_tag_mm: Option<Measured>,
    /// Stands upright (rudder): positive is trailing edge left.
    pub upright: bool,
}

/// Whether a follower moves the way its reference does.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum MatchMotion {
    /// Both trailing edges go up together.
    Same,
    /// One goes up while the other goes down.
    Opposite,
}

/// What is compared with what, of surfaces that move opposite ways.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Compare {
    /// Up with up: the follower at the opposite stick position.
    #[default]
    UpWithUp,
    /// Up with down, at the same stick position.
    UpWithDown,
}

/// One reference and the surfaces that are adjusted to it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct MatchGroup {
    /// Name of the surface that is left alone.
    pub reference: String,
    /// Names of the surfaces that are adjusted.
    pub followers: Vec<String>,
    /// Same way or opposite ways.
    pub motion: MatchMotion,
    /// Largest mismatch that is accepted.
    pub tolerance_deg: f64,
    /// What they are adjusted to.
    #[serde(default)]
    pub target: Target,
    /// What is compared with what, where they move opposite ways.
    #[serde(default)]
    pub compare: Compare,
    /// Share of the command that the side going down gets from the radio's mix, of surfaces that
    /// move opposite ways; `None`: both sides get the whole of it.
    #[serde(default)]
    pub down_to_up: Option<f64>,
}

/// What the surfaces of a match group are adjusted to.
#[derive(Debug, Clone, Copy, Default, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", tag = "to")]
pub enum Target {
    /// The reference, which is left alone.
    #[default]
    Reference,
    /// The steepest straight line that all of them reach; the reference gets numbers as well.
    Straight,
    /// Throws at full stick, joined by a parabola through neutral; likewise.
    Throws {
        /// Trailing edge up (left for upright surfaces).
        up_deg: f64,
        /// Trailing edge down (right for upright surfaces).
        down_deg: f64,
    },
    /// The smallest of their deflections at every stick position; likewise.
    Smaller,
}

impl Target {
    /// What it is called where a reference's name would stand.
    pub fn name(&self) -> &'static str {
        match self {
            Self::Reference => "reference",
            Self::Straight => "straight line",
            Self::Throws { .. } => "declared throws",
            Self::Smaller => "smaller of the sides",
        }
    }

    /// Whether one side is left alone.
    pub fn is_reference(&self) -> bool {
        *self == Self::Reference
    }
}

/// Station source, and where neutral is.
#[derive(Debug, Clone, PartialEq)]
pub struct Stations {
    /// Where the stick positions come from.
    pub source: StationSource,
    /// Span at neutral, seconds, where no hold is at 0.
    pub neutral_time_s: Option<[f64; 2]>,
    /// Span in which all surfaces are held level with each other, seconds.
    pub level_time_s: Option<[f64; 2]>,
}

/// Where the stick positions come from.
#[derive(Debug, Clone, PartialEq)]
pub enum StationSource {
    /// Printed cards: stick position by tag id.
    Cards(BTreeMap<u32, f64>),
    /// The stick positions of the holds in time.
    Order(Vec<f64>),
    /// A CSV file of `time_s, stick_pct`, one row a hold.
    Marks(PathBuf),
    /// A CSV file of `time_s, stick_pct`, logged continuously by another clock.
    Log(PathBuf),
}

impl ModelFile {
    /// Reads and checks a model file.
    ///
    /// # Errors
    /// The file cannot be read, or has faults: all of them at once, with their places.
    pub fn read(path: &Path) -> Result<Self, ModelFileErrors> {
        read_file(path, |file| read::model_file(path, file))
    }

    /// Checks the text of a model file; `path` is named in errors and file names are relative to it.
    ///
    /// # Errors
    /// All faults at once, with their places.
    pub fn parse(path: &Path, text: String) -> Result<Self, FaultyFile<ModelFault>> {
        read_text(path, text, |file| read::model_file(path, file))
    }

    /// The surface of that name.
    pub fn surface(&self, name: &str) -> Option<&Surface> {
        self.surfaces.iter().find(|surface| surface.name == name)
    }
}

/// Id of the default card for stick 0; each step of 5 % is one id further.
const NEUTRAL_CARD_ID: i32 = 120;
/// Stick between two default cards, %.
const CARD_STEP_PCT: i32 = 5;

/// The default cards: stick position by tag id, `id = 120 + stick_pct / 5`.
pub fn default_cards() -> BTreeMap<u32, f64> {
    let steps = 100 / CARD_STEP_PCT;
    (-steps..=steps)
        .map(|step| {
            let id = (NEUTRAL_CARD_ID + step).unsigned_abs();
            (id, f64::from(CARD_STEP_PCT * step))
        })
        .collect()
}
