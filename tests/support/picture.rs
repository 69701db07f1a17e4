//! Pictures of tags with known corners, rendered by supersampling: shares no code with the crate.

use super::random::Random;

/// A grey drawing of a printed tag, one value a cell, the white margin included.
pub struct Drawing {
    pub side_cells: usize,
    pub white: Vec<bool>,
}

impl Drawing {
    /// Reads one of the official drawings (10 × 10 px with the white margin).
    pub fn official(id: u32) -> Self {
        let path = format!(
            "{}/tests/data/tags/tag36_11_{id:05}.png",
            env!("CARGO_MANIFEST_DIR")
        );
        let picture = image::open(&path)
            .unwrap_or_else(|error| panic!("{path}: {error}"))
            .to_luma8();
        Self {
            side_cells: picture.width() as usize,
            white: picture.pixels().map(|pixel| pixel.0[0] > 127).collect(),
        }
    }
}

/// How light becomes code values.
#[derive(Clone, Copy, Debug)]
pub enum Encoding {
    /// Code values proportional to light.
    Linear,
    /// The encoding of IEC 61966-2-1 (sRGB), its published formula.
    Srgb,
}

/// What the pixels see.
#[derive(Clone, Copy, Debug)]
pub enum Sensor {
    /// Every pixel sees brightness.
    Grey,
    /// Every pixel sees one colour (Bayer, US patent 3 971 065), the others are the mean of the
    /// nearest that do; brightness is the sum with the weights of ITU-R BT.709. All that is seen
    /// is grey.
    Coloured,
}

/// How the picture is taken.
#[derive(Clone, Copy)]
pub struct Lens {
    /// Standard deviation of the blur, px; the pixel's own square comes on top.
    pub blur_px: f64,
    /// Light of black ink and of white paper.
    pub black_light: f64,
    pub white_light: f64,
    /// Standard deviation of the noise, code values.
    pub noise_code: f64,
    /// How far black ink reaches over the drawn edges, px.
    pub ink_px: f64,
    /// How far the picture moves while the shutter is open.
    pub motion_px: [f64; 2],
    pub encoding: Encoding,
    pub sensor: Sensor,
}

impl Lens {
    /// A sharp one at rest, in daylight.
    pub const SHARP: Self = Self {
        blur_px: 0.6,
        black_light: 0.06,
        white_light: 0.75,
        noise_code: 1.5,
        ink_px: 0.0,
        motion_px: [0.0; 2],
        encoding: Encoding::Srgb,
        sensor: Sensor::Grey,
    };
}

/// Places per pixel and axis at which the scene is sampled.
const SAMPLES: usize = 4;

/// Renders a tag whose black border has the given outer corners (px, centres at integers) on a
/// grey wall. Returns width × height code values.
pub fn render(
    drawing: &Drawing,
    corners_px: &[[f64; 2]; 4],
    size: [usize; 2],
    lens: &Lens,
    seed: u64,
) -> Vec<u8> {
    let to_unit = inverse3(&square_to_quad(corners_px));
    let fine = [size[0] * SAMPLES, size[1] * SAMPLES];
    let mut light = vec![0.0; fine[0] * fine[1]];
    let data_cells = drawing.side_cells as f64 - 2.0;
    let wall = 0.5 * (lens.white_light + lens.black_light);
    let at_cell = |column: f64, row: f64| {
        let inside = 0.0..drawing.side_cells as f64;
        if !inside.contains(&column) || !inside.contains(&row) {
            return wall;
        }
        let white = drawing.white[row as usize * drawing.side_cells + column as usize];
        if white {
            lens.white_light
        } else {
            lens.black_light
        }
    };
    let step = 1.0 / SAMPLES as f64;
    for y in 0..fine[1] {
        for x in 0..fine[0] {
            let place = |index: usize| (index as f64 + 0.5) * step - 0.5;
            let cell_at = |px: f64, py: f64| {
                let w = to_unit[2][0] * px + to_unit[2][1] * py + to_unit[2][2];
                [0, 1].map(|axis| {
                    let m = to_unit[axis];
                    (m[0] * px + m[1] * py + m[2]) / w * data_cells + 1.0
                })
            };
            let (px, py) = (place(x), place(y));
            let here = cell_at(px, py);
            // The sample's own width along the tag's axes: it shares itself between the cells on
            // both sides of an edge, so that edges do not lock to the grid of samples.
            let (right, down) = (cell_at(px + step, py), cell_at(px, py + step));
            let widths =
                [0, 1].map(|axis| (right[axis] - here[axis]).hypot(down[axis] - here[axis]));
            let light_at = |place: [f64; 2]| {
                let shares = [0, 1].map(|axis| {
                    let (low, high) = (
                        place[axis] - widths[axis] / 2.0,
                        place[axis] + widths[axis] / 2.0,
                    );
                    let edge = high.floor();
                    let above = if low < edge {
                        (high - edge) / widths[axis]
                    } else {
                        1.0
                    };
                    [(edge - 1.0, 1.0 - above), (edge, above)]
                });
                let mut sum = 0.0;
                for (column, share_u) in shares[0] {
                    for (row, share_v) in shares[1] {
                        sum += share_u * share_v * at_cell(column, row);
                    }
                }
                sum
            };
            light[y * fine[0] + x] = if lens.ink_px == 0.0 {
                light_at(here)
            } else {
                // Ink makes a place as dark as the darkest within its reach, or where it fell short
                // as light as the lightest.
                let reach = widths.map(|width| lens.ink_px / step * width);
                let around = [[-1.0, -1.0], [-1.0, 1.0], [1.0, -1.0], [1.0, 1.0]]
                    .map(|[a, b]| light_at([here[0] + a * reach[0], here[1] + b * reach[1]]));
                let darker = lens.ink_px > 0.0;
                let chosen = around
                    .into_iter()
                    .reduce(if darker { f64::min } else { f64::max });
                chosen.unwrap()
            };
        }
    }
    blur(&mut light, fine, lens.blur_px * SAMPLES as f64);
    if lens.motion_px != [0.0; 2] {
        light = smeared(&light, fine, lens.motion_px.map(|px| px * SAMPLES as f64));
    }
    let mut pixels = pixel_means(&light, size);
    if let Sensor::Coloured = lens.sensor {
        pixels = filled_in(&pixels, size);
    }
    let mut random = Random::new(seed);
    pixels
        .into_iter()
        .map(|mean| {
            let code = match lens.encoding {
                Encoding::Linear => mean,
                Encoding::Srgb if mean <= 0.003_130_8 => 12.92 * mean,
                Encoding::Srgb => 1.055 * mean.powf(1.0 / 2.4) - 0.055,
            };
            let noisy = code * 255.0 + lens.noise_code * random.normal();
            noisy.round().clamp(0.0, 255.0) as u8
        })
        .collect()
}

/// The mean of the scene while it moves by `motion` samples, half of it to either side.
fn smeared(light: &[f64], size: [usize; 2], motion: [f64; 2]) -> Vec<f64> {
    const MOMENTS: usize = 8;
    let at = |x: f64, y: f64| {
        let inside = |place: f64, count: usize| place.clamp(0.0, count as f64 - 1.001);
        let (x, y) = (inside(x, size[0]), inside(y, size[1]));
        let (left, top) = (x as usize, y as usize);
        let (fx, fy) = (x - left as f64, y - top as f64);
        let corner = |dx: usize, dy: usize| light[(top + dy) * size[0] + left + dx];
        let above = corner(0, 0) * (1.0 - fx) + corner(1, 0) * fx;
        let below = corner(0, 1) * (1.0 - fx) + corner(1, 1) * fx;
        above * (1.0 - fy) + below * fy
    };
    let mut means = Vec::with_capacity(light.len());
    for y in 0..size[1] {
        for x in 0..size[0] {
            let moments = (0..MOMENTS).map(|moment| {
                let part = (moment as f64 + 0.5) / MOMENTS as f64 - 0.5;
                at(x as f64 + part * motion[0], y as f64 + part * motion[1])
            });
            means.push(moments.sum::<f64>() / MOMENTS as f64);
        }
    }
    means
}

fn pixel_means(light: &[f64], size: [usize; 2]) -> Vec<f64> {
    let mut means = Vec::with_capacity(size[0] * size[1]);
    for y in 0..size[1] {
        for x in 0..size[0] {
            let mut sum = 0.0;
            for sy in 0..SAMPLES {
                for sx in 0..SAMPLES {
                    sum += light[(y * SAMPLES + sy) * size[0] * SAMPLES + x * SAMPLES + sx];
                }
            }
            means.push(sum / (SAMPLES * SAMPLES) as f64);
        }
    }
    means
}

/// Brightness from a mosaic with red at even columns and rows, blue at odd ones.
fn filled_in(light: &[f64], size: [usize; 2]) -> Vec<f64> {
    let colour = |x: usize, y: usize| (x % 2 + y % 2 + 2 * (x % 2) * (y % 2)).min(2);
    let weights = [0.2126, 0.7152, 0.0722];
    let mut brightness = Vec::with_capacity(light.len());
    for y in 0..size[1] {
        for x in 0..size[0] {
            let mut sum = 0.0;
            for (wanted, weight) in weights.into_iter().enumerate() {
                let (mut nearest, mut total, mut count) = (usize::MAX, 0.0, 0.0);
                for ny in y.saturating_sub(1)..(y + 2).min(size[1]) {
                    for nx in x.saturating_sub(1)..(x + 2).min(size[0]) {
                        let distance = nx.abs_diff(x) + ny.abs_diff(y);
                        if colour(nx, ny) != wanted || distance > nearest {
                            continue;
                        }
                        if distance < nearest {
                            (nearest, total, count) = (distance, 0.0, 0.0);
                        }
                        total += light[ny * size[0] + nx];
                        count += 1.0;
                    }
                }
                sum += weight * total / count;
            }
            brightness.push(sum);
        }
    }
    brightness
}

fn blur(light: &mut [f64], size: [usize; 2], sd: f64) {
    let reach = (4.0 * sd).ceil() as isize;
    let kernel: Vec<f64> = (-reach..=reach)
        .map(|k| (-0.5 * (k as f64 / sd).powi(2)).exp())
        .collect();
    let sum: f64 = kernel.iter().sum();
    for along_x in [true, false] {
        let before = light.to_vec();
        for y in 0..size[1] as isize {
            for x in 0..size[0] as isize {
                let value: f64 = kernel
                    .iter()
                    .zip(-reach..)
                    .map(|(weight, k)| {
                        let (sx, sy) = if along_x { (x + k, y) } else { (x, y + k) };
                        let sx = sx.clamp(0, size[0] as isize - 1) as usize;
                        let sy = sy.clamp(0, size[1] as isize - 1) as usize;
                        weight * before[sy * size[0] + sx]
                    })
                    .sum();
                light[y as usize * size[0] + x as usize] = value / sum;
            }
        }
    }
}

/// Heckbert's closed form of the projective map from the unit square (his thesis, 1989, 2.2.2).
fn square_to_quad(c: &[[f64; 2]; 4]) -> [[f64; 3]; 3] {
    let [x0, x1, x2, x3] = [c[0][0], c[1][0], c[2][0], c[3][0]];
    let [y0, y1, y2, y3] = [c[0][1], c[1][1], c[2][1], c[3][1]];
    let (dx1, dx2, sx) = (x1 - x2, x3 - x2, x0 - x1 + x2 - x3);
    let (dy1, dy2, sy) = (y1 - y2, y3 - y2, y0 - y1 + y2 - y3);
    let det = dx1 * dy2 - dx2 * dy1;
    let g = (sx * dy2 - dx2 * sy) / det;
    let h = (dx1 * sy - sx * dy1) / det;
    [
        [x1 - x0 + g * x1, x3 - x0 + h * x3, x0],
        [y1 - y0 + g * y1, y3 - y0 + h * y3, y0],
        [g, h, 1.0],
    ]
}

fn inverse3(m: &[[f64; 3]; 3]) -> [[f64; 3]; 3] {
    let minor = |r: usize, c: usize| {
        let (r1, r2, c1, c2) = ((r + 1) % 3, (r + 2) % 3, (c + 1) % 3, (c + 2) % 3);
        m[r1][c1] * m[r2][c2] - m[r1][c2] * m[r2][c1]
    };
    let det: f64 = (0..3).map(|c| m[0][c] * minor(0, c)).sum();
    std::array::from_fn(|r| std::array::from_fn(|c| minor(c, r) / det))
}
