//! Coding: sightings as bytes and back, bit for bit.
//!
//! Little-endian throughout: [`MAGIC`], the identity, the warnings, the frames, and last the
//! fingerprint of all before it. Whatever does not read back whole is taken for nothing.

use nalgebra::Point2;

use super::fingerprint::Fingerprint;
use crate::tags::{CornerCovariance, DropReason, Dropped, SightedFrame, Sighting};
use crate::warning::Warning;

/// Begins every file; the number changes with the layout.
const MAGIC: &[u8; 8] = b"hwsight1";

/// Why a tag was dropped, in the order of its number in the file.
const REASONS: [DropReason; 5] = [
    DropReason::TooSmall,
    DropReason::Blurred,
    DropReason::CutOff,
    DropReason::PartlyHidden,
    DropReason::NotFound,
];

/// What a search of a clip brought.
#[derive(Debug, Clone, PartialEq)]
pub struct Searched {
    /// Every frame, in the order of presentation.
    pub frames: Vec<SightedFrame>,
    /// Doubts about the clip that arose while it was read.
    pub warnings: Vec<Warning>,
}

/// The bytes of a file; `None` if a warning is not one that reading a clip can raise.
pub(super) fn encode(
    identity: &str,
    frames: &[SightedFrame],
    warnings: &[Warning],
) -> Option<Vec<u8>> {
    let mut out = Writer(MAGIC.to_vec());
    out.bytes(identity.as_bytes());
    out.count(warnings.len());
    for warning in warnings {
        out.warning(warning)?;
    }
    out.count(frames.len());
    for frame in frames {
        out.frame(frame);
    }
    let fingerprint = Fingerprint::new().and(&out.0).value();
    out.u64(fingerprint);
    Some(out.0)
}

/// What [`encode`] wrote for this identity; `None` for anything else.
pub(super) fn decode(bytes: &[u8], identity: &str) -> Option<Searched> {
    let (body, fingerprint) = bytes.split_last_chunk::<8>()?;
    if Fingerprint::new().and(body).value() != u64::from_le_bytes(*fingerprint) {
        return None;
    }
    let mut rest = Reader(body.strip_prefix(MAGIC)?);
    if rest.bytes()? != identity.as_bytes() {
        return None;
    }
    let warnings = rest.list(Reader::warning)?;
    let frames = rest.list(Reader::frame)?;
    rest.0.is_empty().then_some(Searched { frames, warnings })
}

struct Writer(Vec<u8>);

impl Writer {
    fn u64(&mut self, value: u64) {
        self.0.extend(value.to_le_bytes());
    }

    fn count(&mut self, value: usize) {
        self.u64(value as u64);
    }

    fn f64(&mut self, value: f64) {
        self.u64(value.to_bits());
    }

    fn id(&mut self, tag_id: u32) {
        self.u64(tag_id.into());
    }

    fn bytes(&mut self, bytes: &[u8]) {
        self.count(bytes.len());
        self.0.extend(bytes);
    }

    /// A number that may be missing, after its presence.
    fn optional(&mut self, value: Option<u64>) {
        self.u64(value.is_some().into());
        self.u64(value.unwrap_or(0));
    }

    fn warning(&mut self, warning: &Warning) -> Option<()> {
        match *warning {
            Warning::FrameTimesRebuilt { rebuilt, first_s } => {
                self.u64(0);
                self.count(rebuilt);
                self.f64(first_s);
            }
            Warning::FramesLost {
                lost,
                first_after_s,
            } => {
                self.u64(1);
                self.u64(lost);
                self.f64(first_after_s);
            }
            Warning::ClipEndsEarly {
                frames,
                end_s,
                claimed_s,
                claimed_frames,
            } => {
                self.u64(2);
                self.count(frames);
                self.f64(end_s);
                self.optional(claimed_s.map(f64::to_bits));
                self.optional(claimed_frames);
            }
            _ => return None,
        }
        Some(())
    }

    fn frame(&mut self, frame: &SightedFrame) {
        self.count(frame.index);
        self.f64(frame.time_s);
        self.count(frame.sightings.len());
        for sighting in &frame.sightings {
            self.id(sighting.tag_id);
            for corner in &sighting.corners_px {
                self.f64(corner.x);
                self.f64(corner.y);
            }
            for &entry in &sighting.covariance_px2 {
                self.f64(entry);
            }
        }
        self.count(frame.dropped.len());
        for dropped in &frame.dropped {
            self.id(dropped.tag_id);
            let reason = REASONS.iter().position(|reason| *reason == dropped.reason);
            self.count(reason.unwrap_or(REASONS.len()));
        }
    }
}

struct Reader<'a>(&'a [u8]);

impl<'a> Reader<'a> {
    fn u64(&mut self) -> Option<u64> {
        let (value, rest) = self.0.split_first_chunk::<8>()?;
        self.0 = rest;
        Some(u64::from_le_bytes(*value))
    }

    fn count(&mut self) -> Option<usize> {
        self.u64()?.try_into().ok()
    }

    fn f64(&mut self) -> Option<f64> {
        self.u64().map(f64::from_bits)
    }

    fn id(&mut self) -> Option<u32> {
        self.u64()?.try_into().ok()
    }

    fn bytes(&mut self) -> Option<&'a [u8]> {
        let length = self.count()?;
        let (bytes, rest) = self.0.split_at_checked(length)?;
        self.0 = rest;
        Some(bytes)
    }

    fn optional(&mut self) -> Option<Option<u64>> {
        let present = self.u64()? != 0;
        let value = self.u64()?;
        Some(present.then_some(value))
    }

    /// Grows with what is really there, so that a wrong count asks for no memory.
    fn list<T>(&mut self, mut item: impl FnMut(&mut Self) -> Option<T>) -> Option<Vec<T>> {
        let mut items = Vec::new();
        for _ in 0..self.count()? {
            items.push(item(self)?);
        }
        Some(items)
    }

    fn warning(&mut self) -> Option<Warning> {
        Some(match self.u64()? {
            0 => Warning::FrameTimesRebuilt {
                rebuilt: self.count()?,
                first_s: self.f64()?,
            },
            1 => Warning::FramesLost {
                lost: self.u64()?,
                first_after_s: self.f64()?,
            },
            2 => Warning::ClipEndsEarly {
                frames: self.count()?,
                end_s: self.f64()?,
                claimed_s: self.optional()?.map(f64::from_bits),
                claimed_frames: self.optional()?,
            },
            _ => return None,
        })
    }

    fn frame(&mut self) -> Option<SightedFrame> {
        Some(SightedFrame {
            index: self.count()?,
            time_s: self.f64()?,
            sightings: self.list(Self::sighting)?,
            dropped: self.list(|rest| {
                Some(Dropped {
                    tag_id: rest.id()?,
                    reason: *REASONS.get(rest.count()?)?,
                })
            })?,
        })
    }

    fn sighting(&mut self) -> Option<Sighting> {
        let tag_id = self.id()?;
        let mut corners_px = [Point2::origin(); 4];
        for corner in &mut corners_px {
            *corner = Point2::new(self.f64()?, self.f64()?);
        }
        let mut covariance_px2 = CornerCovariance::zeros();
        for entry in &mut covariance_px2 {
            *entry = self.f64()?;
        }
        Some(Sighting {
            tag_id,
            corners_px,
            covariance_px2,
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn searched() -> Searched {
        let sighting = Sighting {
            tag_id: 586,
            corners_px: [0.1, -0.0, 1e300, f64::MIN_POSITIVE].map(|x| Point2::new(x, 1.0 / 3.0)),
            // Not symmetric: every entry has to come back at its own place.
            covariance_px2: CornerCovariance::from_fn(|row, column| {
                (row * 8 + column) as f64 / 7.0
            }),
        };
        let dropped = REASONS.map(|reason| Dropped { tag_id: 3, reason });
        let frame = |index| SightedFrame {
            index,
            time_s: index as f64 / 29.97,
            sightings: vec![sighting.clone(); index],
            dropped: dropped.to_vec(),
        };
        let ends_early = |claimed_s, claimed_frames| Warning::ClipEndsEarly {
            frames: 3,
            end_s: 0.1,
            claimed_s,
            claimed_frames,
        };
        Searched {
            frames: (0..3).map(frame).collect(),
            warnings: vec![
                Warning::FrameTimesRebuilt {
                    rebuilt: 2,
                    first_s: 0.5,
                },
                Warning::FramesLost {
                    lost: 7,
                    first_after_s: 1.0 / 3.0,
                },
                ends_early(None, Some(9)),
                ends_early(Some(0.3), None),
            ],
        }
    }

    fn encoded() -> Vec<u8> {
        let searched = searched();
        encode("a search", &searched.frames, &searched.warnings).unwrap_or_default()
    }

    #[test]
    fn what_was_kept_comes_back_bit_for_bit() {
        assert_eq!(decode(&encoded(), "a search"), Some(searched()));
        assert_eq!(decode(&encoded(), "another search"), None);
    }

    #[test]
    fn no_cut_and_no_changed_byte_is_believed() {
        let whole = encoded();
        for length in 0..whole.len() {
            assert_eq!(decode(&whole[..length], "a search"), None, "{length}");
        }
        for place in 0..whole.len() {
            let mut spoiled = whole.clone();
            spoiled[place] ^= 1;
            assert_eq!(decode(&spoiled, "a search"), None, "{place}");
        }
    }

    #[test]
    fn forged_counts_end_in_nothing() {
        // A right fingerprint around a list that claims more than there is.
        let mut out = Writer(MAGIC.to_vec());
        out.bytes(b"a search");
        out.u64(u64::MAX);
        let fingerprint = Fingerprint::new().and(&out.0).value();
        out.u64(fingerprint);
        assert_eq!(decode(&out.0, "a search"), None);
    }

    #[test]
    fn warnings_of_later_stages_are_not_kept() {
        assert_eq!(encode("a search", &[], &[Warning::NoAirframeTag]), None);
    }

    #[test]
    fn the_fingerprint_is_the_published_one() {
        // Test vectors of FNV-1a, 64 bits, as published with it (draft-eastlake-fnv, appendix).
        let of = |text: &str| Fingerprint::new().and(text.as_bytes()).value();
        assert_eq!(of(""), 0xcbf2_9ce4_8422_2325);
        assert_eq!(of("a"), 0xaf63_dc4c_8601_ec8c);
        assert_eq!(of("foobar"), 0x8594_4171_f739_67e8);
    }
}
