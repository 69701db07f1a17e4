//! The code values of a picture: its own, or a decoded frame's where the decoder left them.

use std::fmt;
use std::ops::Deref;
use std::sync::Arc;

use ffmpeg_the_third::frame::Video;

/// Code values of a picture, row by row without padding.
///
/// Each use as a slice takes a few steps; take the slice once, before a loop over pixels.
#[derive(Clone)]
pub struct Pixels(Store);

#[derive(Clone)]
enum Store {
    Own(Vec<u8>),
    Decoded(Arc<Video>),
}

impl Pixels {
    /// The first plane of a decoded frame whose rows carry no padding, left where it is: copying
    /// takes a twentieth of the time in which a frame is decoded and searched.
    pub(super) fn of_decoded(frame: Video) -> Self {
        Self(Store::Decoded(Arc::new(frame)))
    }
}

impl Deref for Pixels {
    type Target = [u8];

    fn deref(&self) -> &[u8] {
        match &self.0 {
            Store::Own(pixels) => pixels,
            Store::Decoded(frame) => frame.data(0),
        }
    }
}

impl From<Vec<u8>> for Pixels {
    fn from(pixels: Vec<u8>) -> Self {
        Self(Store::Own(pixels))
    }
}

impl FromIterator<u8> for Pixels {
    fn from_iter<T: IntoIterator<Item = u8>>(pixels: T) -> Self {
        Vec::from_iter(pixels).into()
    }
}

impl PartialEq for Pixels {
    fn eq(&self, other: &Self) -> bool {
        **self == **other
    }
}

impl fmt::Debug for Pixels {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        (**self).fmt(f)
    }
}
