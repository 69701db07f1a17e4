//! The search of a job's clip: as many sightings as possible come from the cache.

use super::{Cache, Job};
use crate::clip::{Clip, ClipWarning, Frame, drop_damaged};
use crate::commands::CommandError;
use crate::sighting_cache::{Before, SightingCache};
use crate::tags::{self, Checkpoint, Sightings, TagPlan};

/// How many sightings come from an earlier search for the same tags.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum CacheHit {
    /// None; the clip was searched.
    Nothing,
    /// Those of an interrupted search, which was resumed.
    Until {
        /// Time of the last frame of the earlier search.
        time_s: f64,
    },
    /// All; the clip was not searched.
    All,
}

impl Job<'_> {
    /// Clip → sightings, from the cache as far as possible; also the clip's first frame, if it is read.
    pub(in crate::commands) fn search(
        &self,
        clip: Clip,
        first: &mut Option<Frame>,
        warnings: &mut Vec<ClipWarning>,
    ) -> Result<(Sightings, CacheHit), CommandError> {
        let info = clip.info().clone();
        let plan = TagPlan::of(self.model);
        let place = |folder| SightingCache::new(folder, &info, &self.clip_options, &plan);
        let taken = match &self.cache {
            Cache::Off => None,
            Cache::In(folder) => place(folder).map(SightingCache::resume),
            Cache::RefreshedIn(folder) => place(folder).map(SightingCache::start_over),
        };
        let (mut keeping, before) = taken.unwrap_or_default();
        let cache_hit = CacheHit::of(&before);
        let checkpoint = match before {
            Before::All(kept) => {
                let sightings = Sightings {
                    clip: info,
                    frames: kept.frames,
                    overview: kept.overview,
                };
                return Ok((without_damaged(sightings, kept.doubts, warnings), cache_hit));
            }
            Before::Part(checkpoint) => *checkpoint,
            Before::Nothing => Checkpoint::new(&plan)?,
        };
        let mut frames = clip.into_stream()?;
        let progress = self.progress.as_ref();
        let wanted = |_: &_| !progress.is_cancelled();
        let read = frames.by_ref().take_while(wanted).inspect(|frame| {
            if let (None, Ok(frame)) = (&first, frame) {
                *first = Some(frame.clone());
            }
        });
        let sightings = tags::sight_on(read, &info, &plan, checkpoint, &mut keeping, progress);
        // The cache keeps a cancelled search as the beginning of a search, not as a whole one.
        self.go_on()?;
        let sightings = sightings?;
        let doubts = frames.finish();
        if let Some(keeping) = keeping {
            keeping.finish(&doubts);
        }
        Ok((without_damaged(sightings, doubts, warnings), cache_hit))
    }
}

/// The sightings without those of damaged frames; `doubts` join the warnings.
fn without_damaged(
    mut sightings: Sightings,
    doubts: Vec<ClipWarning>,
    warnings: &mut Vec<ClipWarning>,
) -> Sightings {
    drop_damaged(&mut sightings.frames, |frame| frame.time_s, &doubts);
    warnings.extend(doubts);
    sightings
}

impl CacheHit {
    fn of(before: &Before) -> Self {
        match before {
            Before::All(_) => Self::All,
            Before::Part(checkpoint) => {
                checkpoint
                    .frames
                    .last()
                    .map_or(Self::Nothing, |frame| Self::Until {
                        time_s: frame.time_s,
                    })
            }
            Before::Nothing => Self::Nothing,
        }
    }

    /// The name of the stage that made the sightings.
    pub(super) fn stage(self) -> &'static str {
        if self == Self::All {
            "cached sightings"
        } else {
            "clip and tags"
        }
    }
}
