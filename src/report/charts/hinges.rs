//! Hinge lines from behind, as the camera sees them, and from above.

use nalgebra::{Rotation3, Unit, Vector3};

use crate::measurement::{HingeRecord, SurfaceRecord};
use crate::report::figures;
use crate::report::format::Format;
use crate::report::palette::{GRID, INK, SOFT_INK, SurfaceLook};
use crate::report::svg::{Anchor, Fill, Place, Stroke, Svg, TextStyle};

/// Most height that one view may take.
const VIEW_HEIGHT: f64 = 190.0;
const MARGIN: f64 = 16.0;
const HEAD: f64 = 24.0;
const LEGEND_ROW: f64 = 20.0;
const LEGEND_LEFT: f64 = 40.0;
const TEXT: TextStyle = TextStyle::new(12.0, INK, Anchor::Start);

/// The hinge line is drawn this many radii long to either side of the tag.
const HINGE_REACH: f64 = 1.0;

/// Steps of the arc that a tag runs through.
const ARC_STEPS: usize = 24;

/// The directions of the picture in the camera frame: to the right, and down.
struct View {
    word: &'static str,
    right: Vector3<f64>,
    down: Vector3<f64>,
}

/// A surface's lines in the camera frame, mm.
struct Sketch {
    look: SurfaceLook,
    hinge: [Vector3<f64>; 2],
    arm: Option<[Vector3<f64>; 2]>,
    arc: Vec<Vector3<f64>>,
}

/// Both views, one below the other, in one scale.
pub fn hinges(surfaces: &[SurfaceRecord], format: Format) -> String {
    let sketches: Vec<Sketch> = surfaces
        .iter()
        .enumerate()
        .map(|(position, surface)| sketch(surface, SurfaceLook::of(position)))
        .collect();
    let views = [
        View {
            word: "from behind, as the camera sees it",
            right: Vector3::x(),
            down: Vector3::y(),
        },
        View {
            word: "from above, the camera below the picture",
            right: Vector3::x(),
            down: -Vector3::z(),
        },
    ];
    let legends: Vec<Vec<String>> = surfaces
        .iter()
        .map(|surface| TEXT.wrapped(&legend(surface), format.width() - LEGEND_LEFT))
        .collect();
    let legend_height = LEGEND_ROW * legends.iter().flatten().count() as f64 + 8.0;
    let scale = scale(&sketches, &views, format);
    let heights = views
        .each_ref()
        .map(|view| 2.0 * (extent(&sketches, view)[1][1] * scale + MARGIN));
    let height = legend_height + heights.iter().map(|height| HEAD + height).sum::<f64>();
    let mut svg = Svg::new(format.width(), height, "hinge lines and tags");
    let mut row = 0;
    for (lines, sketch) in legends.iter().zip(&sketches) {
        draw_legend(&mut svg, lines, sketch.look, row);
        row += lines.len();
    }
    let mut top = legend_height;
    for (view, height) in views.iter().zip(heights) {
        draw_view(
            &mut svg,
            &sketches,
            view,
            [format.width(), top, height, scale],
        );
        top += HEAD + height;
    }
    svg.finish()
}

fn vector(components: [f64; 3]) -> Vector3<f64> {
    Vector3::from(components)
}

fn sketch(surface: &SurfaceRecord, look: SurfaceLook) -> Sketch {
    let HingeRecord {
        axis,
        point_mm,
        radius_mm,
        arm,
    } = &surface.hinge;
    let (point, radius) = (vector(*point_mm), radius_mm.value);
    let axis = Unit::new_normalize(vector(*axis));
    let reach = axis.into_inner() * radius * HINGE_REACH;
    let tag_at = |arm: [f64; 3], deflection_deg: f64| {
        let turn = Rotation3::from_axis_angle(&axis, deflection_deg.to_radians());
        point + turn * vector(arm) * radius
    };
    Sketch {
        look,
        hinge: [point - reach, point + reach],
        arm: arm.map(|arm| [point, tag_at(arm, 0.0)]),
        arc: arm.map_or_else(Vec::new, |arm| {
            let [low, high] = travel_deg(surface);
            (0..=ARC_STEPS)
                .map(|step| low + (high - low) * step as f64 / ARC_STEPS as f64)
                .map(|deflection_deg| tag_at(arm, deflection_deg))
                .collect()
        }),
    }
}

/// The smallest and the largest measured deflection, neutral included.
fn travel_deg(surface: &SurfaceRecord) -> [f64; 2] {
    surface
        .stations
        .iter()
        .map(|station| station.deflection_deg.value)
        .fold([0.0, 0.0], |[low, high], deflection_deg| {
            [low.min(deflection_deg), high.max(deflection_deg)]
        })
}

fn points(sketch: &Sketch) -> impl Iterator<Item = &Vector3<f64>> {
    sketch
        .hinge
        .iter()
        .chain(sketch.arm.iter().flatten())
        .chain(&sketch.arc)
}

/// Centre of the points in a view, and half of their extent, mm.
fn extent(sketches: &[Sketch], view: &View) -> [[f64; 2]; 2] {
    let along = |direction: &Vector3<f64>| {
        let (low, high) = sketches
            .iter()
            .flat_map(points)
            .map(|point| point.dot(direction))
            .fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), at| {
                (low.min(at), high.max(at))
            });
        [(low + high) / 2.0, (high - low) / 2.0]
    };
    let ([middle_x, half_x], [middle_y, half_y]) = (along(&view.right), along(&view.down));
    [[middle_x, middle_y], [half_x, half_y]]
}

/// Units of the drawing per mm, so that every view fits.
fn scale(sketches: &[Sketch], views: &[View], format: Format) -> f64 {
    views
        .iter()
        .map(|view| {
            let [_, [half_x, half_y]] = extent(sketches, view);
            let by_width = (format.width() / 2.0 - MARGIN) / half_x.max(1.0);
            let by_height = (VIEW_HEIGHT / 2.0 - MARGIN) / half_y.max(1.0);
            by_width.min(by_height)
        })
        .fold(f64::INFINITY, f64::min)
}

fn legend(surface: &SurfaceRecord) -> String {
    format!(
        "{}: tag {}, {} mm from its hinge line",
        surface.name,
        surface.tag,
        figures::plain_with_u(surface.hinge.radius_mm)
    )
}

/// The lines of one surface's legend, from a row on.
fn draw_legend(svg: &mut Svg, lines: &[String], look: SurfaceLook, row: usize) {
    let baseline = |line: usize| LEGEND_ROW * (row + line) as f64 + 16.0;
    let middle = baseline(0) - 4.0;
    svg.line([2.0, middle], [30.0, middle], look.stroke(2.4));
    for (line, text) in lines.iter().enumerate() {
        svg.text([LEGEND_LEFT, baseline(line)], text, TEXT);
    }
}

fn draw_view(svg: &mut Svg, sketches: &[Sketch], view: &View, frame: [f64; 4]) {
    let [width, top, height, scale] = frame;
    let heading = TextStyle::new(12.0, SOFT_INK, Anchor::Start);
    svg.line([0.0, top], [width, top], Stroke::solid(GRID, 1.0));
    svg.text([2.0, top + 16.0], view.word, heading);
    let [[middle_x, middle_y], _] = extent(sketches, view);
    let centre = [width / 2.0, top + HEAD + height / 2.0];
    let at = |point: &Vector3<f64>| -> Place {
        [
            centre[0] + (point.dot(&view.right) - middle_x) * scale,
            centre[1] + (point.dot(&view.down) - middle_y) * scale,
        ]
    };
    for sketch in sketches {
        let look = sketch.look;
        svg.line(at(&sketch.hinge[0]), at(&sketch.hinge[1]), look.stroke(2.4));
        let arc: Vec<Place> = sketch.arc.iter().map(&at).collect();
        svg.polyline(&arc, Stroke::solid(look.colour, 1.0));
        if let Some([hinge, tag]) = &sketch.arm {
            let [hinge, tag] = [at(hinge), at(tag)];
            svg.line(hinge, tag, Stroke::solid(look.colour, 1.4));
            let corner = [tag[0] - 5.0, tag[1] - 5.0];
            let fill = Fill {
                colour: look.colour,
                opacity: 1.0,
            };
            svg.rectangle(corner, [10.0, 10.0], fill);
        }
    }
}
