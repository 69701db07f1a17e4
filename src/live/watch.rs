//! Watches for what spoils figures: a bumped camera, a changed zoom, an exchanged tag.

use crate::motion::{HeldFit, HeldFrame, Spoiled};

/// A fault is named when it has lasted so long, s: a hand that passes does not.
const NAMED_AFTER_S: f64 = 0.3;
/// … and it is gone when all has fitted for so long, s.
const CURED_AFTER_S: f64 = 0.2;
/// The cause is sought again after so long, s: seeking takes as long as a few frames.
const SOUGHT_EVERY_S: f64 = 0.1;
/// A tag is exchanged if its corners are off by so much, px, root mean square; less is a shadow or a bend.
const EXCHANGED_PX: f64 = 0.5;

/// A fault that may have begun.
#[derive(Debug, Clone)]
struct Suspect {
    since_s: f64,
    sought_s: f64,
    cause: Spoiled,
}

/// The faults of a session by the constants of its fit.
#[derive(Debug, Default)]
pub(super) struct Watch {
    suspect: Option<Suspect>,
    named: Option<Spoiled>,
    /// Since when all fits.
    good_since_s: Option<f64>,
}

impl Watch {
    /// Looks at the next frame.
    pub fn look(&mut self, held: &HeldFit, frame: &HeldFrame) {
        if frame.tags.is_empty() {
            return;
        }
        if !held.is_suspect(frame) {
            self.suspect = None;
            let since_s = *self.good_since_s.get_or_insert(frame.time_s);
            if frame.time_s - since_s >= CURED_AFTER_S {
                self.named = None;
            }
            return;
        }
        self.good_since_s = None;
        let sought_s = self.suspect.as_ref().map(|suspect| suspect.sought_s);
        if sought_s.is_none_or(|sought_s| frame.time_s - sought_s >= SOUGHT_EVERY_S) {
            self.seek(held, frame);
        }
        if let Some(suspect) = &self.suspect
            && frame.time_s - suspect.since_s >= NAMED_AFTER_S
        {
            self.named = Some(suspect.cause.clone());
        }
    }

    fn seek(&mut self, held: &HeldFit, frame: &HeldFrame) {
        let Some(cause) = held.spoiled(frame) else {
            self.suspect = None;
            return;
        };
        let before = self.suspect.as_ref();
        let same = before.filter(|it| same_kind(&it.cause, &cause));
        self.suspect = Some(Suspect {
            since_s: same.map_or(frame.time_s, |it| it.since_s),
            sought_s: frame.time_s,
            cause,
        });
    }

    /// Whether no figure of the newest frame can be shown.
    pub fn spoils_all(&self) -> bool {
        let whole = |cause: &Spoiled| matches!(cause, Spoiled::CameraMoved | Spoiled::Zoom(_));
        self.named.as_ref().is_some_and(whole)
            || self.suspect.as_ref().is_some_and(|it| whole(&it.cause))
    }

    /// Whether the newest frame may go into a fit: all fits, or the camera has another place.
    pub fn is_of_use(&self) -> bool {
        match (&self.named, &self.suspect) {
            (None, None) => true,
            (Some(Spoiled::CameraMoved), Some(now)) => now.cause == Spoiled::CameraMoved,
            _ => false,
        }
    }

    /// What has lasted long enough to be named.
    pub fn named(&self) -> Option<&Spoiled> {
        self.named.as_ref()
    }

    /// The tags of surfaces that are named as exchanged.
    pub fn exchanged(&self, frame: Option<&HeldFrame>) -> Vec<u32> {
        let Some(Spoiled::Tags(tags)) = &self.named else {
            return vec![];
        };
        let far = |tag_id: &&u32| {
            let mut seen = frame.iter().flat_map(|frame| &frame.tags);
            seen.any(|tag| tag.tag_id == **tag_id && !tag.fits && tag.rms_px > EXCHANGED_PX)
        };
        tags.iter().filter(far).copied().collect()
    }
}

fn same_kind(a: &Spoiled, b: &Spoiled) -> bool {
    match (a, b) {
        (Spoiled::Tags(a), Spoiled::Tags(b)) => a.iter().any(|tag| b.contains(tag)),
        _ => std::mem::discriminant(a) == std::mem::discriminant(b),
    }
}
