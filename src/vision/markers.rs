//! Finds and decodes square markers with OpenCV, in either generation of its marker module.

use nalgebra::Point2;
use opencv::core::{Mat, MatTraitConst, Point2f, Vector};
use opencv::prelude::*;

#[cfg(not(markers_in_objdetect))]
use opencv::aruco as generation;
#[cfg(markers_in_objdetect)]
use opencv::objdetect as generation;

use super::{VisionError, keep_to_one_thread};
use crate::clip::GreyImage;

/// The build script's answer must fit the bindings that are really compiled in.
const _: () = assert!(
    cfg!(markers_in_objdetect)
        == (opencv::core::CV_VERSION_MAJOR > 4 || opencv::core::CV_VERSION_MINOR >= 7)
);

/// A dictionary of markers.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Dictionary {
    name: &'static str,
    code: i32,
}

/// Names and codes after OpenCV's documentation of its predefined dictionaries.
const DICTIONARIES: [Dictionary; 21] = [
    Dictionary {
        name: "DICT_4X4_50",
        code: 0,
    },
    Dictionary {
        name: "DICT_4X4_100",
        code: 1,
    },
    Dictionary {
        name: "DICT_4X4_250",
        code: 2,
    },
    Dictionary {
        name: "DICT_4X4_1000",
        code: 3,
    },
    Dictionary {
        name: "DICT_5X5_50",
        code: 4,
    },
    Dictionary {
        name: "DICT_5X5_100",
        code: 5,
    },
    Dictionary {
        name: "DICT_5X5_250",
        code: 6,
    },
    Dictionary {
        name: "DICT_5X5_1000",
        code: 7,
    },
    Dictionary {
        name: "DICT_6X6_50",
        code: 8,
    },
    Dictionary {
        name: "DICT_6X6_100",
        code: 9,
    },
    Dictionary {
        name: "DICT_6X6_250",
        code: 10,
    },
    Dictionary {
        name: "DICT_6X6_1000",
        code: 11,
    },
    Dictionary {
        name: "DICT_7X7_50",
        code: 12,
    },
    Dictionary {
        name: "DICT_7X7_100",
        code: 13,
    },
    Dictionary {
        name: "DICT_7X7_250",
        code: 14,
    },
    Dictionary {
        name: "DICT_7X7_1000",
        code: 15,
    },
    Dictionary {
        name: "DICT_ARUCO_ORIGINAL",
        code: 16,
    },
    Dictionary {
        name: "DICT_APRILTAG_16h5",
        code: 17,
    },
    Dictionary {
        name: "DICT_APRILTAG_25h9",
        code: 18,
    },
    Dictionary {
        name: "DICT_APRILTAG_36h10",
        code: 19,
    },
    Dictionary {
        name: "DICT_APRILTAG_36h11",
        code: 20,
    },
];

impl Dictionary {
    /// The AprilTag family 36h11.
    pub const APRILTAG_36H11: Self = DICTIONARIES[20];

    /// The dictionary of this name (OpenCV's names, `DICT_5X5_100`), in any case of letters.
    pub fn named(name: &str) -> Option<Self> {
        DICTIONARIES
            .into_iter()
            .find(|dictionary| dictionary.name.eq_ignore_ascii_case(name))
    }

    /// All names that [`Dictionary::named`] accepts.
    pub fn names() -> Vec<&'static str> {
        DICTIONARIES
            .iter()
            .map(|dictionary| dictionary.name)
            .collect()
    }

    /// OpenCV's name.
    pub fn name(&self) -> &'static str {
        self.name
    }

    /// How many markers it holds, and how many cells a side carry data.
    pub fn size(&self) -> Result<(usize, usize), VisionError> {
        let library = generation::get_predefined_dictionary_i32(self.code)?;
        let cells = library.marker_size();
        Ok((
            library.bytes_list().rows().max(0) as usize,
            cells.max(0) as usize,
        ))
    }

    /// The cells of a tag of the family 36h11 as officially drawn, upright; `true` is white. `None`
    /// if there is no such id.
    ///
    /// OpenCV's dictionary holds every tag of the family turned by half a turn.
    pub fn official_tag_cells(id: u32) -> Result<Option<Vec<Vec<bool>>>, VisionError> {
        let mut cells = Self::APRILTAG_36H11.cells(id)?;
        if let Some(rows) = &mut cells {
            rows.reverse();
            rows.iter_mut().for_each(|row| row.reverse());
        }
        Ok(cells)
    }

    /// The cells of a marker with its one-cell black border, row by row from the top-left as
    /// OpenCV draws it; `true` is white. `None` if there is no such id.
    pub fn cells(&self, id: u32) -> Result<Option<Vec<Vec<bool>>>, VisionError> {
        let (count, data_cells) = self.size()?;
        if id as usize >= count {
            return Ok(None);
        }
        let side = data_cells + 2;
        let library = generation::get_predefined_dictionary_i32(self.code)?;
        let mut drawing = Mat::default();
        #[cfg(not(markers_in_objdetect))]
        generation::draw_marker(&library, id as i32, side as i32, &mut drawing, 1)?;
        #[cfg(markers_in_objdetect)]
        generation::generate_image_marker(&library, id as i32, side as i32, &mut drawing, 1)?;
        let pixels = drawing.data_bytes()?;
        Ok(Some(
            pixels
                .chunks(side)
                .map(|row| row.iter().map(|&value| value > 127).collect())
                .collect(),
        ))
    }
}

/// A marker as the library found it: good to a pixel, no better.
#[derive(Debug, Clone, PartialEq)]
pub struct FoundMarker {
    /// Id in its dictionary.
    pub id: u32,
    /// Corners of the black border in OpenCV's order, clockwise in the picture.
    pub corners_px: [Point2<f64>; 4],
}

/// Result of a search.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Found {
    /// Decoded markers, sorted by id.
    pub markers: Vec<FoundMarker>,
    /// Outlines that looked like a marker's square but carried no valid code.
    pub other_squares_px: Vec<[Point2<f64>; 4]>,
}

/// How hard to look.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum SearchEffort {
    /// One threshold: for a window that is known to hold the marker.
    Window,
    /// Two thresholds and markers with edges from here on: for a quick look through a picture.
    Quick {
        /// Shortest edge that is found for sure, px.
        edge_px: f64,
    },
    /// Three thresholds and small markers: for whole pictures.
    Thorough,
}

/// The library takes the points of an outline for its length. Those of a square are as few as 2.8 times its
/// edge, where it is turned by 45°; fewer where it is tilted as well, and where soft edges lose a row.
const POINTS_PER_EDGE: f64 = 2.0;

/// Finds markers of one dictionary.
pub struct MarkerFinder {
    effort: SearchEffort,
    #[cfg(not(markers_in_objdetect))]
    dictionary: opencv::core::Ptr<generation::Dictionary>,
    #[cfg(not(markers_in_objdetect))]
    parameters: opencv::core::Ptr<generation::DetectorParameters>,
    #[cfg(markers_in_objdetect)]
    detector: generation::ArucoDetector,
}

impl MarkerFinder {
    /// A finder for one dictionary.
    pub fn new(dictionary: Dictionary, effort: SearchEffort) -> Result<Self, VisionError> {
        keep_to_one_thread()?;
        let library = generation::get_predefined_dictionary_i32(dictionary.code)?;
        #[cfg(not(markers_in_objdetect))]
        {
            let mut parameters = generation::DetectorParameters::create()?;
            set_parameters(&mut parameters, effort);
            Ok(Self {
                effort,
                dictionary: library,
                parameters,
            })
        }
        #[cfg(markers_in_objdetect)]
        {
            let mut parameters = generation::DetectorParameters::default()?;
            set_parameters(&mut parameters, effort);
            let refine = generation::RefineParameters::new_def()?;
            Ok(Self {
                effort,
                detector: generation::ArucoDetector::new(&library, &parameters, refine)?,
            })
        }
    }

    /// All markers in a picture.
    pub fn find(&mut self, image: &GreyImage) -> Result<Found, VisionError> {
        if image.pixels.is_empty() {
            return Ok(Found::default());
        }
        if let SearchEffort::Quick { edge_px } = self.effort {
            let longer_px = image.width_px.max(image.height_px) as f64;
            self.pass_over_shorter(POINTS_PER_EDGE * edge_px / longer_px)?;
        }
        let picture = Mat::new_rows_cols_with_data(
            image.height_px as i32,
            image.width_px as i32,
            &image.pixels,
        )?;
        let mut outlines = Vector::<Vector<Point2f>>::new();
        let mut ids = Vector::<i32>::new();
        let mut rejected = Vector::<Vector<Point2f>>::new();
        #[cfg(not(markers_in_objdetect))]
        generation::detect_markers(
            &picture,
            &self.dictionary,
            &mut outlines,
            &mut ids,
            &self.parameters,
            &mut rejected,
        )?;
        #[cfg(markers_in_objdetect)]
        self.detector
            .detect_markers(&picture, &mut outlines, &mut ids, &mut rejected)?;

        let mut markers: Vec<FoundMarker> = outlines
            .iter()
            .zip(ids.iter())
            .filter_map(|(outline, id)| {
                Some(FoundMarker {
                    id: u32::try_from(id).ok()?,
                    corners_px: quad(&outline)?,
                })
            })
            .collect();
        markers.sort_by_key(|marker| marker.id);
        let other_squares_px = rejected
            .iter()
            .filter_map(|outline| quad(&outline))
            .collect();
        Ok(Found {
            markers,
            other_squares_px,
        })
    }

    /// Skips outlines with fewer points than this share of the picture's longer side: the library
    /// has no other measure, and each outline it examines costs as much as thousands of pixels.
    fn pass_over_shorter(&mut self, share: f64) -> Result<(), VisionError> {
        #[cfg(not(markers_in_objdetect))]
        self.parameters.set_min_marker_perimeter_rate(share);
        #[cfg(markers_in_objdetect)]
        {
            let mut parameters = self.detector.get_detector_parameters()?;
            parameters.set_min_marker_perimeter_rate(share);
            self.detector.set_detector_parameters(&parameters)?;
        }
        Ok(())
    }
}

fn quad(outline: &Vector<Point2f>) -> Option<[Point2<f64>; 4]> {
    let points: Vec<Point2<f64>> = outline
        .iter()
        .map(|point| Point2::new(point.x.into(), point.y.into()))
        .collect();
    points.try_into().ok()
}

/// Outlines whose corners are nearer to each other, as a share of their perimeter, count as one marker's.
///
/// Before OpenCV 4.9 only the largest of them is decoded, and a printed frame near a marker is larger: at 0.05
/// markers are missed that 0.01 finds. Since then the others are tried in turn, and outlines that are kept apart
/// harm: the innermost one that can be decoded wins. With 4.9 to 4.12, 8 of 587 printed tags are then missed
/// and the corners of a printed board are 3 px off. At 0.05 all are found.
const SAME_MARKER: f64 =
    if opencv::core::CV_VERSION_MAJOR > 4 || opencv::core::CV_VERSION_MINOR >= 9 {
        0.05
    } else {
        0.01
    };

/// Default parameters miss markers below about 20 px and markers close to others.
fn set_parameters(parameters: &mut impl generation::DetectorParametersTrait, effort: SearchEffort) {
    parameters.set_min_marker_perimeter_rate(0.01);
    parameters.set_min_marker_distance_rate(SAME_MARKER);
    parameters.set_min_distance_to_border(1);
    parameters.set_adaptive_thresh_win_size_min(7);
    parameters.set_adaptive_thresh_win_size_step(16);
    match effort {
        SearchEffort::Window => {
            parameters.set_min_marker_perimeter_rate(0.3);
            parameters.set_adaptive_thresh_win_size_min(13);
            parameters.set_adaptive_thresh_win_size_max(13);
        }
        SearchEffort::Quick { .. } => parameters.set_adaptive_thresh_win_size_max(23),
        SearchEffort::Thorough => parameters.set_adaptive_thresh_win_size_max(39),
    }
}
