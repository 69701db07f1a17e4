//! The measurement whose proposed numbers were entered.

use std::fmt;

use serde::{Deserialize, Serialize};

/// A measurement by its day and its clip; written to files as "2026-11-25, clips/tail.mp4".
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(from = "String", into = "String")]
pub struct Proposal {
    /// Day of the clip, as year, month and day; `None` where it is not known.
    pub date: Option<String>,
    /// The clip.
    pub clip: String,
}

impl fmt::Display for Proposal {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match &self.date {
            Some(date) => write!(f, "{date}, {}", self.clip),
            None => f.write_str(&self.clip),
        }
    }
}

impl From<Proposal> for String {
    fn from(proposal: Proposal) -> Self {
        proposal.to_string()
    }
}

impl From<String> for Proposal {
    fn from(text: String) -> Self {
        match text.split_once(", ").filter(|(date, _)| is_date(date)) {
            Some((date, clip)) => Self {
                date: Some(date.into()),
                clip: clip.into(),
            },
            None => Self {
                date: None,
                clip: text,
            },
        }
    }
}

/// Whether a text is a calendar date in the extended format of ISO 8601.
fn is_date(text: &str) -> bool {
    let form = b"0000-00-00";
    let is_alike = |(letter, form): (u8, &u8)| match form {
        b'0' => letter.is_ascii_digit(),
        dash => letter == *dash,
    };
    text.len() == form.len() && text.bytes().zip(form).all(is_alike)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn day_and_clip_survive_a_file_whatever_the_clip_is_called() {
        for (date, clip) in [
            (Some("2026-11-25"), "clips/heron, left.mp4"),
            (Some("2026-11-25"), "heron.mp4"),
            (None, "heron, left.mp4"),
            (None, "heron.mp4"),
        ] {
            let proposal = Proposal {
                date: date.map(Into::into),
                clip: clip.into(),
            };
            let text = serde_json::to_string(&proposal).unwrap();
            assert_eq!(
                serde_json::from_str::<Proposal>(&text).unwrap(),
                proposal,
                "{text}"
            );
        }
    }
}
