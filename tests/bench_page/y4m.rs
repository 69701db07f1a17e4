//! A file that a browser shows as its camera: uncompressed 4:2:0 in the yuv4mpeg format of the MJPEG
//! tools, which chromium reads.

use std::fs::File;
use std::io::{BufWriter, Write};
use std::path::Path;

/// A file in the making.
pub struct Y4m {
    file: BufWriter<File>,
    size_px: Option<(usize, usize)>,
    rate_hz: &'static str,
}

impl Y4m {
    /// `rate_hz` is a ratio, such as "15:2".
    pub fn create(path: &Path, rate_hz: &'static str) -> Self {
        Self {
            file: BufWriter::new(File::create(path).unwrap()),
            size_px: None,
            rate_hz,
        }
    }

    /// Adds a grey picture; all have the size of the first.
    pub fn add(&mut self, (width, height): (usize, usize), luma: &[u8]) {
        if self.size_px.is_none() {
            let (size, rate) = (format!("W{width} H{height}"), self.rate_hz);
            writeln!(self.file, "YUV4MPEG2 {size} F{rate} Ip A1:1 C420jpeg").unwrap();
        }
        assert_eq!(
            *self.size_px.get_or_insert((width, height)),
            (width, height)
        );
        self.file.write_all(b"FRAME\n").unwrap();
        self.file.write_all(luma).unwrap();
        self.file.write_all(&vec![128; width * height / 2]).unwrap();
    }

    /// Writes what is left.
    pub fn finish(mut self) {
        self.file.flush().unwrap();
    }
}
