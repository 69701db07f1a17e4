//! Faults that only a model file can have.

use thiserror::Error;

use super::{LAST_TAG_ID, TAG_FAMILY};
use crate::table_reader::{Fault, TableFault};

/// What is wrong at one place of a model file.
#[derive(Debug, Clone, PartialEq, Error)]
#[non_exhaustive]
pub enum ModelFault {
    /// A fault that any file can have.
    #[error(transparent)]
    Table(#[from] TableFault),
    /// A format of the file that is not known.
    #[error("unknown format {found}")]
    UnknownFormat {
        /// The number found.
        found: u32,
    },
    /// A tag family that is not understood.
    #[error("unknown family of tags {found:?}")]
    UnknownFamily {
        /// The family found.
        found: String,
    },
    /// An id that no tag of the family has.
    #[error("no tag of the family {TAG_FAMILY} has the id {id}")]
    NoSuchId {
        /// The id found.
        id: String,
    },
    /// A tag without a size.
    #[error("this tag has no size, neither here nor in [tags]")]
    NoEdge,
    /// One id stands for two tags.
    #[error("id {id} is used twice: for {first} and for {second}")]
    RepeatedId {
        /// The id.
        id: u32,
        /// What it was used for first.
        first: String,
        /// What it is used for here.
        second: String,
    },
    /// Two surfaces have one name.
    #[error("two surfaces have the name {name:?}")]
    RepeatedName {
        /// The name.
        name: String,
    },
    /// A name with nothing in it.
    #[error("`{key}` is empty")]
    Empty {
        /// The key.
        key: &'static str,
    },
    /// A name that no surface has.
    #[error("the {role} {name:?} is not a surface of this file")]
    NotASurface {
        /// What the name was given as.
        role: &'static str,
        /// The name.
        name: String,
        /// The surface that was probably meant.
        meant: Option<String>,
        /// All surfaces.
        surfaces: Vec<String>,
    },
    /// A match group of a function names a surface of another one.
    #[error("the {role} {name:?} is not a surface of the function {function:?}")]
    NotOfFunction {
        /// What the name was given as.
        role: &'static str,
        /// The name.
        name: String,
        /// The function.
        function: String,
        /// The function's surfaces.
        surfaces: Vec<String>,
    },
    /// Two functions have one name.
    #[error("two functions have the name {name:?}")]
    RepeatedFunction {
        /// The name.
        name: String,
    },
    /// A function lists a surface twice.
    #[error("the function lists {name:?} twice")]
    ListedTwice {
        /// The surface.
        name: String,
    },
    /// A surface that no function moves.
    #[error("no function moves the surface {name:?}")]
    WithoutFunction {
        /// The surface.
        name: String,
    },
    /// A match group of the whole file beside functions.
    #[error("this match group belongs to no function")]
    MatchOutsideFunction,
    /// A surface that would have to be adjusted to two others.
    #[error("{name:?} is listed twice as a follower")]
    FollowsTwice {
        /// The surface.
        name: String,
    },
    /// A surface that is left alone here and adjusted there.
    #[error("{name:?} is both a reference and a follower")]
    ReferenceFollows {
        /// The surface.
        name: String,
    },
    /// A differential where there is none.
    #[error("`down_to_up` is set, but no surface here goes up while the reference goes down")]
    DifferentialUnused,
    /// Throws of a group that is not adjusted to throws.
    #[error("throws are set, but the target is not `throws`")]
    ThrowsWithoutTarget,
    /// Throws in degrees and in mm.
    #[error("`throws_mm` and `throws_deg` are both set")]
    TwoThrows,
    /// Throws in mm that no chord turns into degrees.
    #[error("the reference has no chord, or one too short for these throws")]
    NoChord,
    /// Throws that no smooth curve through neutral joins.
    #[error("throws of {up} up and {down} down are too unequal for one smooth curve")]
    UnequalThrows {
        /// Trailing edge up.
        up: f64,
        /// Trailing edge down.
        down: f64,
    },
    /// Numbers that have to rise from one to the next.
    #[error("the numbers of `{key}` do not rise: {before} is before {after}")]
    NotRising {
        /// The key.
        key: &'static str,
        /// A number.
        before: f64,
        /// The next one.
        after: f64,
    },
    /// A curve of one point is none.
    #[error("`{key}` has {count} entries, but needs at least {least}")]
    TooFew {
        /// The key.
        key: &'static str,
        /// Number of entries.
        count: usize,
        /// Smallest number of entries.
        least: usize,
    },
    /// An active curve with another number of points than the radio's.
    #[error("`curve_pct` has {count} numbers, but the radio's curve has {points} points")]
    CurveLength {
        /// Numbers given.
        count: usize,
        /// Points of the radio's curve; 0 if it has none.
        points: usize,
    },
    /// Active numbers that look like outputs where additions are declared, or the other way round.
    #[error(
        "the numbers of `{key}` look like {}, but `curve_shows` in [radio] declares {}",
        kind(!are_outputs), kind(*are_outputs)
    )]
    OtherKindOfCurve {
        /// The key.
        key: &'static str,
        /// Whether the radio is declared to show outputs.
        are_outputs: bool,
    },
    /// End points that are not two.
    #[error("`end_points_pct` has {count} numbers instead of two")]
    NotTwoEnds {
        /// Numbers given.
        count: usize,
    },
    /// Microseconds of a radio that counts in percent.
    #[error("`{key}` is set, but the radio uses percent")]
    NotInMicroseconds {
        /// The key.
        key: &'static str,
    },
    /// A number given in percent and in microseconds.
    #[error("`{key}` and `{in_percent}` are both set")]
    GivenTwice {
        /// The key in microseconds.
        key: &'static str,
        /// The key in percent.
        in_percent: &'static str,
    },
    /// A time span that does not go forward.
    #[error("{start} s to {end} s is not a span of time")]
    NoSpan {
        /// First time.
        start: f64,
        /// Last time.
        end: f64,
    },
    /// A tag has the id that a station card has.
    #[error("id {id} is the default card for {stick_pct} %, and so cannot be {used_for} as well")]
    CardId {
        /// The id.
        id: u32,
        /// The stick position of the card.
        stick_pct: f64,
        /// What the tag is used for.
        used_for: String,
    },
    /// Neither a hold at 0 nor a span defines neutral.
    #[error("`order` has no 0, so neutral is unknown")]
    NoNeutral,
}

/// A kind of curve numbers in words.
fn kind(are_outputs: bool) -> &'static str {
    if are_outputs {
        "outputs (the position itself where nothing is entered)"
    } else {
        "additions (0 where nothing is entered)"
    }
}

impl Fault for ModelFault {
    fn mend(&self) -> String {
        match self {
            Self::Table(fault) => fault.mend(),
            Self::UnknownFormat { .. } => "write `format = 1`".into(),
            Self::UnknownFamily { .. } => {
                format!("print tags of the family {TAG_FAMILY} and write `family = {TAG_FAMILY:?}`")
            }
            Self::NoSuchId { .. } => format!("ids run from 0 to {LAST_TAG_ID}"),
            Self::NoEdge => {
                "measure the black square's outer edge and write it as `edge_mm`, once for all under \
                 [tags] or here"
                    .into()
            }
            Self::RepeatedId { .. } => "give each tag its own id; print another one if necessary".into(),
            Self::RepeatedName { .. } => "give each surface its own name".into(),
            Self::Empty { .. } => "write at least one name".into(),
            Self::NotASurface { meant: Some(meant), .. } => format!("did you mean {meant:?}?"),
            Self::NotASurface { surfaces, .. } if surfaces.is_empty() => "declare it as a [[surface]]".into(),
            Self::NotASurface { surfaces, .. } => {
                format!("the surfaces are: {}", surfaces.join(", "))
            }
            Self::NotOfFunction { surfaces, .. } => format!(
                "the surfaces of the function are: {}; add it to them, or name one of them",
                surfaces.join(", ")
            ),
            Self::RepeatedFunction { .. } => "give each function a name of its own".into(),
            Self::ListedTwice { .. } => "list each surface once".into(),
            Self::WithoutFunction { .. } => {
                "add it to the `surfaces` of a [[function]]; one alone needs a function of its own".into()
            }
            Self::MatchOutsideFunction => {
                "move it behind its function and write [[function.match]]".into()
            }
            Self::FollowsTwice { .. } => "list it once, under one reference".into(),
            Self::ReferenceFollows { .. } => "put all surfaces that should move alike under one reference".into(),
            Self::DifferentialUnused => {
                "use it with `motion = \"opposite\"` where up is compared with up, or remove it".into()
            }
            Self::ThrowsWithoutTarget => "write `target = \"throws\"`, or remove the throws".into(),
            Self::TwoThrows => "write one of the two".into(),
            Self::NoChord => "add `chord_mm` to the reference, or use `throws_deg`".into(),
            Self::UnequalThrows { .. } => {
                "use throws of which one is at most 2.5 times the other".into()
            }
            Self::NotRising { .. } => "write them from the smallest to the largest".into(),
            Self::TooFew { .. } => "add the missing entries".into(),
            Self::CurveLength { points: 0, .. } => {
                "add `curve_points_pct` to [radio], or remove the curve".into()
            }
            Self::CurveLength { .. } => "write one number for each entry of `curve_points_pct`".into(),
            Self::OtherKindOfCurve { .. } => {
                "look at the radio's curve page of an untouched servo: if it shows 0 at every point, write \
                 `curve_shows = \"added\"`; if it shows the points' own positions, write \
                 `curve_shows = \"output\"`"
                    .into()
            }
            Self::NotTwoEnds { .. } => "write the ends at -100 and at +100, such as [100, 100]".into(),
            Self::NotInMicroseconds { .. } => {
                "write `unit = \"microseconds\"` in [radio], or use percent".into()
            }
            Self::GivenTwice { .. } => "write one of the two".into(),
            Self::NoSpan { .. } => "write the start and the end in seconds of the clip".into(),
            Self::CardId { .. } => "use a tag whose id is outside 100 to 140, or list your own cards as \
                 cards = { 201 = -100, … }"
                .into(),
            Self::NoNeutral => {
                "hold the stick at 0 at least once, or add a span: neutral = { time_s = [0.0, 1.5] }".into()
            }
        }
    }
}
