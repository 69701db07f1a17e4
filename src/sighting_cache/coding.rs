//! Coding: a search as a file that grows with it, exact to the bit.
//!
//! [`MAGIC`], then blocks: the length of the block, a value as `postcard` writes it, and the
//! fingerprint of the whole file up to there, both numbers little-endian in eight bytes. The first
//! block is the identity; parts of the search follow, and the end once it is finished. Everything
//! from the first damaged block on is ignored.

use serde::de::DeserializeOwned;
use serde::{Deserialize, Serialize};

use super::fingerprint::Fingerprint;
use crate::clip::ClipWarning;
use crate::tags::{Checkpoint, SightedFrame, TrackerState};

/// Start of every file; the number changes with the layout.
const MAGIC: &[u8; 8] = b"hwsight8";

/// Contents after the identity; borrowed for writing, owned when read.
#[derive(Serialize, Deserialize)]
enum Block<Frames, TrackerState, Warnings> {
    /// Frames searched since the part before, and the state after them.
    Part(Frames, TrackerState),
    /// The search is finished; warnings about the clip from reading it.
    End(Warnings),
}

type OwnedBlock = Block<Vec<SightedFrame>, TrackerState, Vec<ClipWarning>>;
type BorrowedBlock<'a> = Block<&'a [SightedFrame], &'a TrackerState, &'a [ClipWarning]>;

/// Encodes the blocks of one file in turn.
#[derive(Debug, Clone, Copy)]
pub(super) struct Coder {
    before: Fingerprint,
}

impl Coder {
    fn new() -> Self {
        Self {
            before: Fingerprint::new().and(MAGIC),
        }
    }

    /// A new file, and its first bytes.
    pub fn begin(identity: &str) -> Option<(Self, Vec<u8>)> {
        let mut coder = Self::new();
        let block = coder.block(identity)?;
        Some((coder, [MAGIC.as_slice(), &block].concat()))
    }

    /// The bytes of a part.
    pub fn part(&mut self, frames: &[SightedFrame], memory: &TrackerState) -> Option<Vec<u8>> {
        self.block(&BorrowedBlock::Part(frames, memory))
    }

    /// The bytes of the end.
    pub fn end(&mut self, warnings: &[ClipWarning]) -> Option<Vec<u8>> {
        self.block(&BorrowedBlock::End(warnings))
    }

    fn block<T: Serialize + ?Sized>(&mut self, value: &T) -> Option<Vec<u8>> {
        Some(self.sealed(postcard::to_stdvec(value).ok()?))
    }

    /// The block of a value that is coded already.
    fn sealed(&mut self, value: Vec<u8>) -> Vec<u8> {
        let mut bytes = (value.len() as u64).to_le_bytes().to_vec();
        bytes.extend(value);
        self.before = self.before.and(&bytes);
        let fingerprint = self.before.value().to_le_bytes();
        self.before = self.before.and(&fingerprint);
        bytes.extend(fingerprint);
        bytes
    }
}

/// Contents of a file.
pub(super) struct Decoded {
    /// The search up to the last part; `None` before the first.
    pub checkpoint: Option<Checkpoint>,
    /// Number of valid bytes, and the coder for further ones.
    pub length: u64,
    pub coder: Coder,
    /// The end of the search; `None` if it was interrupted.
    pub end: Option<Vec<ClipWarning>>,
}

/// The valid contents for this identity; `None` for any other file.
pub(super) fn decode(bytes: &[u8], identity: &str) -> Option<Decoded> {
    let mut reader = Reader {
        rest: bytes.strip_prefix(MAGIC)?,
        coder: Coder::new(),
    };
    if reader.block::<String>()? != identity {
        return None;
    }
    let position = |reader: &Reader| (bytes.len() - reader.rest.len()) as u64;
    let mut decoded = Decoded {
        checkpoint: None,
        length: position(&reader),
        coder: reader.coder,
        end: None,
    };
    while let Some(block) = reader.block::<OwnedBlock>() {
        match block {
            Block::Part(frames, memory) => {
                let mut before = decoded
                    .checkpoint
                    .map_or(Vec::new(), |checkpoint| checkpoint.frames);
                before.extend(frames);
                decoded.checkpoint = Some(Checkpoint {
                    frames: before,
                    memory,
                });
                decoded.length = position(&reader);
                decoded.coder = reader.coder;
            }
            Block::End(warnings) => {
                decoded.end = reader.rest.is_empty().then_some(warnings);
                break;
            }
        }
    }
    Some(decoded)
}

/// Reads the blocks of one file in turn.
struct Reader<'a> {
    rest: &'a [u8],
    coder: Coder,
}

impl Reader<'_> {
    fn block<T: DeserializeOwned>(&mut self) -> Option<T> {
        let (length, rest) = self.rest.split_first_chunk::<8>()?;
        let (value, rest) =
            rest.split_at_checked(usize::try_from(u64::from_le_bytes(*length)).ok()?)?;
        let (fingerprint, rest) = rest.split_first_chunk::<8>()?;
        let before = self.coder.before.and(length).and(value);
        if before.value() != u64::from_le_bytes(*fingerprint) {
            return None;
        }
        self.rest = rest;
        self.coder.before = before.and(fingerprint);
        postcard::from_bytes(value).ok()
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use nalgebra::Point2;
    use proptest::prelude::*;

    use super::*;
    use crate::landmarks::LandmarkSighting;
    use crate::tags::{CornerCovariance, DropReason, Dropped, Sighting, TagPlan};

    const IDENTITY: &str = "a search";

    fn frames(indices: std::ops::Range<usize>) -> Vec<SightedFrame> {
        let sighting = Sighting {
            tag_id: 586,
            corners_px: [0.1, -0.0, 1e300, f64::MIN_POSITIVE].map(|x| Point2::new(x, 1.0 / 3.0)),
            // Not symmetric: every entry must return at its own place.
            covariance_px2: CornerCovariance::from_fn(|row, column| {
                (row * 8 + column) as f32 / 7.0
            }),
        };
        let frame = |index| SightedFrame {
            index,
            time_s: index as f64 / 29.97,
            sightings: vec![sighting.clone(); index],
            dropped: vec![Dropped {
                tag_id: 3,
                reason: DropReason::PartlyHidden,
            }],
            landmarks: vec![LandmarkSighting {
                number: 7,
                place_px: Point2::new(0.1, 1919.9),
            }],
        };
        indices.map(frame).collect()
    }

    fn memory() -> TrackerState {
        let plan = TagPlan {
            expected: [0, 10, 11].into(),
            airframe: [0].into(),
            cards: [100].into(),
        };
        Checkpoint::new(&plan).unwrap().memory
    }

    fn warnings() -> Vec<ClipWarning> {
        let ends_early = |claimed_s, claimed_frames| ClipWarning::EndsEarly {
            frames: 3,
            end_s: 0.1,
            claimed_s,
            claimed_frames,
        };
        vec![
            ClipWarning::TimesRebuilt {
                rebuilt: 2,
                first_s: 0.5,
            },
            ClipWarning::FramesLost {
                withheld_s: vec![0.5],
                handed_on_s: vec![1.0 / 3.0, 2.0],
            },
            ends_early(None, Some(9)),
            ends_early(Some(0.3), None),
        ]
    }

    /// A finished file, and the end of each of its blocks.
    fn encoded() -> (Vec<u8>, [usize; 4]) {
        let (mut coder, mut bytes) = Coder::begin(IDENTITY).unwrap();
        let mut ends = [bytes.len(); 4];
        for (end, range) in ends[1..3].iter_mut().zip([0..1, 1..3]) {
            bytes.extend(coder.part(&frames(range), &memory()).unwrap());
            *end = bytes.len();
        }
        bytes.extend(coder.end(&warnings()).unwrap());
        ends[3] = bytes.len();
        (bytes, ends)
    }

    #[test]
    fn what_was_kept_comes_back_bit_for_bit() {
        let (bytes, _) = encoded();
        let decoded = decode(&bytes, IDENTITY).unwrap();
        let checkpoint = decoded.checkpoint.unwrap();
        assert_eq!(checkpoint.frames, frames(0..3));
        assert_eq!(checkpoint.memory, memory());
        assert_eq!(decoded.end, Some(warnings()));
        assert!(decode(&bytes, "another search").is_none());
    }

    #[test]
    fn a_file_that_breaks_off_is_believed_up_to_its_last_whole_part() {
        let (bytes, ends) = encoded();
        for length in 0..bytes.len() {
            let decoded = decode(&bytes[..length], IDENTITY);
            let whole = ends.iter().filter(|&&end| end <= length).count();
            let Some(decoded) = decoded else {
                assert_eq!(whole, 0, "{length}");
                continue;
            };
            let seen = decoded
                .checkpoint
                .map_or(0, |checkpoint| checkpoint.frames.len());
            assert_eq!(seen, [0, 1, 3][whole - 1], "{length}");
            assert_eq!(decoded.length, ends[whole - 1] as u64, "{length}");
            assert_eq!(decoded.end, None, "{length}");
        }
    }

    #[test]
    fn a_file_that_broke_off_grows_on_as_if_it_had_not() {
        let (bytes, ends) = encoded();
        let mut cut = bytes[..ends[2] - 5].to_vec();
        let decoded = decode(&cut, IDENTITY).unwrap();
        cut.truncate(decoded.length as usize);
        let mut coder = decoded.coder;
        cut.extend(coder.part(&frames(1..3), &memory()).unwrap());
        cut.extend(coder.end(&warnings()).unwrap());
        assert_eq!(cut, bytes);
    }

    #[test]
    fn no_block_is_believed_after_a_changed_byte() {
        let (bytes, ends) = encoded();
        for place in 0..bytes.len() {
            let mut spoiled = bytes.clone();
            spoiled[place] ^= 1;
            let whole = ends.iter().filter(|&&end| end <= place).count();
            let decoded = decode(&spoiled, IDENTITY);
            let length = decoded.as_ref().map_or(0, |decoded| decoded.length);
            let believed = [0, ends[0], ends[1], ends[2]][whole];
            assert_eq!(length, believed as u64, "{place}");
            assert!(
                decoded.is_none_or(|decoded| decoded.end.is_none()),
                "{place}"
            );
        }
    }

    #[test]
    fn forged_counts_end_in_nothing() {
        // Right fingerprints around a list with a wrong length.
        let (mut coder, mut bytes) = Coder::begin(IDENTITY).unwrap();
        let claims_much = [0, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0x7f];
        bytes.extend(coder.block(claims_much.as_slice()).unwrap());
        let decoded = decode(&bytes, IDENTITY).unwrap();
        assert!(decoded.checkpoint.is_none());
        assert!(decoded.end.is_none());
    }

    proptest! {
        #[test]
        fn a_forged_block_is_read_as_a_search_or_ignored(
            changes in prop::collection::vec((0.0..1.0f64, any::<u8>()), 1..8),
            kept in 0.0..1.2f64,
        ) {
            let (frames, memory) = (frames(0..3), memory());
            let part = BorrowedBlock::Part(&frames, &memory);
            let mut value = postcard::to_stdvec(&part).unwrap();
            for (place, byte) in changes {
                let place = (place * value.len() as f64) as usize;
                value[place] = byte;
            }
            value.truncate((kept * value.len() as f64) as usize);
            let (mut coder, mut bytes) = Coder::begin(IDENTITY).unwrap();
            bytes.extend(coder.sealed(value));
            let decoded = decode(&bytes, IDENTITY).unwrap();
            prop_assert!(decoded.length <= bytes.len() as u64);
        }
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
