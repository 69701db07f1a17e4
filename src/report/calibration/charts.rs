//! Drawings of a calibration: places of the board, errors, and distortion.

use nalgebra::{Point2, Point3};

use crate::camera::Camera;
use crate::camera::calibration::Calibration;
use crate::report::palette::{AFTER, BEFORE, GRID, INK, SOFT_INK};
use crate::report::svg::{Anchor, Fill, Place, Stroke, Svg, TextStyle};

/// Width of a drawing, in its own units.
const WIDTH: f64 = 720.0;
/// Side of a crossing's dot.
const DOT: f64 = 3.0;
/// Cells across the longer side of the picture in which crossings are counted.
const CELLS: usize = 12;
/// Length that the RMS residual is drawn with.
const RMS_LENGTH: f64 = 9.0;
/// Height that the words of the scale take; the page's style enlarges them on a phone.
const ROOM_FOR_LETTERS: f64 = 26.0;
/// Longest arrow, so that dropped crossings do not run across the drawing.
const LONGEST_ARROW: f64 = 60.0;
/// Meshes of the distortion grid across the longer side of the picture.
const MESHES: usize = 16;
/// Points on a line of the distortion grid between two meshes.
const POINTS_PER_MESH: usize = 4;

/// A picture drawn to scale.
struct Canvas {
    svg: Svg,
    scale: f64,
    size: [f64; 2],
}

impl Canvas {
    fn new(size_px: (usize, usize), title: &str) -> Self {
        let scale = WIDTH / size_px.0.max(1) as f64;
        let size = [WIDTH, size_px.1 as f64 * scale];
        let mut svg = Svg::new(size[0], size[1], title);
        let paper = Fill {
            colour: "#ffffff",
            opacity: 1.0,
        };
        svg.rectangle([0.0, 0.0], size, paper);
        Self { svg, scale, size }
    }

    /// Pixel centres are whole numbers, half a pixel inside the picture's edge.
    fn at(&self, in_image_px: Point2<f64>) -> Place {
        [
            (in_image_px.x + 0.5) * self.scale,
            (in_image_px.y + 0.5) * self.scale,
        ]
    }

    fn dot(&mut self, at: Place, colour: &'static str) {
        let fill = Fill {
            colour,
            opacity: 0.7,
        };
        let corner = at.map(|value| value - DOT / 2.0);
        self.svg.rectangle(corner, [DOT, DOT], fill);
    }

    fn cross(&mut self, at: Place, colour: &'static str) {
        let stroke = Stroke::solid(colour, 1.5);
        let [x, y] = at;
        self.svg
            .line([x - DOT, y - DOT], [x + DOT, y + DOT], stroke);
        self.svg
            .line([x - DOT, y + DOT], [x + DOT, y - DOT], stroke);
    }

    /// A line of a length, with its label, in the lower right corner.
    fn scale_bar(&mut self, length: f64, text: &str) {
        let style = TextStyle::new(13.0, SOFT_INK, Anchor::End).rimmed();
        let [right, base] = self.size.map(|side| side - 8.0);
        self.svg.text([right, base], text, style);
        let above = base - ROOM_FOR_LETTERS;
        let stroke = Stroke::solid(AFTER, 1.0);
        self.svg
            .line([right - length, above], [right, above], stroke);
        self.dot([right - length, above], AFTER);
    }

    fn finish(mut self) -> String {
        let [width, height] = self.size;
        let frame = [
            [0.5, 0.5],
            [width - 0.5, 0.5],
            [width - 0.5, height - 0.5],
            [0.5, height - 0.5],
        ];
        self.svg
            .polygon(&frame, None, Some(Stroke::solid(INK, 1.0)));
        self.svg.finish()
    }
}

/// Places of the corners of all views in the picture; cells without any are hatched.
pub(super) fn coverage(calibration: &Calibration) -> String {
    let mut canvas = Canvas::new(calibration.size_px, "places of the board in the picture");
    let longer = calibration.size_px.0.max(calibration.size_px.1);
    let cell_px = longer.max(1) as f64 / CELLS as f64;
    let cells = [
        (calibration.size_px.0 as f64 / cell_px).ceil() as usize,
        (calibration.size_px.1 as f64 / cell_px).ceil() as usize,
    ];
    let mut seen = vec![false; cells[0] * cells[1]];
    let points = calibration.views.iter().flat_map(|view| &view.points);
    for point in points.clone() {
        let at = point.point.in_image_px;
        let cell = [at.x, at.y].map(|value| ((value + 0.5) / cell_px).max(0.0) as usize);
        if let Some(cell) = seen.get_mut(cell[1] * cells[0] + cell[0]) {
            *cell = true;
        }
    }
    for (index, _) in seen.iter().enumerate().filter(|(_, seen)| !**seen) {
        let corner =
            [index % cells[0], index / cells[0]].map(|cell| cell as f64 * cell_px * canvas.scale);
        hatch(&mut canvas, corner, cell_px);
    }
    for point in points {
        let at = canvas.at(point.point.in_image_px);
        canvas.dot(at, AFTER);
    }
    for point in calibration.views.iter().flat_map(|view| &view.dropped) {
        let at = canvas.at(point.point.in_image_px);
        canvas.cross(at, BEFORE);
    }
    canvas.finish()
}

fn hatch(canvas: &mut Canvas, corner: Place, cell_px: f64) {
    let side = cell_px * canvas.scale;
    let stroke = Stroke::solid(GRID, 1.5);
    let [left, top] = corner;
    let right = (left + side).min(canvas.size[0]);
    let bottom = (top + side).min(canvas.size[1]);
    for share in [0.25, 0.5, 0.75] {
        let (x, y) = (right - left, bottom - top);
        canvas
            .svg
            .line([left, top + y * share], [left + x * share, top], stroke);
        canvas
            .svg
            .line([left + x * share, bottom], [right, top + y * share], stroke);
    }
}

/// How far every crossing was seen from where the camera projects it, enlarged.
pub(super) fn residuals(calibration: &Calibration) -> String {
    let mut canvas = Canvas::new(calibration.size_px, "error of every corner");
    let enlarged = RMS_LENGTH / calibration.rms_px.max(f64::EPSILON);
    let mut arrow = |residual: &crate::camera::calibration::PointResidual, colour| {
        let from = canvas.at(residual.point.in_image_px);
        let mut shift = residual.residual_px * enlarged;
        if shift.norm() > LONGEST_ARROW {
            shift *= LONGEST_ARROW / shift.norm();
        }
        let to = [from[0] + shift.x, from[1] + shift.y];
        canvas.svg.line(from, to, Stroke::solid(colour, 1.0));
        canvas.dot(from, colour);
    };
    for view in &calibration.views {
        view.points
            .iter()
            .for_each(|residual| arrow(residual, AFTER));
    }
    for view in &calibration.views {
        view.dropped
            .iter()
            .for_each(|residual| arrow(residual, BEFORE));
    }
    let text = format!("{:.3} px", calibration.rms_px);
    canvas.scale_bar(RMS_LENGTH, &text);
    canvas.finish()
}

/// A square grid through the lens; the light grid is the same camera without distortion.
pub(super) fn distortion(calibration: &Calibration) -> String {
    let mut canvas = Canvas::new(calibration.size_px, "a square grid through the lens");
    let pinhole = Camera {
        distortion: [0.0; 5],
        ..calibration.camera
    };
    let looks = [
        (&pinhole, Stroke::solid(GRID, 1.5)),
        (&calibration.camera, Stroke::solid(INK, 1.0)),
    ];
    for (camera, stroke) in looks {
        for line in grid(&pinhole, calibration.size_px) {
            let seen: Vec<Place> = line
                .iter()
                .filter_map(|point| camera.project(point))
                .map(|point| canvas.at(point))
                .collect();
            canvas.svg.polyline(&seen, stroke);
        }
    }
    let axis = canvas.at(Point2::new(calibration.camera.cx, calibration.camera.cy));
    canvas.cross(axis, BEFORE);
    canvas.finish()
}

/// Lines of sight along a grid that is square in an undistorted picture.
fn grid(pinhole: &Camera, size_px: (usize, usize)) -> Vec<Vec<Point3<f64>>> {
    let (width, height) = (size_px.0 as f64, size_px.1 as f64);
    let mesh_px = width.max(height) / MESHES as f64;
    let sight = |x: f64, y: f64| {
        Point3::new(
            (x - pinhole.cx) / pinhole.fx,
            (y - pinhole.cy) / pinhole.fy,
            1.0,
        )
    };
    let places = |length: f64, step: f64| {
        let count = (length / step).round() as usize;
        (0..=count).map(move |index| index as f64 * step)
    };
    let fine_px = mesh_px / POINTS_PER_MESH as f64;
    let rows =
        places(height, mesh_px).map(|y| places(width, fine_px).map(|x| sight(x, y)).collect());
    let columns =
        places(width, mesh_px).map(|x| places(height, fine_px).map(|y| sight(x, y)).collect());
    rows.chain(columns).collect()
}
