//! The pixels of one tag, in coordinates that suit the fit.

use nalgebra::{Matrix3, Point2};

use super::clipping::Codes;
use super::lanes::{LANES, Numbers};
use super::mosaic::{self, PARITIES};
use super::pattern::{CELLS, HALF};
use super::tone::{Tone, ToneCurve};
use crate::clip::GreyImage;
use crate::geometry::{homography, quadrilateral};
use crate::tags::sighting::DropReason;

/// Most paper around the black border that is used, in cells; sheets leave one cell white.
const MOST_MARGIN_CELLS: f64 = 0.6;

/// The background beyond the paper's edge spreads this far into it through the lens, px.
const REACH_OF_BLUR_PX: f64 = 1.7;

/// Least paper that is used, in cells: the edge of the border itself must be visible.
const LEAST_MARGIN_CELLS: f64 = 0.1;

/// Blocks along one side in which residuals are judged: the cells, and the margin on both sides.
pub(in crate::tags) const BLOCK_SIDE: usize = CELLS + 2;

/// Blocks of a patch.
pub(in crate::tags) const BLOCKS: usize = BLOCK_SIDE * BLOCK_SIDE;

/// Pixels of one kind, close together.
#[derive(Debug, Clone)]
pub(in crate::tags) struct PixelGroup {
    /// Places in the picture, in the patch's coordinates.
    pub p: Numbers,
    pub q: Numbers,
    /// Light.
    pub light: Numbers,
    /// Share of the range per unit of light.
    pub slope: Numbers,
    /// Kind in the sensor's mosaic, see [`PARITIES`](super::mosaic::PARITIES).
    pub parity: usize,
    /// How many there are: later lanes repeat the last one.
    pub count: usize,
    /// Which block of the tag each is in.
    pub blocks: [u8; LANES],
    /// Position of each in the patch's box, row by row.
    pub positions: [u32; LANES],
}

/// The pixels of a tag and a little paper around it.
///
/// Patch coordinates (p, q) are pixels from `centre_px`, divided by `scale_px`, so that all
/// unknowns of the fit are of order one.
#[derive(Debug, Clone)]
pub(in crate::tags) struct Patch {
    pub centre_px: Point2<f64>,
    pub scale_px: f64,
    /// Conversion between light and shares of the range of code values.
    pub tone: ToneCurve,
    /// Width and height of the box that holds the pixels.
    pub size_px: [usize; 2],
    pub groups: Vec<PixelGroup>,
    /// Share of the bright pixels at the upper end of the camera's range.
    pub clipped_share: f64,
}

impl Patch {
    /// Cuts out the pixels of the tag whose corners are near `corners_px`, and returns the
    /// homography from the tag's square to the patch as well.
    pub fn cut(
        image: &GreyImage,
        tone: &Tone,
        corners_px: &[Point2<f64>; 4],
    ) -> Result<(Self, Matrix3<f64>), DropReason> {
        let centre_px = quadrilateral::centre(corners_px);
        let diagonal: f64 = corners_px
            .iter()
            .map(|corner| (corner - centre_px).norm())
            .sum();
        let mut patch = Self {
            centre_px,
            scale_px: diagonal / 4.0 / 2f64.sqrt(),
            tone: tone.curve(),
            size_px: [0, 0],
            groups: Vec::new(),
            clipped_share: 0.0,
        };
        let on_patch = corners_px.map(|corner| patch.normalised(corner));
        let patch_from_tag = homography::from_square(&on_patch).ok_or(DropReason::NotFound)?;
        patch.read(image, tone, &patch_from_tag)?;
        Ok((patch, patch_from_tag))
    }

    /// A place in the picture from patch coordinates.
    pub fn to_px(&self, place: Point2<f64>) -> Point2<f64> {
        self.centre_px + place.coords * self.scale_px
    }

    fn normalised(&self, place: Point2<f64>) -> Point2<f64> {
        Point2::from((place - self.centre_px) / self.scale_px)
    }

    /// How far from the centre pixels are used along the tag's two axes, in half edges.
    fn reach(&self, patch_from_tag: &Matrix3<f64>) -> [f64; 2] {
        let at = |a, b| homography::map(patch_from_tag, a, b);
        let edges = [at(1.0, 0.0) - at(-1.0, 0.0), at(0.0, 1.0) - at(0.0, -1.0)];
        edges.map(|edge| {
            let cell_px = edge.norm() * self.scale_px / CELLS as f64;
            let margin_cells =
                (1.0 - REACH_OF_BLUR_PX / cell_px).clamp(LEAST_MARGIN_CELLS, MOST_MARGIN_CELLS);
            1.0 + margin_cells / HALF
        })
    }

    fn read(
        &mut self,
        image: &GreyImage,
        tone: &Tone,
        patch_from_tag: &Matrix3<f64>,
    ) -> Result<(), DropReason> {
        let tag_from_patch = patch_from_tag.try_inverse().ok_or(DropReason::NotFound)?;
        let [reach_a, reach_b] = self.reach(patch_from_tag);
        let outline = homography::SQUARE
            .map(|(a, b)| self.to_px(homography::map(patch_from_tag, a * reach_a, b * reach_b)));
        let [[left, right], [top, bottom]] = pixels_within(&outline, image)?;
        let width_px = right + 1 - left;
        self.size_px = [width_px, bottom + 1 - top];
        let pixels: &[u8] = &image.pixels;
        let mut codes = Codes::new();
        let mut grouping = Grouping::new();
        for (x, y) in there_and_back([left, right], [top, bottom]) {
            let place = self.normalised(Point2::new(x as f64, y as f64));
            let on_tag = homography::map(&tag_from_patch, place.x, place.y);
            if on_tag.x.abs() > reach_a || on_tag.y.abs() > reach_b {
                continue;
            }
            let code = pixels[y * image.width_px + x];
            codes.count(code);
            let light = (tone.light(code), tone.slope(code));
            let parity = mosaic::parity(x, y);
            let position = (y - top) * width_px + x - left;
            grouping.add(parity, |group| {
                group.add(place, light, block_of(on_tag), position as u32);
            });
        }
        self.groups = grouping.finished();
        if let Some(clipped) = codes.clipped(tone.levels()) {
            self.clipped_share = clipped.share;
            if clipped.is_overexposed() {
                self.leave_out_from(tone.light(clipped.from_code) as f32);
            }
        }
        Ok(())
    }

    /// Leaves out pixels from this light on: clipped white would move all edges outwards.
    fn leave_out_from(&mut self, light: f32) {
        let mut grouping = Grouping::new();
        for pixels in &self.groups {
            for lane in (0..pixels.count).filter(|&lane| pixels.light[lane] < light) {
                grouping.add(pixels.parity, |group| group.add_of(pixels, lane));
            }
        }
        self.groups = grouping.finished();
    }

    /// Number of pixels.
    pub fn len(&self) -> usize {
        self.groups.iter().map(|group| group.count).sum()
    }
}

/// First and last column, and first and last row, of the pixels within an outline.
fn pixels_within(
    outline: &[Point2<f64>; 4],
    image: &GreyImage,
) -> Result<[[usize; 2]; 2], DropReason> {
    let others = || outline.iter().skip(1);
    let low = others().fold(outline[0], |low, corner| low.inf(corner));
    let high = others().fold(outline[0], |high, corner| high.sup(corner));
    let last = [image.width_px as f64 - 1.0, image.height_px as f64 - 1.0];
    if !(low.x >= 0.0 && low.y >= 0.0 && high.x <= last[0] && high.y <= last[1]) {
        return Err(DropReason::CutOff);
    }
    Ok([
        [low.x.ceil() as usize, high.x.floor() as usize],
        [low.y.ceil() as usize, high.y.floor() as usize],
    ])
}

/// Puts pixels into groups, one for each kind.
struct Grouping {
    /// The unfinished group of each kind.
    open: [PixelGroup; PARITIES],
    full: Vec<PixelGroup>,
}

impl Grouping {
    fn new() -> Self {
        Self {
            open: std::array::from_fn(PixelGroup::empty),
            full: Vec::new(),
        }
    }

    /// Adds one pixel of a kind by `add`.
    fn add(&mut self, parity: usize, add: impl FnOnce(&mut PixelGroup)) {
        let group = &mut self.open[parity];
        add(group);
        if group.count == LANES {
            let full = std::mem::replace(group, PixelGroup::empty(parity));
            self.full.push(full);
        }
    }

    /// The full groups, and those with a rest.
    fn finished(self) -> Vec<PixelGroup> {
        let mut groups = self.full;
        let rest = self.open.into_iter().filter(|group| group.count > 0);
        groups.extend(rest.map(PixelGroup::filled_up));
        groups
    }
}

/// Rows that are processed together: two of each kind.
const BAND: usize = 4;

/// All pixels of a box, both ends included, band by band, back and forth: the next eight of one
/// kind are close together, and a group of them contains few edges between cells.
fn there_and_back(
    [left, right]: [usize; 2],
    [top, bottom]: [usize; 2],
) -> impl Iterator<Item = (usize, usize)> {
    let bands = (top..=bottom).step_by(BAND).enumerate();
    bands.flat_map(move |(band, first)| {
        let rows = first..=bottom.min(first + BAND - 1);
        (left..=right).flat_map(move |column| {
            let x = match band % 2 {
                0 => column,
                _ => left + right - column,
            };
            rows.clone().map(move |y| (x, y))
        })
    })
}

impl PixelGroup {
    fn empty(parity: usize) -> Self {
        Self {
            p: [0.0; LANES],
            q: [0.0; LANES],
            light: [0.0; LANES],
            slope: [0.0; LANES],
            parity,
            count: 0,
            blocks: [0; LANES],
            positions: [0; LANES],
        }
    }

    /// Adds a pixel while there is room: its place, its light with the share of the range per unit
    /// of it, its block, and its position.
    fn add(&mut self, place: Point2<f64>, (light, slope): (f64, f64), block: u8, position: u32) {
        let lane = self.count;
        self.p[lane] = place.x as f32;
        self.q[lane] = place.y as f32;
        self.light[lane] = light as f32;
        self.slope[lane] = slope as f32;
        self.blocks[lane] = block;
        self.positions[lane] = position;
        self.count += 1;
    }

    /// Adds a pixel of another group while there is room.
    fn add_of(&mut self, other: &Self, at: usize) {
        let lane = self.count;
        self.p[lane] = other.p[at];
        self.q[lane] = other.q[at];
        self.light[lane] = other.light[at];
        self.slope[lane] = other.slope[at];
        self.blocks[lane] = other.blocks[at];
        self.positions[lane] = other.positions[at];
        self.count += 1;
    }

    /// Repeats the last pixel in all lanes after it.
    fn filled_up(mut self) -> Self {
        if let Some(last) = self.count.checked_sub(1) {
            for numbers in [&mut self.p, &mut self.q, &mut self.light, &mut self.slope] {
                let repeated = numbers[last];
                numbers[self.count..].fill(repeated);
            }
        }
        self
    }

    /// One where there is a pixel, zero where it is only repeated.
    pub fn present(&self) -> Numbers {
        std::array::from_fn(|lane| if lane < self.count { 1.0 } else { 0.0 })
    }
}

/// The block of a place in the tag's square.
fn block_of(on_tag: Point2<f64>) -> u8 {
    let along = |place: f64| (((place + 1.0) * HALF + 1.0).max(0.0) as usize).min(BLOCK_SIDE - 1);
    (along(on_tag.y) * BLOCK_SIDE + along(on_tag.x)) as u8
}
