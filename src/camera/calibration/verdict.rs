//! Judges a calibration: whether it is good enough, why not, and what to do.

use super::effect::deflection_sd_deg;
use super::result::Calibration;
use crate::camera::CameraProfile;
use crate::conventions::COVERAGE_FACTOR;

/// Uncertainty of a 30° deflection, degrees (k = 2), up to which a profile is good: a third of the
/// aim for a whole station.
pub(in crate::camera) const GOOD_U_DEG: f64 = 0.01;
/// … and up to which it is usable: as large as the other uncertainties of a webcam's measurement.
const USABLE_U_DEG: f64 = 0.1;
/// RMS, px, above which something is wrong with board or focus (common practice, no source).
const LARGE_RMS_PX: f64 = 0.5;
/// … and above which it is wrong enough to film again.
const FAR_TOO_LARGE_RMS_PX: f64 = 1.5;
/// Part of the picture's side within which a crossing must come to an edge.
const EDGE_SHARE: f64 = 0.15;
/// Edges of the picture that crossings reach if the board was seen only in its middle: one view that
/// comes near one edge does not cover the picture.
const EDGES_OF_MIDDLE_ONLY: usize = 1;
/// Part of the picture's width beside its middle that crossings must reach: where the measurement is
/// laid out that the verdict judges. Beyond the crossings the lens is only extrapolated.
const JUDGED_SHARE: f64 = super::effect::ASIDE_SHARE;
/// Places of the board below which hardly anything can be checked (common practice, no source).
const FEW_PLACES: usize = 10;
/// Tilt, degrees, that at least a quarter of the views should reach (common practice, no source).
pub(in crate::camera) const GOOD_TILT_DEG: f64 = 20.0;
/// Bend of the board, mm, that a flat plate does not have (common practice, no source).
const BENT_BOARD_MM: f64 = 0.5;
/// Part by which fx and fy of a camera with square pixels may differ.
const PIXEL_ASPECT: f64 = 0.01;

/// How good a profile is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Grade {
    /// Measure with it.
    Good,
    /// It can be measured with, with a wider ±.
    Usable,
    /// Do not measure with it.
    FilmAgain,
}

impl Grade {
    /// How good a kept profile is by its covariance alone, with the expanded uncertainty (k = 2), degrees,
    /// that it adds to a deflection of 30°; `None` where it states no covariance.
    pub fn of_profile(profile: &CameraProfile) -> Option<(Self, f64)> {
        let covariance = profile.covariance.as_ref()?;
        let sd_deg = deflection_sd_deg(&profile.camera, covariance, profile.width_px);
        let u_deg = COVERAGE_FACTOR * sd_deg.unwrap_or(f64::INFINITY);
        let grade = match u_deg {
            u_deg if u_deg <= GOOD_U_DEG => Self::Good,
            u_deg if u_deg <= USABLE_U_DEG => Self::Usable,
            _ => Self::FilmAgain,
        };
        Some((grade, u_deg))
    }

    /// The verdict in words.
    pub fn words(&self) -> &'static str {
        match self {
            Self::Good => "good",
            Self::Usable => "usable",
            Self::FilmAgain => "film again",
        }
    }
}

/// An edge of the picture.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Edge {
    /// x = 0.
    Left,
    /// x = width.
    Right,
    /// y = 0.
    Top,
    /// y = height.
    Bottom,
}

impl Edge {
    /// Its name.
    pub fn words(&self) -> &'static str {
        match self {
            Self::Left => "left",
            Self::Right => "right",
            Self::Top => "top",
            Self::Bottom => "bottom",
        }
    }
}

/// An objection to a profile.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Objection {
    /// It adds too much to a deflection of 30°.
    AddsToAngle {
        /// Expanded uncertainty (k = 2) that it adds.
        u_deg: f64,
    },
    /// Points are too far from where the camera projects them.
    LargeRms {
        /// RMS over all points.
        rms_px: f64,
    },
    /// No view reaches an edge of the picture.
    EdgeNotReached {
        /// The edge.
        edge: Edge,
        /// How near the nearest crossing comes, in parts of the picture's side.
        nearest_share: f64,
    },
    /// The board was seen only in the middle of the picture.
    MiddleOnly {
        /// Part of the picture's width that the crossings cover.
        width_share: f64,
        /// Part of its height.
        height_share: f64,
        /// Whether tags beside the middle would be measured where no crossing was seen.
        extrapolates: bool,
    },
    /// Few views are tilted.
    LittleTilt {
        /// Views that are tilted well.
        tilted: usize,
        /// All views used.
        views: usize,
    },
    /// The board was seen in few different places.
    FewPlaces {
        /// Different places.
        places: usize,
        /// Views used.
        views: usize,
    },
    /// The board is bent.
    BentBoard {
        /// Largest of the numbers that describe its bend.
        bend_mm: f64,
    },
    /// The pixels seem not to be square.
    PixelsNotSquare {
        /// fx / fy.
        ratio: f64,
    },
}

impl Objection {
    /// How grave it is.
    pub fn grade(&self) -> Grade {
        match *self {
            Self::AddsToAngle { u_deg } if u_deg > USABLE_U_DEG => Grade::FilmAgain,
            Self::LargeRms { rms_px } if rms_px > FAR_TOO_LARGE_RMS_PX => Grade::FilmAgain,
            Self::MiddleOnly { extrapolates, .. } if extrapolates => Grade::FilmAgain,
            _ => Grade::Usable,
        }
    }

    /// The fault in how the board was filmed, to follow "the board was".
    fn cause(&self) -> Option<&'static str> {
        match self {
            Self::MiddleOnly { .. } => Some("seen only in the middle of the picture"),
            Self::LittleTilt { .. } => Some("hardly tilted"),
            Self::FewPlaces { .. } => Some("held in few places"),
            _ => None,
        }
    }

    /// What was found, with the figure.
    pub fn text(&self) -> String {
        match self {
            Self::AddsToAngle { u_deg } => format!(
                "the profile alone makes a 30° deflection uncertain by ±{u_deg:.3}°, above \
                 {GOOD_U_DEG}°"
            ),
            Self::LargeRms { rms_px } => format!(
                "the board's corners are off by {rms_px:.2} px typically, above {LARGE_RMS_PX} px"
            ),
            Self::EdgeNotReached {
                edge,
                nearest_share,
            } => format!(
                "no view reaches the {} edge: the nearest corner is still {:.0} % of the picture \
                 away",
                edge.words(),
                100.0 * nearest_share
            ),
            Self::MiddleOnly {
                width_share,
                height_share,
                ..
            } => format!(
                "the board was seen only in the middle of the picture: its corners cover \
                 {:.0} % of the width and {:.0} % of the height",
                100.0 * width_share,
                100.0 * height_share
            ),
            Self::LittleTilt { tilted, views } => {
                format!("only {tilted} of {views} views are tilted by {GOOD_TILT_DEG:.0}° or more")
            }
            Self::FewPlaces { places, views } if places < views => format!(
                "the {views} views show the board in only {places} different places, below \
                 {FEW_PLACES}"
            ),
            Self::FewPlaces { places, .. } => {
                format!("only {places} views show the board, below {FEW_PLACES}")
            }
            Self::BentBoard { bend_mm } => format!(
                "the board is bent by {bend_mm:.1} mm; the program measured and corrected this"
            ),
            Self::PixelsNotSquare { ratio } => format!(
                "the focal lengths across and down differ by {:.1} %, though pixels are square",
                100.0 * (ratio - 1.0).abs()
            ),
        }
    }

    /// What the user can do about it.
    pub fn mend(&self) -> String {
        match self {
            Self::AddsToAngle { .. } => "take more views, near enough that the board fills half \
                 the picture, tilted by 20° to 45° in all directions"
                .into(),
            Self::LargeRms { .. } => "glue the board to something flat, hold it still, in focus, \
                 in even light, with stabilisation and zoom off"
                .into(),
            Self::EdgeNotReached { edge, .. } => format!(
                "move the board to the {} edge of the picture and tilt it there",
                edge.words()
            ),
            Self::LittleTilt { .. } => {
                "tilt the board by 20° to 45° to the left, to the right, up and down".into()
            }
            Self::FewPlaces { .. } => {
                "hold the board still in ten to twenty different places and tilts".into()
            }
            Self::MiddleOnly { .. } => "hold the board nearer, so that it fills half of the \
                 picture or more, and move it to all four edges and into the corners"
                .into(),
            Self::BentBoard { .. } => "glue the board to glass or to a stiff, flat plate".into(),
            Self::PixelsNotSquare { .. } => {
                "take views with the board turned by 90° as well, tilted in all directions; check \
                 that the clip was not stretched"
                    .into()
            }
        }
    }
}

/// The plain answer to "is my profile good?".
#[derive(Debug, Clone, PartialEq)]
pub struct Verdict {
    /// How good it is: as bad as the gravest objection.
    pub grade: Grade,
    /// Expanded uncertainty (k = 2), degrees, that the profile alone adds to a deflection of 30°.
    pub u_of_30_deg: f64,
    /// Objections, gravest first.
    pub objections: Vec<Objection>,
}

impl Verdict {
    /// Judges a calibration. Causes precede their effects among objections of one grade.
    pub fn of(calibration: &Calibration) -> Self {
        let sd_deg = deflection_sd_deg(
            &calibration.camera,
            &calibration.covariance,
            calibration.size_px.0,
        );
        // A camera that cannot even see the typical layout is as doubtful as can be.
        let u_of_30_deg = COVERAGE_FACTOR * sd_deg.unwrap_or(f64::INFINITY);
        let mut objections = picture_not_covered(calibration);
        objections.extend(little_variety(calibration));
        if u_of_30_deg > GOOD_U_DEG {
            objections.push(Objection::AddsToAngle { u_deg: u_of_30_deg });
        }
        if calibration.rms_px > LARGE_RMS_PX {
            objections.push(Objection::LargeRms {
                rms_px: calibration.rms_px,
            });
        }
        objections.extend(unlike_a_camera(calibration));
        objections.sort_by_key(|objection| std::cmp::Reverse(objection.grade()));
        let grade = objections.first().map_or(Grade::Good, Objection::grade);
        Self {
            grade,
            u_of_30_deg,
            objections,
        }
    }

    /// The headline: the effect of the profile on an angle, in degrees, and faults
    /// in how the board was filmed.
    pub fn headline(&self) -> String {
        let heading = match self.grade {
            Grade::Good => "Good",
            Grade::Usable => "Usable",
            Grade::FilmAgain => "Film again",
        };
        let causes: Vec<&str> = self
            .objections
            .iter()
            .filter_map(Objection::cause)
            .collect();
        let because = match causes.is_empty() {
            true => String::new(),
            false => format!("; the board was {}", causes.join(" and ")),
        };
        format!(
            "{heading}: this profile adds ±{:.3}° to a 30° deflection{because}",
            self.u_of_30_deg
        )
    }
}

/// Uncovered edges: all, or all but one, as one objection, otherwise edge by edge.
fn picture_not_covered(calibration: &Calibration) -> Vec<Objection> {
    let views = calibration.views.iter();
    let points = views.flat_map(|view| &view.points);
    let (width, height) = (calibration.size_px.0 as f64, calibration.size_px.1 as f64);
    let mut nearest = [f64::INFINITY; 4];
    for point in points {
        let (x, y) = (
            point.point.in_image_px.x / width,
            point.point.in_image_px.y / height,
        );
        for (near, distance) in nearest.iter_mut().zip([x, 1.0 - x, y, 1.0 - y]) {
            *near = near.min(distance);
        }
    }
    let reached = nearest.iter().filter(|&&nearest| nearest <= EDGE_SHARE);
    if reached.count() <= EDGES_OF_MIDDLE_ONLY {
        let [left, right, top, bottom] = nearest;
        return vec![Objection::MiddleOnly {
            width_share: (1.0 - left - right).max(0.0),
            height_share: (1.0 - top - bottom).max(0.0),
            extrapolates: left.max(right) > 0.5 - JUDGED_SHARE,
        }];
    }
    [Edge::Left, Edge::Right, Edge::Top, Edge::Bottom]
        .into_iter()
        .zip(nearest)
        .filter(|&(_, nearest_share)| nearest_share > EDGE_SHARE)
        .map(|(edge, nearest_share)| Objection::EdgeNotReached {
            edge,
            nearest_share,
        })
        .collect()
}

fn little_variety(calibration: &Calibration) -> Vec<Objection> {
    let mut objections = Vec::new();
    let views = calibration.views.len();
    let tilts = calibration.views.iter().map(|view| view.tilt_deg);
    let tilted = tilts.filter(|&tilt| tilt >= GOOD_TILT_DEG).count();
    if 4 * tilted < views {
        objections.push(Objection::LittleTilt { tilted, views });
    }
    let places = calibration.places;
    if places < FEW_PLACES {
        objections.push(Objection::FewPlaces { places, views });
    }
    objections
}

fn unlike_a_camera(calibration: &Calibration) -> Vec<Objection> {
    let mut objections = Vec::new();
    let bend_mm = calibration.bend_mm.amax();
    if bend_mm > BENT_BOARD_MM {
        objections.push(Objection::BentBoard { bend_mm });
    }
    let ratio = calibration.camera.fx / calibration.camera.fy;
    if (ratio - 1.0).abs() > PIXEL_ASPECT {
        objections.push(Objection::PixelsNotSquare { ratio });
    }
    objections
}
