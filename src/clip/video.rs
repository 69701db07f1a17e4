//! Frames of a video file, through libav.

use std::ffi::OsString;
use std::io::Read;
use std::path::{Path, PathBuf};

use ffmpeg_the_third as libav;
use libav::format::stream::{Disposition, Stream};
use libav::frame::Video;
use libav::{codec, format, media, picture};

use super::claim::{Claim, Losses, seconds};
use super::luma::{format_name, levels, upright_luma};
use super::timeline::Timeline;
use super::transfer::Transfer;
use super::turn::{OddMatrix, Turn};
use super::{ClipError, ClipInfo, ClipOptions, ClipWarning, Frame, GreyImage, MAX_PIXELS};

/// Containers that are opened, by libav's names. Naming them keeps playlists out, which would make
/// libav open other files or the network.
const CONTAINERS: &str = "mov,mp4,avi,matroska,webm,mpegts";

/// Threads of the decoder for the largest pictures, and for those up to [`SMALL_PICTURE_PIXELS`].
/// Frames wait for each other, so that two threads leave two cores, which most computers have at
/// least, with pauses; more threads fill them, but each holds frames of its own: 4K HEVC of ten bits
/// takes 310 MB with two, 390 MB with four.
/// The same on every machine, because what a decoder makes of the frames after a broken one depends
/// on it.
const DECODER_THREADS: [usize; 2] = [3, 5];

/// Pictures up to twice 1080p.
const SMALL_PICTURE_PIXELS: u64 = 2 * 1920 * 1080;

/// After so many errors in a row without a frame, and no claim that more frames exist, the rest is
/// given up.
const MOST_ERRORS_IN_A_ROW: u64 = 1000;

/// A single frame is looked for from a key frame at least this long before it. Containers find key
/// frames by the time of decoding, up to some frames before that of presentation, and frames
/// presented between the two may need the key frame before.
const KEY_FRAME_BEFORE_S: f64 = 0.5;

/// The version of libavcodec that is running, as it numbers itself.
pub fn decoder_version() -> u32 {
    codec::version()
}

/// Reads one video file from its first frame to its last.
pub(super) struct VideoReader {
    path: PathBuf,
    input: format::context::Input,
    decoder: codec::decoder::Video,
    stream_index: usize,
    time_base: libav::Rational,
    claim: Claim,
    turn: Turn,
    /// Width and height as stored, px.
    stored_size_px: (u32, u32),
    decoded: Video,
    timeline: Timeline<GreyImage>,
    losses: Losses,
    ended: bool,
    frames_taken: usize,
}

impl VideoReader {
    pub(super) fn open(path: &Path, options: &ClipOptions) -> Result<(ClipInfo, Self), ClipError> {
        if options.fps.is_some() {
            return Err(ClipError::FpsOfVideo { path: path.into() });
        }
        // libav writes to standard error by itself; what it has to say comes as errors and warnings.
        libav::log::set_level(libav::log::Level::Quiet);
        let input = open_container(path)?;
        let stream = input
            .streams()
            .best(media::Type::Video)
            .filter(|stream| !stream.disposition().contains(Disposition::ATTACHED_PIC))
            .ok_or_else(|| ClipError::NoVideoTrack { path: path.into() })?;
        let decoder = open_decoder(path, &stream)?;
        let frame_rate = f64::from(stream.avg_frame_rate());
        let mut reader = Self {
            path: path.into(),
            stream_index: stream.index(),
            time_base: stream.time_base(),
            claim: Claim::of(&input, &stream),
            turn: turn_of_track(&stream).map_err(|odd| odd_turn(path, odd))?,
            stored_size_px: (0, 0),
            decoded: Video::empty(),
            timeline: Timeline::new(
                (frame_rate.is_finite() && frame_rate > 0.0).then(|| 1.0 / frame_rate),
            ),
            losses: Losses::default(),
            ended: false,
            frames_taken: 0,
            decoder,
            input,
        };
        let info = reader.start()?;
        Ok((info, reader))
    }

    pub(super) fn next_frame(
        &mut self,
        warnings: &mut Vec<ClipWarning>,
    ) -> Result<Option<Frame>, ClipError> {
        loop {
            if let Some((time_s, image)) = self.timeline.pop() {
                let index = self.frames_taken;
                self.frames_taken += 1;
                return Ok(Some(Frame {
                    index,
                    time_s,
                    image,
                }));
            }
            if self.ended {
                return Ok(None);
            }
            if self.decode()? {
                self.take_decoded()?;
            } else {
                self.ended = true;
                self.timeline
                    .finish()
                    .map_err(|_| self.error_without_times())?;
                self.warn(warnings);
            }
        }
    }

    /// The frame at a position of the clip that was read before and had this time; `None` where the
    /// clip ends before it.
    pub(super) fn frame(mut self, index: usize, time_s: f64) -> Result<Option<Frame>, ClipError> {
        if let Some(image) = self.image_from_key_frame(time_s) {
            return Ok(Some(Frame {
                index,
                time_s,
                image,
            }));
        }
        let (_, mut from_start) = Self::open(&self.path, &ClipOptions::default())?;
        let mut ignored = Vec::new();
        while let Some(frame) = from_start.next_frame(&mut ignored)? {
            if frame.index == index {
                return Ok(Some(frame));
            }
        }
        Ok(None)
    }

    /// The picture with this time, decoded from a key frame before it; `None` where that may bring
    /// another one than reading all frames does: times were rebuilt, frames are broken, or the
    /// container does not lead to a key frame.
    fn image_from_key_frame(&mut self, time_s: f64) -> Option<GreyImage> {
        let origin_s = self.timeline.origin_s()?;
        let ticks_per_s = 1.0 / f64::from(libav::rescale::TIME_BASE);
        let from = ((origin_s + time_s - KEY_FRAME_BEFORE_S) * ticks_per_s).floor() as i64;
        self.input.seek(from, ..=from).ok()?;
        self.decoder.flush();
        let lost_before = self.losses.total;
        let mut last_s = None;
        while self.decode().ok()? && self.losses.total == lost_before {
            let decoded_s = self.decoded_s()? - origin_s;
            let goes_on = match last_s {
                None => self.decoded.kind() == picture::Type::I,
                Some(last_s) => decoded_s > last_s,
            };
            if !goes_on || decoded_s > time_s {
                return None;
            }
            if decoded_s == time_s {
                return self.take_luma();
            }
            last_s = Some(decoded_s);
        }
        None
    }

    /// Decodes the first frame, which alone shows the format of the frames for certain.
    fn start(&mut self) -> Result<ClipInfo, ClipError> {
        if !self.decode()? {
            return Err(ClipError::NothingDecodes {
                path: self.path.clone(),
            });
        }
        self.stored_size_px = (self.decoded.width(), self.decoded.height());
        if let Some(turn) = turn_of_frame(&self.decoded) {
            self.turn = turn.map_err(|odd| odd_turn(&self.path, odd))?;
        }
        let (width_px, height_px) = self.turn.upright_size_px(
            self.decoded.width() as usize,
            self.decoded.height() as usize,
        );
        let levels = levels(&self.decoded);
        let transfer = Transfer::of(&self.decoded);
        self.take_decoded()?;
        Ok(ClipInfo {
            path: self.path.clone(),
            width_px,
            height_px,
            levels,
            transfer,
            lines: self.turn.lines(),
            claimed_frames: self.claim.frames,
        })
    }

    /// Puts the decoded frame's luma onto the timeline.
    fn take_decoded(&mut self) -> Result<(), ClipError> {
        let size_px = (self.decoded.width(), self.decoded.height());
        if size_px != self.stored_size_px {
            return Err(ClipError::FrameSizeChanges {
                path: self.path.clone(),
                time_s: self.timeline.last_time_s().unwrap_or(0.0),
                first_px: self.stored_size_px,
                then_px: size_px,
            });
        }
        let decoded_s = self.decoded_s();
        let format = self.decoded.format();
        let image = self.take_luma().ok_or_else(|| ClipError::PixelFormat {
            path: self.path.clone(),
            format: format_name(format),
        })?;
        self.timeline
            .push(decoded_s, image)
            .map_err(|_| self.error_without_times())
    }

    /// The decoded frame's luma, upright; leaves no frame behind.
    fn take_luma(&mut self) -> Option<GreyImage> {
        let frame = std::mem::replace(&mut self.decoded, Video::empty());
        upright_luma(frame, self.turn)
    }

    /// The container's time of the decoded frame.
    fn decoded_s(&self) -> Option<f64> {
        let ticks = self.decoded.timestamp()?;
        Some(seconds(ticks, self.time_base))
    }

    /// Decodes the next good frame; `false` after the last one.
    fn decode(&mut self) -> Result<bool, ClipError> {
        let most_errors = self.claim.frames.unwrap_or(0).max(MOST_ERRORS_IN_A_ROW);
        while self.losses.in_a_row() <= most_errors {
            match self.decoder.receive_frame(&mut self.decoded) {
                Ok(()) if self.decoded.is_corrupt() => self.lose_in_decoder(),
                Ok(()) => {
                    self.losses.undecoded_at_end = 0;
                    return Ok(true);
                }
                Err(libav::Error::Eof) => return Ok(false),
                Err(error) if wants_input(error) => self.feed(),
                Err(_) => self.lose_in_decoder(),
            }
        }
        Ok(false)
    }

    /// Gives the decoder the next packet, or word that there are no more.
    fn feed(&mut self) {
        let mut packet = codec::packet::Packet::empty();
        match packet.read(&mut self.input) {
            Ok(()) if packet.stream() != self.stream_index => {}
            // A packet that was cut off would decode to a picture that is partly made up.
            Ok(()) if packet.is_corrupt() => self.lose_in_container(),
            Ok(()) => {
                self.losses.packets += 1;
                self.losses.unread_at_end = 0;
                if self.decoder.send_packet(&packet).is_err() {
                    self.lose_in_decoder();
                }
            }
            Err(libav::Error::Eof) => {
                if self.decoder.send_eof().is_err() {
                    self.lose_in_decoder();
                }
            }
            Err(_) => self.lose_in_container(),
        }
    }

    fn lose_in_container(&mut self) {
        self.losses.packets += 1;
        self.losses.unread_at_end += 1;
        self.losses.count(self.timeline.last_time_s());
    }

    fn lose_in_decoder(&mut self) {
        self.losses.undecoded_at_end += 1;
        self.losses.count(self.timeline.last_time_s());
    }

    fn error_without_times(&self) -> ClipError {
        ClipError::NoTimes {
            path: self.path.clone(),
        }
    }

    fn warn(&self, warnings: &mut Vec<ClipWarning>) {
        if let Some((rebuilt, first_s)) = self.timeline.rebuilt() {
            warnings.push(ClipWarning::TimesRebuilt { rebuilt, first_s });
        }
        let at_end = self.losses.in_a_row();
        let in_between = self.losses.total - at_end;
        if in_between > 0 {
            warnings.push(ClipWarning::FramesLost {
                lost: in_between,
                first_after_s: self.losses.first_after_s.unwrap_or(0.0),
            });
        }
        let end_s = self.timeline.last_time_s().unwrap_or(0.0);
        let interval_s = self.timeline.interval_s().unwrap_or(0.0);
        if at_end > 0
            || self
                .claim
                .goes_beyond(self.losses.packets, end_s, interval_s)
        {
            warnings.push(ClipWarning::EndsEarly {
                frames: self.frames_taken + self.timeline.settled(),
                end_s,
                claimed_frames: self.claim.frames,
                claimed_s: self.claim.track_s.or(self.claim.container_s),
            });
        }
    }
}

fn open_container(path: &Path) -> Result<format::context::Input, ClipError> {
    let mut head = Vec::new();
    std::fs::File::open(path)
        .and_then(|file| file.take(64).read_to_end(&mut head))
        .map_err(|source| ClipError::opening(path, source))?;
    // With its scheme, a path cannot be taken for an address.
    let mut address = OsString::from("file:");
    address.push(path);
    let options = libav::dict! {
        "format_whitelist" => CONTAINERS,
        "protocol_whitelist" => "file",
    };
    format::input_with_dictionary(address, options).map_err(|_| {
        let path = path.into();
        if head.is_empty() {
            ClipError::EmptyFile { path }
        } else if image::guess_format(&head).is_ok() {
            ClipError::SinglePicture { path }
        } else if head.get(4..8) == Some(b"ftyp") {
            ClipError::IndexMissing { path }
        } else {
            ClipError::NotAVideo { path }
        }
    })
}

fn open_decoder(path: &Path, stream: &Stream) -> Result<codec::decoder::Video, ClipError> {
    let parameters = stream.parameters();
    let (width_px, height_px) = (parameters.width(), parameters.height());
    let pixels = u64::from(width_px) * u64::from(height_px);
    if pixels > MAX_PIXELS {
        return Err(ClipError::TooLarge {
            path: path.into(),
            width_px,
            height_px,
        });
    }
    let no_decoder = |_| ClipError::NoDecoder {
        path: path.into(),
        codec: parameters.id().name().into(),
    };
    let mut context = codec::Context::from_parameters(stream.parameters()).map_err(no_decoder)?;
    let mut threading = codec::threading::Config::kind(codec::threading::Type::Frame);
    let [for_large, for_small] = DECODER_THREADS;
    threading.count = if pixels > SMALL_PICTURE_PIXELS {
        for_large
    } else {
        for_small
    };
    context.set_threading(threading);
    context.decoder().video().map_err(no_decoder)
}

/// FFmpeg before 8 keeps the display matrix with the track, later ones hand it on with the frames.
#[cfg(display_matrix_on_track)]
fn turn_of_track(stream: &Stream) -> Result<Turn, OddMatrix> {
    stream
        .side_data()
        .find(|data| data.kind() == codec::packet::side_data::Type::DisplayMatrix)
        .map_or(Ok(Turn::None), |data| {
            Turn::from_display_matrix(data.data())
        })
}

#[cfg(not(display_matrix_on_track))]
fn turn_of_track(_stream: &Stream) -> Result<Turn, OddMatrix> {
    Ok(Turn::None)
}

fn turn_of_frame(frame: &Video) -> Option<Result<Turn, OddMatrix>> {
    frame
        .side_data(libav::frame::side_data::Type::DisplayMatrix)
        .map(|data| Turn::from_display_matrix(data.data()))
}

fn odd_turn(path: &Path, odd: OddMatrix) -> ClipError {
    let path = path.into();
    match odd {
        OddMatrix::Mirrored => ClipError::Mirrored { path },
        OddMatrix::Angle { angle_deg } => ClipError::OddAngle { path, angle_deg },
    }
}

/// libav says so with the system's code for "try again".
fn wants_input(error: libav::Error) -> bool {
    match error {
        libav::Error::Other { errno } => {
            std::io::Error::from_raw_os_error(errno).kind() == std::io::ErrorKind::WouldBlock
        }
        _ => false,
    }
}
