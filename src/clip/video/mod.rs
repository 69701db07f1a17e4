//! Frames of a video file, through libav.

mod single_frame;
mod stored_turn;

use std::path::{Path, PathBuf};

use ffmpeg_the_third as libav;
use libav::frame::Video;
use libav::{codec, format, picture};

use crate::clip::claim::{Claim, Ending, seconds};
use crate::clip::damage::{Arrival, Intact};
use crate::clip::luma::{NoLuma, format_name, has_undecoded_part, levels, upright_luma};
use crate::clip::opening::{
    check_pictures, is_to_be_marked, one_picture_a_packet, open_container, open_decoder,
    video_track,
};
use crate::clip::seams::Seams;
use crate::clip::timeline::Timeline;
use crate::clip::transfer::Transfer;
use crate::clip::turn::Turn;
use crate::clip::{ClipError, ClipInfo, ClipOptions, ClipWarning, Frame, GreyImage};
use crate::foreign::{Watch, has_decode_errors, is_interlaced};
use stored_turn::{odd_turn, turn_of_frame, turn_of_track};

/// After so many errors in a row without a frame, and no claim that more frames exist, the rest is
/// given up.
const MOST_ERRORS_IN_A_ROW: u64 = 1000;

/// The version of libavcodec that is running, as it numbers itself.
pub fn decoder_version() -> u32 {
    codec::version()
}

/// A picture on its way from the decoder to whoever reads the clip.
struct Picture {
    /// Time that the container gives, seconds.
    time_s: Option<f64>,
    key: bool,
    image: GreyImage,
}

/// Reads one video file from its first frame to its last.
pub(in crate::clip) struct VideoReader {
    path: PathBuf,
    input: format::context::Input,
    decoder: codec::decoder::Video,
    /// Whether new pictures have marks where nothing was decoded.
    is_marked: bool,
    // Declared after the decoder, which calls it, and so dropped later.
    watch: Watch,
    stream_index: usize,
    time_base: libav::Rational,
    claim: Claim,
    turn: Turn,
    /// Width and height as stored, px.
    stored_size_px: (u32, u32),
    decoded: Video,
    intact: Intact<Picture>,
    timeline: Timeline<Picture>,
    seams: Seams,
    ending: Ending,
    failures: u64,
    ended: bool,
    warned: bool,
    frames_taken: usize,
}

impl VideoReader {
    pub(in crate::clip) fn open(
        path: &Path,
        options: &ClipOptions,
    ) -> Result<(ClipInfo, Self), ClipError> {
        if options.fps.is_some() {
            return Err(ClipError::FpsOfVideo { path: path.into() });
        }
        // Listens as well, so that libav does not write to standard error by itself.
        let watch = Watch::new();
        let input = open_container(path)?;
        let stream = video_track(&input, path)?;
        check_pictures(path, &stream)?;
        let decoder = open_decoder(path, &stream)?;
        let frame_rate = f64::from(stream.avg_frame_rate());
        let mut reader = Self {
            path: path.into(),
            is_marked: is_to_be_marked(stream.parameters().id()),
            watch,
            stream_index: stream.index(),
            time_base: stream.time_base(),
            claim: Claim::of(&input, &stream),
            turn: turn_of_track(&stream).map_err(|odd| odd_turn(path, odd))?,
            stored_size_px: (0, 0),
            decoded: Video::empty(),
            intact: Intact::new(
                f64::from(stream.time_base()),
                one_picture_a_packet(stream.parameters().id()),
            ),
            seams: Seams::new(Turn::None),
            timeline: Timeline::new(
                (frame_rate.is_finite() && frame_rate > 0.0).then(|| 1.0 / frame_rate),
            ),
            ending: Ending::default(),
            failures: 0,
            ended: false,
            warned: false,
            frames_taken: 0,
            decoder,
            input,
        };
        let info = reader.start()?;
        Ok((info, reader))
    }

    pub(in crate::clip) fn next_frame(
        &mut self,
        warnings: &mut Vec<ClipWarning>,
    ) -> Result<Option<Frame>, ClipError> {
        loop {
            if let Some((time_s, Picture { key, image, .. })) = self.timeline.pop() {
                self.seams.see(time_s, key, &image);
                let index = self.frames_taken;
                self.frames_taken += 1;
                return Ok(Some(Frame {
                    index,
                    time_s,
                    image,
                }));
            }
            if self.ended {
                // Only now have all frames been seen, the last ones too.
                if !std::mem::replace(&mut self.warned, true) {
                    self.warn(warnings);
                }
                return Ok(None);
            }
            if self.decode()? {
                self.take_decoded()?;
            } else {
                self.ended = true;
                self.take_intact()?;
                self.timeline
                    .finish()
                    .map_err(|_| self.error_without_times())?;
            }
        }
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
        self.seams = Seams::new(self.turn);
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

    /// Passes the decoded frame's luma on, unless it is damaged.
    fn take_decoded(&mut self) -> Result<(), ClipError> {
        let time_s = self.decoded_s();
        self.timeline.begin(time_s);
        let arrival = Arrival {
            stamp: self.decoded.pts(),
            time_s,
            intra: self.decoded.kind() == picture::Type::I,
            damaged: has_decode_errors(&self.decoded)
                || self.decoded.is_corrupt()
                || self.is_marked && has_undecoded_part(&self.decoded),
        };
        self.note_damage();
        if is_interlaced(&self.decoded) {
            let path = self.path.clone();
            return Err(ClipError::Interlaced { path });
        }
        if let Some((order, key)) = self.intact.arrived(&arrival) {
            self.check_size()?;
            let format = self.decoded.format();
            let image = self.take_luma().map_err(|why| match why {
                NoLuma::Format => ClipError::PixelFormat {
                    path: self.path.clone(),
                    format: format_name(format),
                },
                NoLuma::Rows => ClipError::RowsBottomUp {
                    path: self.path.clone(),
                },
            })?;
            self.intact
                .hold(order, time_s, Picture { time_s, key, image });
        }
        self.take_intact()
    }

    /// Puts the pictures that are known to be whole onto the timeline.
    fn take_intact(&mut self) -> Result<(), ClipError> {
        while let Some(picture) = self.intact.pop(self.ended) {
            self.timeline
                .push(picture.time_s, picture)
                .map_err(|_| self.error_without_times())?;
        }
        Ok(())
    }

    fn check_size(&self) -> Result<(), ClipError> {
        let size_px = (self.decoded.width(), self.decoded.height());
        if size_px == self.stored_size_px {
            return Ok(());
        }
        Err(ClipError::FrameSizeChanges {
            path: self.path.clone(),
            time_s: self.timeline.last_time_s().unwrap_or(0.0),
            first_px: self.stored_size_px,
            then_px: size_px,
        })
    }

    /// The decoded frame's luma, upright; leaves no frame behind.
    fn take_luma(&mut self) -> Result<GreyImage, NoLuma> {
        let frame = std::mem::replace(&mut self.decoded, Video::empty());
        upright_luma(frame, self.turn)
    }

    /// The container's time of the decoded frame.
    fn decoded_s(&self) -> Option<f64> {
        let ticks = self.decoded.timestamp()?;
        Some(seconds(ticks, self.time_base))
    }

    /// Decodes the next frame, damaged or not; `false` after the last one.
    fn decode(&mut self) -> Result<bool, ClipError> {
        let most_errors = self.claim.frames.unwrap_or(0).max(MOST_ERRORS_IN_A_ROW);
        while self.ending.losses_in_a_row() <= most_errors {
            match self.decoder.receive_frame(&mut self.decoded) {
                Ok(()) => {
                    self.ending.undecoded = 0;
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
            Ok(()) if packet.is_corrupt() => self.lose_in_container(packet.pts()),
            Ok(()) => {
                self.ending.packets += 1;
                self.ending.unread = 0;
                let order = self.intact.sent(packet.pts(), packet.is_key());
                self.watch.begin(&mut self.decoder, order);
                if self.decoder.send_packet(&packet).is_err() {
                    self.lose_in_decoder();
                }
            }
            Err(libav::Error::Eof) => {
                if self.decoder.send_eof().is_err() {
                    self.lose_in_decoder();
                }
            }
            Err(_) => self.lose_in_container(None),
        }
    }

    fn lose_in_container(&mut self, stamp: Option<i64>) {
        self.ending.packets += 1;
        self.ending.unread += 1;
        self.failures += 1;
        self.intact.packet_lost(stamp);
    }

    fn lose_in_decoder(&mut self) {
        self.ending.undecoded += 1;
        self.failures += 1;
        if !self.note_damage() {
            self.intact.decoder_failed();
        }
    }

    /// Notes what the decoder said of damage since the last time; whether it said any.
    fn note_damage(&mut self) -> bool {
        let damaged = self.watch.damaged();
        for &order in &damaged {
            self.intact.damage(order);
        }
        !damaged.is_empty()
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
        let end_s = self.timeline.last_time_s().unwrap_or(0.0);
        let interval_s = self.timeline.interval_s().unwrap_or(0.0);
        let ends_early = self.ending.losses_in_a_row() > 0
            || self
                .claim
                .goes_beyond(self.ending.packets, end_s, interval_s);
        let origin_s = self.timeline.origin_s().unwrap_or(0.0);
        let counted_to_s = if ends_early { end_s } else { f64::INFINITY };
        let in_clip_s = |&time_s: &f64| (time_s - origin_s).max(0.0);
        let lost_s = self.intact.lost_s().iter().map(in_clip_s);
        let lost_s = lost_s.filter(|&time_s| time_s < counted_to_s);
        let withheld_s: Vec<f64> = lost_s.collect();
        let handed_on_s = self.seams.damaged_s().to_vec();
        if !(withheld_s.is_empty() && handed_on_s.is_empty()) {
            warnings.push(ClipWarning::FramesLost {
                withheld_s,
                handed_on_s,
            });
        }
        if ends_early {
            warnings.push(ClipWarning::EndsEarly {
                frames: self.frames_taken,
                end_s,
                claimed_frames: self.claim.frames,
                claimed_s: self.claim.track_s.or(self.claim.container_s),
            });
        }
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
