//! The state of a calibration as programs and pages read it.

use serde::Serialize;

use crate::bench::frames::tenth_px;
use crate::camera::calibration::{Board, Grade};
use crate::camera::guidance::{CHECK_VIEWS, Guidance, Kept, Look, Outcome, Part, Phase};

/// The state after a picture.
#[derive(Debug, Serialize)]
pub struct Shown {
    /// `fit`, `check` or `done`.
    phase: &'static str,
    /// `seen`, `not-seen`, `kept`, or nothing where there was no picture.
    board: Option<&'static str>,
    /// Why the board is not seen or the view not kept; what was kept.
    words: String,
    /// Number of the view that this picture became.
    kept: Option<usize>,
    crossings_px: Vec<[f64; 2]>,
    u_deg: Option<f64>,
    aim_deg: f64,
    grade: Option<&'static str>,
    fit_views: usize,
    check_views: usize,
    check_views_wanted: usize,
    coverage: Option<Coverage>,
    missing: Vec<String>,
    ask: Option<Ask>,
    check: Option<String>,
    /// Whether a fit is being computed.
    fitting: bool,
    /// Whether the picture of this request was dropped for a newer one.
    dropped: bool,
}

#[derive(Debug, Serialize)]
struct Coverage {
    columns: usize,
    rows: usize,
    counts: Vec<u32>,
}

#[derive(Debug, Serialize)]
struct Ask {
    outline_px: [[f64; 2]; 4],
    words: String,
}

impl Shown {
    /// The state, after a look at a picture.
    pub fn of(engine: &Guidance, look: Option<Look>, board: &Board) -> Self {
        let standing = engine.standing();
        let (seen, words, kept) = match look.as_ref().map(|look| &look.outcome) {
            None => (None, String::new(), None),
            Some(Outcome::NotSeen(why)) => (Some("not-seen"), why.words(board), None),
            Some(Outcome::NotKept(why)) => (Some("seen"), why.words().into(), None),
            Some(Outcome::Kept(kept)) => (Some("kept"), kept_words(kept), Some(kept.number)),
        };
        let crossings = look.into_iter().flat_map(|look| look.crossings_px);
        Self {
            phase: match standing.phase {
                Phase::Fit => "fit",
                Phase::Check => "check",
                Phase::Done => "done",
            },
            board: seen,
            words,
            kept,
            crossings_px: crossings.map(tenth_px).collect(),
            u_deg: standing.u_deg,
            aim_deg: standing.aim_deg,
            grade: standing.grade.as_ref().map(Grade::words),
            fit_views: standing.fit_views,
            check_views: standing.check_views,
            check_views_wanted: CHECK_VIEWS,
            coverage: standing.coverage.map(|coverage| Coverage {
                columns: coverage.columns,
                rows: coverage.rows,
                counts: coverage.counts,
            }),
            missing: standing.missing,
            ask: standing.ask.map(|ask| Ask {
                outline_px: ask.outline_px.map(tenth_px),
                words: ask.words,
            }),
            check: standing.check.map(|check| check.words()),
            fitting: standing.is_behind,
            dropped: false,
        }
    }

    /// The same for a picture that was dropped.
    pub fn dropped(self) -> Self {
        Self {
            dropped: true,
            ..self
        }
    }
}

fn kept_words(kept: &Kept) -> String {
    match kept.part {
        Part::Fit => format!("Kept: view {}.", kept.number),
        Part::Check => format!("Kept to check the profile: view {}.", kept.number),
    }
}
