//! The marked-up still: a frame of the clip with tags, hinge lines and deflections drawn on it.

use nalgebra::{Point2, Point3, Rotation3, Unit, Vector3};

use crate::camera::Camera;
use crate::clip::{GreyImage, Levels};
use crate::conventions::rad_from_deg;
use crate::measured::Measured;
use crate::measurement::{Measurement, SurfaceRecord};
use crate::model_file::ModelFile;
use crate::motion::Motion;
use crate::tags::{SightedFrame, Sighting};

use super::ReportError;
use super::figures;
use super::format::Format;
use super::palette::{INK, SurfaceLook};
use super::photograph::{Window, jpeg};
use super::svg::{Anchor, Place, Stroke, Svg, TextStyle};

/// Height of letters.
const LETTERS: f64 = 12.0;

/// The hinge line is drawn this many radii to either side of the tag.
const HINGE_REACH: f64 = 1.2;

/// Pieces in which lines are drawn, since lenses bend them.
const PIECES: usize = 24;

/// A frame with its sightings.
#[derive(Debug, Clone, Copy)]
pub struct Picture<'a> {
    /// The frame's picture.
    pub image: &'a GreyImage,
    /// Its code values of black and white.
    pub levels: Levels,
    /// The tags seen in it.
    pub sighted: &'a SightedFrame,
    /// The camera that took it.
    pub camera: &'a Camera,
}

/// Position in the clip of the frame to draw on: the first in which a surface was measured, whose
/// camera frame is the one of all hinges.
pub fn frame_to_mark(motion: &Motion) -> Option<usize> {
    motion
        .frames
        .iter()
        .find(|frame| frame.deflections.iter().any(Option::is_some))
        .map(|frame| frame.index)
}

/// The still as SVG, with the photograph inside.
pub fn marked_still(
    measurement: &Measurement,
    picture: &Picture<'_>,
    format: Format,
) -> Result<String, ReportError> {
    let title = "tags, hinge lines and deflections on the picture";
    let mut drawing = Drawing::on(picture, title, window(measurement, picture), format)?;
    for tag in &measurement.airframe_tags {
        if let Some(sighting) = picture.sighted.sighting(tag.id) {
            let id = tag.id;
            let word = drawing.brief(format!("airframe {id}"), || id.to_string());
            drawing.tag(sighting, INK, &word);
        }
    }
    for (position, surface) in measurement.surfaces.iter().enumerate() {
        let look = SurfaceLook::of(position);
        drawing.hinge(surface, look, picture.camera);
        if let Some(sighting) = picture.sighted.sighting(surface.tag) {
            drawing.tag(sighting, look.colour, &surface.tag.to_string());
        }
    }
    Ok(drawing.svg.finish())
}

/// The still of a clip that could not be measured, with everything that was found and its names.
pub fn seen_still(
    model: &ModelFile,
    picture: &Picture<'_>,
    format: Format,
) -> Result<String, ReportError> {
    let sightings = &picture.sighted.sightings;
    let corners = sightings.iter().flat_map(|sighting| sighting.corners_px);
    let is_seen = |id: u32| picture.sighted.sighting(id).is_some();
    let all_seen = model.surfaces.iter().all(|surface| is_seen(surface.tag_id))
        && model.airframe_tags.iter().all(|tag| is_seen(tag.id));
    // A tag that was not found may be anywhere in the picture.
    let window = match all_seen {
        true => Window::around(corners, picture.image),
        false => Window::whole(picture.image),
    };
    let title = "the tags that were found in the picture";
    let mut drawing = Drawing::on(picture, title, window, format)?;
    for sighting in sightings {
        let id = sighting.tag_id;
        let mut surfaces = model.surfaces.iter().enumerate();
        let (word, colour) = match surfaces.find(|(_, surface)| surface.tag_id == id) {
            Some((position, surface)) => (
                format!("{}, {id}", surface.name),
                SurfaceLook::of(position).colour,
            ),
            None if model.airframe_tags.iter().any(|tag| tag.id == id) => {
                (format!("airframe, {id}"), INK)
            }
            None => (card_word(model, id), INK),
        };
        let word = drawing.brief(word, || id.to_string());
        drawing.tag(sighting, colour, &word);
    }
    Ok(drawing.svg.finish())
}

/// Label of a station card, or of a tag that the model file does not declare.
fn card_word(model: &ModelFile, id: u32) -> String {
    model.cards().get(&id).map_or_else(
        || format!("{id}, not declared"),
        |&stick_pct| format!("card {} %", figures::percent(stick_pct)),
    )
}

/// The part of the picture that holds all tags and hinge lines.
fn window(measurement: &Measurement, picture: &Picture<'_>) -> Window {
    let tags = picture
        .sighted
        .sightings
        .iter()
        .flat_map(|sighting| sighting.corners_px);
    let hinges = measurement.surfaces.iter().flat_map(|surface| {
        let hinge = Hinge::of(surface);
        [0.0, 1.0].map(|share| picture.camera.project(&hinge.along(share)))
    });
    Window::around(tags.chain(hinges.flatten()), picture.image)
}

/// The bare frame as SVG, as the clip stage read it.
pub fn bare_still(picture: &Picture<'_>) -> Result<String, ReportError> {
    let window = Window::whole(picture.image);
    let title = "the frame as it was read";
    let drawing = Drawing::on(picture, title, window, Format::Wide)?;
    Ok(drawing.svg.finish())
}

/// The frame with every tag that was seen, and how well its corners are known.
pub fn sighted_still(picture: &Picture<'_>) -> Result<String, ReportError> {
    let title = "the tags that were seen, with the uncertainty of a corner";
    let window = Window::whole(picture.image);
    let mut drawing = Drawing::on(picture, title, window, Format::Wide)?;
    for sighting in &picture.sighted.sightings {
        let label = format!("{}: ±{:.3} px", sighting.tag_id, corner_u_px(sighting));
        drawing.tag(sighting, SurfaceLook::of(0).colour, &label);
    }
    Ok(drawing.svg.finish())
}

/// Expanded uncertainty of a corner's coordinate, root mean square over the eight.
fn corner_u_px(sighting: &Sighting) -> f64 {
    let variance_px2 = f64::from(sighting.covariance_px2.trace()) / 8.0;
    Measured::new(0.0, variance_px2.max(0.0).sqrt()).u()
}

/// A drawing over a photograph.
struct Drawing {
    svg: Svg,
    format: Format,
    /// In the drawing's units.
    width: f64,
    window: Window,
    /// Drawing units per pixel of the frame.
    scale: f64,
    /// Left and right end and foot of the labels of tags so far.
    labels: Vec<([f64; 2], f64)>,
}

impl Drawing {
    fn on(
        picture: &Picture<'_>,
        title: &str,
        window: Window,
        format: Format,
    ) -> Result<Self, ReportError> {
        let photograph = jpeg(picture.image, picture.levels, window, format)?;
        let width = format.width();
        let scale = width / f64::from(window.width_px);
        let height = f64::from(window.height_px) * scale;
        let mut svg = Svg::new(width, height, title);
        svg.photograph(&photograph);
        Ok(Self {
            svg,
            format,
            width,
            window,
            scale,
            labels: Vec::new(),
        })
    }

    /// From the image's pixels, whose centres are at integers, to the drawing's, whose corners are.
    fn at(&self, in_image: &Point2<f64>) -> Place {
        let [left, top] = [self.window.left_px, self.window.top_px].map(f64::from);
        [in_image.x - left, in_image.y - top].map(|pixel| (pixel + 0.5) * self.scale)
    }

    /// A word, or a shorter one where the drawing has no room for more.
    fn brief(&self, word: String, shorter: impl Fn() -> String) -> String {
        match self.format {
            Format::Wide => word,
            Format::Narrow => shorter(),
        }
    }

    /// A line with a light rim, visible on any background.
    fn line(&mut self, places: &[Place], stroke: Stroke) {
        const RIM: f64 = 2.0;
        let rim = Stroke::solid("#ffffff", stroke.width + RIM);
        self.svg.polyline(places, rim);
        self.svg.polyline(places, stroke);
    }

    /// A word beside the end of an arc, on the side that looks away from the middle where there is
    /// room.
    fn word(&mut self, beside: Place, text: &str, colour: &'static str) {
        let gap = 6.0;
        let [x, y] = beside;
        let length = word_style(colour, Anchor::Start).width(text) + gap;
        let to_left = x < self.width / 2.0 && x > length || x + length > self.width;
        let (x, anchor) = if to_left {
            (x - gap, Anchor::End)
        } else {
            (x + gap, Anchor::Start)
        };
        self.svg.text([x, y], text, word_style(colour, anchor));
    }

    /// The outline of a tag; its label is below, towards the middle of the drawing, clear of the
    /// arc's ends.
    fn tag(&mut self, sighting: &Sighting, colour: &'static str, label: &str) {
        const GAP: f64 = 4.0;
        let mut outline: Vec<Place> = sighting.corners_px.iter().map(|at| self.at(at)).collect();
        outline.extend_from_within(..2);
        self.line(&outline, Stroke::solid(colour, 2.0));
        let [x, _] = outline[0];
        let lowest = outline.iter().map(|at| at[1]).fold(0.0, f64::max);
        let [from, to] =
            [f64::min, f64::max].map(|outer| outline.iter().map(|at| at[0]).fold(x, outer));
        let (x, anchor) = if (from + to) / 2.0 < self.width * 0.4 {
            (to + GAP, Anchor::Start)
        } else if (from + to) / 2.0 > self.width * 0.6 {
            (from - GAP, Anchor::End)
        } else {
            ((from + to) / 2.0, Anchor::Middle)
        };
        let style = word_style(colour, anchor);
        let length = style.width(label);
        let left = match anchor {
            Anchor::Start => x,
            Anchor::Middle => x - length / 2.0,
            Anchor::End => x - length,
        };
        let below = self.free_line([left, left + length], lowest + LETTERS);
        self.svg.text([x, below], label, style);
    }

    /// The first line from a height down on which a label meets no earlier one.
    fn free_line(&mut self, [left, right]: [f64; 2], mut below: f64) -> f64 {
        let meets = |below: f64| {
            self.labels
                .iter()
                .any(|&([other_left, other_right], other)| {
                    left < other_right && other_left < right && (other - below).abs() < LETTERS
                })
        };
        while meets(below) {
            below += LETTERS;
        }
        self.labels.push(([left, right], below));
        below
    }

    fn hinge(&mut self, surface: &SurfaceRecord, look: SurfaceLook, camera: &Camera) {
        let hinge = Hinge::of(surface);
        let line = self.projected(camera, |share| hinge.along(share));
        self.line(&line, look.stroke(2.2));
        let Some(arm) = hinge.arm else {
            return;
        };
        let ends = travel(surface);
        let [low_deg, high_deg] = ends.map(|end| end.value);
        let arc = self.projected(camera, |share| {
            hinge.tag_at(&arm, low_deg + (high_deg - low_deg) * share)
        });
        self.line(&arc, Stroke::solid(look.colour, 1.6));
        let neutral = self.projected(camera, |share| {
            hinge.point + (hinge.tag_at(&arm, 0.0) - hinge.point) * share
        });
        self.line(&neutral, Stroke::solid(look.colour, 1.2));
        let [Some(&low), Some(&high)] = [arc.first(), arc.last()] else {
            return;
        };
        // Each label is beyond its end, clear of the hinge line between them.
        let beyond = if low[1] > high[1] { LETTERS } else { -LETTERS };
        let low = [low[0], low[1] + LETTERS / 3.0 + beyond / 2.0];
        let high = [high[0], high[1] + LETTERS / 3.0 - beyond / 2.0];
        for (end, place) in ends.into_iter().zip([low, high]) {
            let word = self.brief(figures::signed_deg(end), || {
                format!("{}°", figures::signed(end.value, 1))
            });
            self.word(place, &word, look.colour);
        }
    }

    /// The picture of a line in space, by the share from start to end.
    fn projected(&self, camera: &Camera, in_camera: impl Fn(f64) -> Point3<f64>) -> Vec<Place> {
        (0..=PIECES)
            .map(|piece| piece as f64 / PIECES as f64)
            .filter_map(|share| camera.project(&in_camera(share)))
            .map(|in_image| self.at(&in_image))
            .collect()
    }
}

fn word_style(colour: &'static str, anchor: Anchor) -> TextStyle {
    TextStyle::new(LETTERS, colour, anchor).bold().rimmed()
}

/// A surface's hinge and arm in the camera frame.
struct Hinge {
    axis: Unit<Vector3<f64>>,
    point: Point3<f64>,
    radius_mm: f64,
    arm: Option<Vector3<f64>>,
}

impl Hinge {
    fn of(surface: &SurfaceRecord) -> Self {
        let hinge = &surface.hinge;
        Self {
            axis: Unit::new_normalize(hinge.axis.into()),
            point: hinge.point_mm.into(),
            radius_mm: hinge.radius_mm.value,
            arm: hinge.arm.map(Into::into),
        }
    }

    /// The hinge line as drawn, by the share from its start to its end.
    fn along(&self, share: f64) -> Point3<f64> {
        let reach_mm = self.radius_mm * HINGE_REACH;
        self.point + self.axis.into_inner() * reach_mm * (2.0 * share - 1.0)
    }

    fn tag_at(&self, arm: &Vector3<f64>, deflection_deg: f64) -> Point3<f64> {
        let turn = Rotation3::from_axis_angle(&self.axis, rad_from_deg(deflection_deg));
        self.point + turn * arm * self.radius_mm
    }
}

/// The smallest and the largest deflection of all stations.
fn travel(surface: &SurfaceRecord) -> [Measured; 2] {
    surface
        .stations
        .iter()
        .map(|station| station.deflection_deg)
        .fold([Measured::new(0.0, 0.0); 2], |[low, high], at| {
            [
                if at.value < low.value { at } else { low },
                if at.value > high.value { at } else { high },
            ]
        })
}
