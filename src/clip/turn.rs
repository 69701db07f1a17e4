//! Turning pictures upright by quarter turns.

use super::{GreyImage, Lines};

/// The clockwise turn that makes a stored picture upright.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Turn {
    None,
    Quarter,
    Half,
    ThreeQuarters,
}

/// Why a display matrix is no quarter turn.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum OddMatrix {
    Mirrored,
    Angle { angle_deg: f64 },
}

/// A picture's rows where the decoder left them, 8 bits a pixel.
#[derive(Clone, Copy)]
pub(super) struct Rows<'a> {
    pub bytes: &'a [u8],
    /// Bytes from one row to the next; at least `width_px`.
    pub stride: usize,
    pub width_px: usize,
    pub height_px: usize,
}

/// Side of the square tiles in which quarter turns are done, so that both the rows read and the
/// rows written stay in the first-level cache.
const TILE_PX: usize = 32;

/// Angles within 1° of a quarter turn count as that quarter turn, because many programs write the matrix in
/// fixed point.
const ANGLE_TOLERANCE_DEG: f64 = 1.0;

impl Turn {
    /// From the nine numbers of a track's display matrix, little- or big-endian as this machine's.
    ///
    /// ISO/IEC 14496-12, 8.3.2: `x' = a·x + c·y`, `y' = b·x + d·y` with y downwards, stored as
    /// a b u c d v x y w. The picture's x axis goes to (a, b), which is a clockwise turn by
    /// atan2(b, a) as seen on the screen.
    pub(super) fn from_display_matrix(bytes: &[u8]) -> Result<Self, OddMatrix> {
        let entry = |index: usize| {
            bytes
                .chunks_exact(4)
                .nth(index)
                .and_then(|chunk| chunk.try_into().ok())
                .map_or(0.0, |four| f64::from(i32::from_ne_bytes(four)))
        };
        let (a, b, c, d) = (entry(0), entry(1), entry(3), entry(4));
        if a * d - b * c < 0.0 {
            return Err(OddMatrix::Mirrored);
        }
        let angle_deg = b.atan2(a).to_degrees().rem_euclid(360.0);
        let quarters = (angle_deg / 90.0).round();
        if (angle_deg - 90.0 * quarters).abs() > ANGLE_TOLERANCE_DEG {
            return Err(OddMatrix::Angle { angle_deg });
        }
        Ok(match quarters as u8 {
            1 => Self::Quarter,
            2 => Self::Half,
            3 => Self::ThreeQuarters,
            _ => Self::None,
        })
    }

    /// Width and height of the upright picture.
    pub(super) fn upright_size_px(self, width_px: usize, height_px: usize) -> (usize, usize) {
        match self.lines() {
            Lines::Rows => (width_px, height_px),
            Lines::Columns => (height_px, width_px),
        }
    }

    /// How the stored picture's rows lie in the upright one.
    pub(super) fn lines(self) -> Lines {
        match self {
            Self::None | Self::Half => Lines::Rows,
            Self::Quarter | Self::ThreeQuarters => Lines::Columns,
        }
    }

    /// Copies the rows into an upright picture.
    pub(super) fn upright(self, rows: Rows) -> GreyImage {
        let (width_px, height_px) = self.upright_size_px(rows.width_px, rows.height_px);
        let pixels = match self {
            Self::None => rows.packed(),
            Self::Half => {
                let mut pixels = rows.packed();
                pixels.reverse();
                pixels
            }
            Self::Quarter => quarter_turned(rows, |x, y| (y, rows.height_px - 1 - x)),
            Self::ThreeQuarters => quarter_turned(rows, |x, y| (rows.width_px - 1 - y, x)),
        };
        GreyImage {
            width_px,
            height_px,
            pixels: pixels.into(),
        }
    }

    /// Turns a picture upright, without copying it where no turn is needed.
    pub(super) fn turned(self, image: GreyImage) -> GreyImage {
        if self == Self::None {
            return image;
        }
        self.upright(Rows {
            bytes: &image.pixels,
            stride: image.width_px,
            width_px: image.width_px,
            height_px: image.height_px,
        })
    }
}

impl Rows<'_> {
    fn packed(&self) -> Vec<u8> {
        let mut pixels = Vec::with_capacity(self.width_px * self.height_px);
        for row in self.bytes.chunks(self.stride).take(self.height_px) {
            pixels.extend_from_slice(&row[..self.width_px]);
        }
        pixels
    }
}

/// `stored_from_upright` maps the upright pixel (x, y) to the stored one.
fn quarter_turned(
    rows: Rows,
    stored_from_upright: impl Fn(usize, usize) -> (usize, usize),
) -> Vec<u8> {
    let (width_px, height_px) = (rows.height_px, rows.width_px);
    let mut pixels = vec![0; width_px * height_px];
    for tile_y in (0..height_px).step_by(TILE_PX) {
        for tile_x in (0..width_px).step_by(TILE_PX) {
            for y in tile_y..(tile_y + TILE_PX).min(height_px) {
                for x in tile_x..(tile_x + TILE_PX).min(width_px) {
                    let (stored_x, stored_y) = stored_from_upright(x, y);
                    pixels[y * width_px + x] = rows.bytes[stored_y * rows.stride + stored_x];
                }
            }
        }
    }
    pixels
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Two rows of three in a plane with one byte of padding a row:
    /// 1 2 3
    /// 4 5 6
    const STORED: Rows = Rows {
        bytes: &[1, 2, 3, 0, 4, 5, 6, 0],
        stride: 4,
        width_px: 3,
        height_px: 2,
    };

    /// In 16.16 fixed point, the last column in 2.30, as ISO/IEC 14496-12, 8.3.2 lays it out.
    fn matrix(a: f64, b: f64, c: f64, d: f64) -> Vec<u8> {
        let fixed = |value: f64| (value * 65536.0).round() as i32;
        [fixed(a), fixed(b), 0, fixed(c), fixed(d), 0, 0, 0, 1 << 30]
            .iter()
            .flat_map(|value| value.to_ne_bytes())
            .collect()
    }

    #[test]
    fn turns_are_clockwise() {
        let turned = |turn: Turn| {
            let image = turn.upright(STORED);
            (image.width_px, image.height_px, image.pixels.to_vec())
        };
        assert_eq!(turned(Turn::None), (3, 2, vec![1, 2, 3, 4, 5, 6]));
        assert_eq!(turned(Turn::Quarter), (2, 3, vec![4, 1, 5, 2, 6, 3]));
        assert_eq!(turned(Turn::Half), (3, 2, vec![6, 5, 4, 3, 2, 1]));
        assert_eq!(turned(Turn::ThreeQuarters), (2, 3, vec![3, 6, 2, 5, 1, 4]));
    }

    #[test]
    fn pictures_larger_than_a_tile_turn_back_to_themselves() {
        let bytes: Vec<u8> = (0..70 * 45).map(|i| (i * 7 % 251) as u8).collect();
        let rows = Rows {
            bytes: &bytes,
            stride: 70,
            width_px: 70,
            height_px: 45,
        };
        let once = Turn::Quarter.upright(rows);
        let back = Turn::ThreeQuarters.upright(Rows {
            bytes: &once.pixels,
            stride: 45,
            width_px: 45,
            height_px: 70,
        });
        assert_eq!(*back.pixels, bytes);
    }

    #[test]
    fn a_display_matrix_says_the_clockwise_turn() {
        let turn = |a, b, c, d| Turn::from_display_matrix(&matrix(a, b, c, d));
        assert_eq!(turn(1.0, 0.0, 0.0, 1.0), Ok(Turn::None));
        assert_eq!(turn(0.0, 1.0, -1.0, 0.0), Ok(Turn::Quarter));
        assert_eq!(turn(-1.0, 0.0, 0.0, -1.0), Ok(Turn::Half));
        assert_eq!(turn(0.0, -1.0, 1.0, 0.0), Ok(Turn::ThreeQuarters));
        assert_eq!(turn(-1.0, 0.0, 0.0, 1.0), Err(OddMatrix::Mirrored));
        let (sin, cos) = 30f64.to_radians().sin_cos();
        match turn(cos, sin, -sin, cos) {
            Err(OddMatrix::Angle { angle_deg }) => assert!((angle_deg - 30.0).abs() < 0.01),
            other => panic!("{other:?}"),
        }
    }
}
