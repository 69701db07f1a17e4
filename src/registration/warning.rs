//! Doubts about a clip that shows the level position.

use super::NotLaid;
use crate::warning::Warning;

/// The clip that shows the level position is not used.
#[derive(Debug, Clone, PartialEq)]
pub struct LevelNotUsed {
    /// The clip.
    pub clip: String,
    /// Why.
    pub because: LevelFault,
}

/// What is wrong with a clip that shows the level position.
#[derive(Debug, Clone, PartialEq)]
pub enum LevelFault {
    /// No tag could be measured in it: what the search says.
    NotSearched(String),
    /// The measured clip does not say where its tags are at neutral.
    NoPlaces,
    /// The measured clip shows several functions, and not all of them need be held level.
    SeveralFunctions,
    /// It cannot be laid over the measured clip.
    NotLaid(NotLaid),
}

impl Warning for LevelNotUsed {
    fn code(&self) -> &'static str {
        "level-not-used"
    }

    fn text(&self) -> String {
        let because = match &self.because {
            LevelFault::NotSearched(reason) => reason.clone(),
            LevelFault::NoPlaces => {
                "the measured clip does not say where its tags are at neutral".into()
            }
            LevelFault::SeveralFunctions => "the measured clip shows several functions".into(),
            LevelFault::NotLaid(NotLaid::TooFewTags { seen }) if seen.is_empty() => {
                "none of the measured tags was seen in it".into()
            }
            LevelFault::NotLaid(NotLaid::TooFewTags { .. }) => {
                "no frame shows two of the measured tags together, one of them on a surface".into()
            }
            LevelFault::NotLaid(NotLaid::DoesNotFit { misfit }) => format!(
                "its tags do not fit the measured clip (squared misfit {misfit:.0}, at most {:.0}): a tag \
                 was moved between the clips, or a surface moved while it was held",
                super::LARGEST_RESTING_MISFIT
            ),
            LevelFault::NotLaid(NotLaid::NotSettled) => {
                "its tags fit the measured clip nowhere".into()
            }
        };
        format!(
            "the level clip {} is not used, so each side counts from its own neutral: {because}",
            self.clip
        )
    }

    fn mend(&self) -> String {
        match self.because {
            LevelFault::NotSearched(_) | LevelFault::NotLaid(NotLaid::TooFewTags { .. }) => {
                "film the level position from where the main clip was filmed, with all tags sharp and in \
                 view"
            }
            LevelFault::SeveralFunctions => {
                "choose the function whose surfaces are held level with --function"
            }
            LevelFault::NoPlaces => "film the main clip again with an airframe tag in view",
            LevelFault::NotLaid(_) => {
                "leave all tags on between the two clips, hold the surfaces still, and film both clips \
                 again if a tag came off"
            }
        }
        .into()
    }
}
