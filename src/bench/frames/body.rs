//! The body of a frame: a compressed picture, or luma as it is.

use std::io::Cursor;
use std::time::Duration;

use axum::body::{Body, to_bytes};
use axum::http::{HeaderMap, StatusCode, header};
use image::{DynamicImage, ImageDecoder, ImageFormat, ImageReader};

use crate::bench::Refusal;
use crate::clip::{GreyImage, Levels};

/// Largest body of a frame: luma of a 4K picture, or a PNG of one, with room to spare.
pub const MOST_FRAME_BYTES: usize = 12 << 20;

/// Largest picture that is decoded: 4K as cameras have it. A profile of a larger picture cannot be
/// used live, since no computer of today follows it.
const MOST_PIXELS: u64 = 4096 * 2304;

/// Most bytes that a decoder hands out for a pixel: three channels of 16 bits, and one of opacity.
const MOST_BYTES_PER_PIXEL: u64 = 8;

/// How a body is coded.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Coding {
    Jpeg,
    Png,
    Luma,
}

/// A picture with the code values of its black and white.
#[derive(Debug, Clone, PartialEq)]
pub struct Luma {
    /// The picture.
    pub image: GreyImage,
    /// Its black and white.
    pub levels: Levels,
}

/// A frame that takes longer to arrive is too old to be of use.
const ARRIVAL_TIME: Duration = Duration::from_secs(3);

/// Reads the body of a frame.
///
/// # Errors
/// It is too large, or too late.
pub async fn read(body: Body) -> Result<Vec<u8>, Refusal> {
    let arriving = tokio::time::timeout(ARRIVAL_TIME, to_bytes(body, MOST_FRAME_BYTES));
    let arrived = arriving.await.map_err(|_| {
        let error = "the frame took too long to arrive";
        Refusal::new(
            StatusCode::REQUEST_TIMEOUT,
            error,
            "choose a smaller picture of the camera",
        )
    })?;
    let bytes = arrived.map_err(|error| {
        let is_too_large = std::error::Error::source(&error)
            .is_some_and(|cause| cause.is::<http_body_util::LengthLimitError>());
        match is_too_large {
            true => too_large(),
            false => Refusal::bad_request("the frame stopped arriving", "send the next one"),
        }
    })?;
    Ok(bytes.into())
}

/// A frame has more bytes than any camera sends.
pub fn too_large() -> Refusal {
    Refusal::new(
        StatusCode::PAYLOAD_TOO_LARGE,
        format!("the frame has more than {MOST_FRAME_BYTES} bytes"),
        "choose a smaller picture of the camera, such as 1920 × 1080",
    )
}

/// Decodes a frame from its body.
///
/// # Errors
/// The body does not hold what its headers say, or more pixels than a frame may have.
pub fn picture(headers: &HeaderMap, body: Vec<u8>) -> Result<Luma, Refusal> {
    match coding(headers)? {
        Coding::Jpeg => decode(&body, ImageFormat::Jpeg),
        Coding::Png => decode(&body, ImageFormat::Png),
        Coding::Luma => raw(headers, body),
    }
}

fn coding(headers: &HeaderMap) -> Result<Coding, Refusal> {
    let kind = text(headers, header::CONTENT_TYPE.as_str()).unwrap_or_default();
    let kind = kind.split(';').next().unwrap_or_default().trim();
    match kind.to_ascii_lowercase().as_str() {
        "image/jpeg" => Ok(Coding::Jpeg),
        "image/png" => Ok(Coding::Png),
        "application/octet-stream" => Ok(Coding::Luma),
        _ => Err(Refusal::new(
            StatusCode::UNSUPPORTED_MEDIA_TYPE,
            format!("a frame of type \"{kind}\" cannot be read"),
            "send image/jpeg, image/png, or luma as application/octet-stream",
        )),
    }
}

fn text<'a>(headers: &'a HeaderMap, name: &str) -> Option<&'a str> {
    headers.get(name)?.to_str().ok()
}

/// Luma as it is, row by row without padding.
fn raw(headers: &HeaderMap, body: Vec<u8>) -> Result<Luma, Refusal> {
    let side = |name: &str| {
        let side = text(headers, name).and_then(|text| text.trim().parse::<usize>().ok());
        side.filter(|&side| side > 0).ok_or_else(|| {
            Refusal::bad_request(
                format!("the frame does not say its {name}"),
                "send X-Width and X-Height, in pixels",
            )
        })
    };
    let (width_px, height_px) = (side("X-Width")?, side("X-Height")?);
    let levels = match text(headers, "X-Range").map(str::trim) {
        Some("full") => Levels::FULL,
        Some("limited") => Levels::LIMITED,
        _ => {
            return Err(Refusal::bad_request(
                "the frame does not say its range of codes",
                "send X-Range: full or X-Range: limited",
            ));
        }
    };
    check_size(width_px as u64, height_px as u64)?;
    if body.len() != width_px * height_px {
        return Err(Refusal::bad_request(
            format!(
                "the frame has {} bytes; {width_px} × {height_px} pixels need {}",
                body.len(),
                width_px * height_px
            ),
            "send one byte for each pixel, row by row without padding",
        ));
    }
    Ok(Luma {
        image: GreyImage {
            width_px,
            height_px,
            pixels: body.into(),
        },
        levels,
    })
}

fn check_size(width_px: u64, height_px: u64) -> Result<(), Refusal> {
    if width_px.saturating_mul(height_px) <= MOST_PIXELS {
        return Ok(());
    }
    Err(Refusal::new(
        StatusCode::PAYLOAD_TOO_LARGE,
        format!("a frame of {width_px} × {height_px} pixels is too large to follow live"),
        "choose a smaller picture of the camera, such as 1920 × 1080",
    ))
}

/// Decodes a compressed picture. Only its header is read before its size is checked.
fn decode(body: &[u8], format: ImageFormat) -> Result<Luma, Refusal> {
    let mut reader = ImageReader::with_format(Cursor::new(body), format);
    let mut limits = image::Limits::no_limits();
    limits.max_alloc = Some(MOST_PIXELS * MOST_BYTES_PER_PIXEL);
    reader.limits(limits);
    let decoder = reader.into_decoder().map_err(|error| broken(&error))?;
    let (width_px, height_px) = decoder.dimensions();
    check_size(width_px.into(), height_px.into())?;
    let colours = DynamicImage::from_decoder(decoder).map_err(|error| broken(&error))?;
    let grey = colours.into_luma8();
    Ok(Luma {
        image: GreyImage {
            width_px: grey.width() as usize,
            height_px: grey.height() as usize,
            pixels: grey.into_raw().into(),
        },
        levels: Levels::FULL,
    })
}

fn broken(error: &image::ImageError) -> Refusal {
    Refusal::bad_request(
        format!("the picture of this frame cannot be decoded: {error}"),
        "send the next frame",
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    fn headers(pairs: &[(&'static str, &str)]) -> HeaderMap {
        let pairs = pairs.iter();
        pairs
            .map(|(name, value)| (name.parse().unwrap(), value.parse().unwrap()))
            .collect()
    }

    /// A picture with a step from black to white.
    fn step(format: ImageFormat) -> Vec<u8> {
        let picture =
            image::GrayImage::from_fn(64, 32, |x, _| image::Luma([255 * u8::from(x > 31)]));
        let mut body = Cursor::new(Vec::new());
        picture.write_to(&mut body, format).unwrap();
        body.into_inner()
    }

    #[test]
    fn luma_is_taken_as_it_is() {
        let sizes = [
            ("content-type", "application/octet-stream"),
            ("x-width", "3"),
            ("x-height", "2"),
            ("x-range", "limited"),
        ];
        let luma = picture(&headers(&sizes), vec![16, 17, 18, 233, 234, 235]).unwrap();
        assert_eq!((luma.image.width_px, luma.image.height_px), (3, 2));
        assert_eq!(luma.image.pixels[3], 233);
        assert_eq!(luma.levels, Levels::LIMITED);
    }

    #[test]
    fn compressed_pictures_become_grey() {
        for (kind, format) in [
            ("image/jpeg", ImageFormat::Jpeg),
            ("image/png; charset=binary", ImageFormat::Png),
        ] {
            let luma = picture(&headers(&[("content-type", kind)]), step(format)).unwrap();
            assert_eq!((luma.image.width_px, luma.image.height_px), (64, 32));
            assert!(luma.image.pixels[0] < 3 && luma.image.pixels[63] > 252);
            assert_eq!(luma.levels, Levels::FULL);
        }
    }

    #[test]
    fn bodies_that_do_not_hold_what_they_say_are_refused_in_words() {
        let luma = |width: &'static str, height, range, bytes| {
            let pairs = [
                ("content-type", "application/octet-stream"),
                ("x-width", width),
                ("x-height", height),
                ("x-range", range),
            ];
            picture(&headers(&pairs), vec![0; bytes]).unwrap_err()
        };
        assert_eq!(luma("3", "2", "full", 5).status(), 400);
        assert_eq!(luma("3", "2", "wide", 6).status(), 400);
        assert_eq!(luma("-3", "2", "full", 6).status(), 400);
        assert_eq!(luma("0", "2", "full", 0).status(), 400);
        assert_eq!(luma("99999999999", "99999999999", "full", 6).status(), 413);
        let jpeg = headers(&[("content-type", "image/jpeg")]);
        let whole = step(ImageFormat::Jpeg);
        for broken in [
            &whole[..20],
            &whole[..whole.len() / 2],
            b"not a picture",
            b"",
        ] {
            // A decoder may fill in what is missing at the end; it may not panic.
            if let Err(refusal) = picture(&jpeg, broken.to_vec()) {
                assert_eq!(refusal.status(), 400);
            }
        }
        assert_eq!(
            picture(&jpeg, b"not a picture".to_vec())
                .unwrap_err()
                .status(),
            400
        );
        assert_eq!(
            picture(&jpeg, step(ImageFormat::Png)).unwrap_err().status(),
            400
        );
        let other = headers(&[("content-type", "text/plain")]);
        assert_eq!(picture(&other, whole).unwrap_err().status(), 415);
    }

    /// The header of a PNG that claims 60,000 × 60,000 pixels (PNG specification, 11.2.2).
    #[test]
    fn a_small_body_that_claims_a_huge_picture_is_refused_before_it_is_decoded() {
        let mut png = step(ImageFormat::Png);
        let side = 60_000_u32.to_be_bytes();
        png[16..20].copy_from_slice(&side);
        png[20..24].copy_from_slice(&side);
        let crc = crc(&png[12..29]);
        png[29..33].copy_from_slice(&crc.to_be_bytes());
        let refused = picture(&headers(&[("content-type", "image/png")]), png).unwrap_err();
        assert_eq!(refused.status(), 413);
    }

    /// CRC-32 as the PNG specification gives it, annex D.
    fn crc(bytes: &[u8]) -> u32 {
        let fold = |crc: u32, byte: &u8| {
            (0..8).fold(crc ^ u32::from(*byte), |crc, _| {
                (crc >> 1) ^ if crc & 1 == 1 { 0xedb8_8320 } else { 0 }
            })
        };
        !bytes.iter().fold(!0, fold)
    }
}
