//! Frames from a folder of PNG and JPEG pictures.

use std::path::{Path, PathBuf};

use image::metadata::Orientation;
use image::{DynamicImage, ImageDecoder, ImageReader};

use super::natural_order;
use super::stills_times::{self, TIMES_FILE};
use super::transfer::Transfer;
use super::turn::Turn;
use super::{ClipError, ClipInfo, ClipOptions, Frame, GreyImage, Levels, Lines, MAX_PIXELS};

/// Endings of the files that count as pictures, whatever is really in them.
const ENDINGS: [&str; 3] = ["png", "jpg", "jpeg"];

/// Most bytes a pixel that a picture's decoder hands out: four channels of 16 bits.
const MOST_BYTES_PER_PIXEL: u64 = 8;

/// Reads one folder of stills from its first picture to its last.
pub(super) struct StillsReader {
    /// In the order of presentation.
    stills: std::vec::IntoIter<Still>,
    next_index: usize,
}

struct Still {
    path: PathBuf,
    time_s: f64,
}

impl StillsReader {
    pub(super) fn open(
        folder: &Path,
        options: &ClipOptions,
    ) -> Result<(ClipInfo, Self), ClipError> {
        let names = still_names(folder)?;
        let order = order_and_times(folder, &names, options)?;
        let ((width_px, height_px), lines) = common_shape(folder, &names)?;
        let info = ClipInfo {
            path: folder.into(),
            width_px,
            height_px,
            levels: Levels::FULL,
            transfer: Transfer::Power,
            lines,
            claimed_frames: Some(names.len() as u64),
        };
        let stills: Vec<Still> = order
            .into_iter()
            .map(|(position, time_s)| Still {
                path: folder.join(&names[position]),
                time_s,
            })
            .collect();
        Ok((
            info,
            Self {
                stills: stills.into_iter(),
                next_index: 0,
            },
        ))
    }

    /// File names of the pictures not read yet.
    pub(super) fn names(&self) -> Vec<String> {
        let names = self.stills.as_slice().iter().map(|still| &still.path);
        names
            .filter_map(|path| Some(path.file_name()?.to_string_lossy().into_owned()))
            .collect()
    }

    /// The picture at a position of a folder of which nothing was read yet; `None` where there is
    /// none.
    pub(super) fn frame(mut self, index: usize) -> Result<Option<Frame>, ClipError> {
        self.stills.by_ref().take(index).for_each(drop);
        self.next_index = index;
        self.next_frame()
    }

    pub(super) fn next_frame(&mut self) -> Result<Option<Frame>, ClipError> {
        let Some(still) = self.stills.next() else {
            return Ok(None);
        };
        let index = self.next_index;
        self.next_index += 1;
        Ok(Some(Frame {
            index,
            time_s: still.time_s,
            image: decode(&still.path)?,
        }))
    }
}

/// Names of the pictures in a folder, in the order in which a person reads them.
fn still_names(folder: &Path) -> Result<Vec<String>, ClipError> {
    let unreadable = |source| ClipError::opening(folder, source);
    let mut names = Vec::new();
    let mut others = 0;
    for entry in std::fs::read_dir(folder).map_err(unreadable)? {
        let entry = entry.map_err(unreadable)?;
        match entry.file_name().into_string() {
            Ok(name) if is_still(&name) && entry.path().is_file() => names.push(name),
            _ => others += 1,
        }
    }
    if names.is_empty() {
        return Err(ClipError::NoStills {
            folder: folder.into(),
            others,
        });
    }
    names.sort_by(|a, b| natural_order::compare(a, b));
    Ok(names)
}

/// Names that begin with a dot belong to the system, such as the `._` shadows that macOS leaves.
fn is_still(name: &str) -> bool {
    let ending = Path::new(name).extension().and_then(|text| text.to_str());
    !name.starts_with('.')
        && ending.is_some_and(|ending| {
            ENDINGS
                .iter()
                .any(|known| ending.eq_ignore_ascii_case(known))
        })
}

/// Positions in `names` in the order of presentation, each with its time in seconds.
fn order_and_times(
    folder: &Path,
    names: &[String],
    options: &ClipOptions,
) -> Result<Vec<(usize, f64)>, ClipError> {
    let times_path = folder.join(TIMES_FILE);
    let evenly = |interval_s: f64| {
        Ok((0..names.len())
            .map(|position| (position, position as f64 * interval_s))
            .collect())
    };
    match options.fps {
        Some(_) if times_path.exists() => Err(ClipError::TimesTwice {
            folder: folder.into(),
        }),
        Some(fps) => evenly(1.0 / fps),
        None if times_path.exists() => stills_times::read(&times_path, names),
        None if options.untimed => evenly(1.0),
        None => Err(ClipError::StillsWithoutTimes {
            folder: folder.into(),
            stills: names.len(),
        }),
    }
}

/// The upright size that all pictures share, and how the sensor's lines lie in the first one; only
/// headers are decoded.
fn common_shape(folder: &Path, names: &[String]) -> Result<((usize, usize), Lines), ClipError> {
    let mut first: Option<(PathBuf, (usize, usize), Lines)> = None;
    for name in names {
        let path = folder.join(name);
        let still = OpenStill::open(&path)?;
        let (size_px, lines) = (still.upright_size_px(), still.turn.lines());
        drop(still);
        match &first {
            None => first = Some((path, size_px, lines)),
            Some((_, first_px, _)) if *first_px == size_px => {}
            Some((first, first_px, _)) => {
                return Err(ClipError::SizesDiffer {
                    first: first.clone(),
                    first_px: *first_px,
                    other: path,
                    other_px: size_px,
                });
            }
        }
    }
    Ok(first.map_or(((0, 0), Lines::Rows), |(_, size_px, lines)| {
        (size_px, lines)
    }))
}

/// A picture whose header has been read and found acceptable.
struct OpenStill<Decoder> {
    decoder: Decoder,
    turn: Turn,
    width_px: u32,
    height_px: u32,
}

impl OpenStill<()> {
    fn open(path: &Path) -> Result<OpenStill<impl ImageDecoder>, ClipError> {
        let broken = |reason: String| ClipError::BrokenStill {
            path: path.into(),
            reason,
        };
        let mut reader = ImageReader::open(path)
            // The content decides: names are often wrong.
            .and_then(ImageReader::with_guessed_format)
            .map_err(|source| ClipError::opening(path, source))?;
        let mut limits = image::Limits::no_limits();
        limits.max_alloc = Some(MAX_PIXELS * MOST_BYTES_PER_PIXEL);
        reader.limits(limits);
        let mut decoder = reader
            .into_decoder()
            .map_err(|error| broken(error.to_string()))?;
        let (width_px, height_px) = decoder.dimensions();
        if u64::from(width_px) * u64::from(height_px) > MAX_PIXELS {
            return Err(ClipError::TooLarge {
                path: path.into(),
                width_px,
                height_px,
            });
        }
        // Unreadable EXIF data says nothing about the orientation.
        let orientation = decoder.orientation().unwrap_or(Orientation::NoTransforms);
        let turn = turn_of(orientation).ok_or_else(|| ClipError::Mirrored { path: path.into() })?;
        Ok(OpenStill {
            decoder,
            turn,
            width_px,
            height_px,
        })
    }
}

impl<Decoder: ImageDecoder> OpenStill<Decoder> {
    fn upright_size_px(&self) -> (usize, usize) {
        self.turn
            .upright_size_px(self.width_px as usize, self.height_px as usize)
    }
}

/// `None` for a mirrored picture.
fn turn_of(orientation: Orientation) -> Option<Turn> {
    match orientation {
        Orientation::NoTransforms => Some(Turn::None),
        Orientation::Rotate90 => Some(Turn::Quarter),
        Orientation::Rotate180 => Some(Turn::Half),
        Orientation::Rotate270 => Some(Turn::ThreeQuarters),
        Orientation::FlipHorizontal
        | Orientation::FlipVertical
        | Orientation::Rotate90FlipH
        | Orientation::Rotate270FlipH => None,
    }
}

/// Decodes a picture to upright grey, weighted after ITU-R BT.709 where it has colours.
fn decode(path: &Path) -> Result<GreyImage, ClipError> {
    let still = OpenStill::open(path)?;
    let turn = still.turn;
    let colours =
        DynamicImage::from_decoder(still.decoder).map_err(|error| ClipError::BrokenStill {
            path: path.into(),
            reason: error.to_string(),
        })?;
    let grey = colours.into_luma8();
    Ok(turn.turned(GreyImage {
        width_px: grey.width() as usize,
        height_px: grey.height() as usize,
        pixels: grey.into_raw().into(),
    }))
}
