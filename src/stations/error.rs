//! Errors of finding holds, and what the user can do about them.

use std::fmt;
use std::path::PathBuf;

use thiserror::Error;

use super::seen_rest::SeenRest;
use crate::names;

/// Rests by their numbers and times; their deflections have no zero that means anything to a user.
fn numbered(seen: &[SeenRest]) -> String {
    let rests = (1..).zip(seen).map(|(number, rest)| {
        let [from_s, to_s] = rest.time_s;
        format!("hold {number} at {from_s:.1}–{to_s:.1} s")
    });
    rests.collect::<Vec<_>>().join(", ")
}

/// A rest during which cards of different stations were seen.
#[derive(Debug, Clone, PartialEq)]
pub struct CardConflict {
    /// First and last time of the rest.
    pub time_s: [f64; 2],
    /// Ids of the cards, rising.
    pub ids: Vec<u32>,
}

impl fmt::Display for CardConflict {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let ids: Vec<String> = self.ids.iter().map(u32::to_string).collect();
        let [from, to] = self.time_s;
        write!(f, "cards {} at {from:.1}–{to:.1} s", ids.join(" and "))
    }
}

/// Errors of the stations stage.
#[derive(Debug, Clone, PartialEq, Error)]
pub enum StationsError {
    /// No span of rest was found.
    #[error("no hold was found: the surfaces never rest for {shortest_rest_s:.2} s")]
    NoHold {
        /// Shortest rest that was looked for.
        shortest_rest_s: f64,
    },
    /// None of the rests showed a card.
    #[error(
        "{rests} holds were found, but no declared station card was seen in any of them{}",
        instead(strangers)
    )]
    NoCard {
        /// Number of rests.
        rests: usize,
        /// Undeclared tags that were seen in them, rising.
        strangers: Vec<u32>,
    },
    /// All holds are at one station.
    #[error("all {rests} holds are at {stick_pct:+.0} %: one station shows no response")]
    OneStation {
        /// The station.
        stick_pct: f64,
        /// Number of holds with a station.
        rests: usize,
    },
    /// Two stations are swapped.
    #[error(
        "{:+.0} % and {:+.0} %{} are swapped: as declared, the deflections are {as_declared_deg:.1}° off a \
         smooth response, and {exchanged_deg:.1}° with the two swapped",
        sticks_pct[0], sticks_pct[1],
        cards.map_or(String::new(), |[one, other]| format!(" (cards {one} and {other})"))
    )]
    StationsExchanged {
        /// The two stations.
        sticks_pct: [f64; 2],
        /// Their cards, if cards give the stations.
        cards: Option<[u32; 2]>,
        /// Distance from a smooth response as declared.
        as_declared_deg: f64,
        /// The same with the two exchanged.
        exchanged_deg: f64,
    },
    /// Too few pictures a second to separate holds from moves, and the resulting error.
    #[error(
        "the pictures are {interval_s:.2} s apart, too far to separate holds from moves: {because}"
    )]
    PicturesTooFar {
        /// Median time from one picture to the next.
        interval_s: f64,
        /// The resulting error.
        because: Box<StationsError>,
    },
    /// The surfaces move for long where holds were declared, and the resulting error.
    #[error(
        "from {:.1} s to {:.1} s the surfaces move without a rest, as in a sweep: {because}",
        time_s[0], time_s[1]
    )]
    SweepWithoutHolds {
        /// First and last time of the move.
        time_s: [f64; 2],
        /// The resulting error.
        because: Box<StationsError>,
    },
    /// Rests that show cards of different stations.
    #[error("station cards contradict each other: {}", list(conflicts, "; "))]
    CardsContradict {
        /// Every such rest, in time.
        conflicts: Vec<CardConflict>,
    },
    /// The same station was assigned to rests at very different deflections.
    #[error(
        "the holds at {:.1} s and {:.1} s are both declared at {stick_pct:+.0} %, but {surface} \
         differs by {difference_deg:.1}° between them (more than {threshold_deg:.1}°)",
        times_s[0], times_s[1]
    )]
    StationContradicts {
        /// The station.
        stick_pct: f64,
        /// Start of the settled frames of both rests.
        times_s: [f64; 2],
        /// Surface that differs most.
        surface: String,
        /// By how much.
        difference_deg: f64,
        /// Largest difference that play or a weak servo explains.
        threshold_deg: f64,
    },
    /// The number of rests differs from the declared order, and the missing or extra one is not
    /// certain.
    #[error("the model file declares {declared} holds, the clip shows {}{guess}; shown: {}", seen.len(), numbered(seen))]
    WrongCount {
        /// Number of declared holds.
        declared: usize,
        /// Every rest seen, in time.
        seen: Vec<SeenRest>,
        /// The most probable mistake, as a clause that starts with "; ", or nothing.
        guess: String,
    },
    /// The declared order does not fit the deflections, though the number is right.
    #[error(
        "the declared order does not fit the clip ({misfit_deg:.1}° off any steady \
         response, and play explains {threshold_deg:.1}°); holds in the clip: {}",
        numbered(seen)
    )]
    OrderContradicts {
        /// Root mean square distance from a monotone response.
        misfit_deg: f64,
        /// Largest misfit that play explains.
        threshold_deg: f64,
        /// Every rest seen, in time.
        seen: Vec<SeenRest>,
    },
    /// The file of marks or of the stick log cannot be read.
    #[error("cannot read {}: {reason}", path.display())]
    FileUnreadable {
        /// The file.
        path: PathBuf,
        /// The system's message.
        reason: String,
    },
    /// Rows of a file that make no sense.
    #[error("{}: {}", path.display(), first_of(faults))]
    FileFaulty {
        /// The file.
        path: PathBuf,
        /// Every faulty row, in order.
        faults: Vec<RowFault>,
    },
    /// A stick log whose rows make no sense.
    #[error("{}: {}", path.display(), first_of(faults))]
    LogFaulty {
        /// The file.
        path: PathBuf,
        /// Every faulty row, in order.
        faults: Vec<RowFault>,
    },
    /// A stick log in which the stick hardly moves.
    #[error(
        "{}: the stick stays between {:.1} and {:.1} % (needed: {needed_pct:.0} % of travel)",
        path.display(), range_pct[0], range_pct[1]
    )]
    LogStill {
        /// The file.
        path: PathBuf,
        /// Smallest and largest stick.
        range_pct: [f64; 2],
        /// Smallest travel that can be aligned.
        needed_pct: f64,
    },
    /// A stick log of far more than one clip.
    #[error(
        "{}: the log lasts {:.1} hours (at most {:.0} can be searched)",
        path.display(), duration_s / 3600.0, longest_s / 3600.0
    )]
    LogTooLong {
        /// The file.
        path: PathBuf,
        /// From the first row to the last.
        duration_s: f64,
        /// Longest log that is searched.
        longest_s: f64,
    },
    /// A stick log that covers too little of the clip.
    #[error("the stick log covers {log_s:.1} s of the clip's {clip_s:.1} s; half of it is needed")]
    LogTooShort {
        /// Part of the clip that the log can cover.
        log_s: f64,
        /// The clip's length.
        clip_s: f64,
    },
    /// A stick log that matches the motion at no clock offset.
    #[error(
        "the stick log does not match the motion: at the best clock offset{} it leaves \
         {unexplained_pct:.1} % of the motion of {surface} unexplained (at most {threshold_pct:.0} %)",
        best_offset_s.map_or(String::new(), |offset| format!(" ({offset:+.2} s)"))
    )]
    LogUnlike {
        /// The surface that is explained least.
        surface: String,
        /// Share of its variance that is left.
        unexplained_pct: f64,
        /// Largest share that play, shake and uneven servos leave.
        threshold_pct: f64,
        /// Log's clock less the clip's, where it came nearest.
        best_offset_s: Option<f64>,
    },
    /// A stick log that fits the motion at more than one clock offset.
    #[error(
        "the stick log fits the motion at more than one clock offset: {:+.2} s leaves {:.2} % \
         unexplained, {:+.2} s leaves {:.2} %",
        offsets_s[0], unexplained_pct[0], offsets_s[1], unexplained_pct[1]
    )]
    LogAmbiguous {
        /// Log's clock less the clip's, best first.
        offsets_s: [f64; 2],
        /// Share of the variance that each leaves.
        unexplained_pct: [f64; 2],
    },
    /// The stick moves all the time, and too fast for its surfaces to be measured on the way.
    #[error(
        "the stick neither rests nor moves slowly enough: it sweeps at {rate_pct_per_s:.0} %/s \
         (measured up to {fastest_pct_per_s:.0} %/s)"
    )]
    SweepTooFast {
        /// Speed of the stick while it moves.
        rate_pct_per_s: f64,
        /// Fastest sweep that is measured.
        fastest_pct_per_s: f64,
    },
    /// No hold is at stick 0, and no span of neutral is declared.
    #[error(
        "no hold is at stick 0, so there is no neutral to measure from{}",
        in_left_out(unknown_cards)
    )]
    NoNeutralHold {
        /// Undeclared tags that were seen in holds without a declared card, rising.
        unknown_cards: Vec<u32>,
    },
    /// The declared span of neutral holds no measured frame.
    #[error("no surface was measured within the declared neutral from {from_s} s to {to_s} s")]
    NeutralSpanEmpty {
        /// Start of the span.
        from_s: f64,
        /// End of the span.
        to_s: f64,
    },
}

/// A row of a file that makes no sense.
#[derive(Debug, Clone, PartialEq)]
pub struct RowFault {
    /// Line in the file, from 1.
    pub line: u64,
    /// The fault.
    pub fault: String,
}

impl fmt::Display for RowFault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "line {}: {}", self.line, self.fault)
    }
}

impl StationsError {
    /// What the user can do about it.
    pub fn mend(&self) -> String {
        match self {
            Self::NoHold { .. } => "hold the stick still at each station for two seconds and film \
                 again; for a continuous sweep use a stick log or marks"
                .into(),
            Self::NoCard { strangers, .. } if !strangers.is_empty() => MEND_UNKNOWN_CARDS.into(),
            Self::NoCard { .. } => "show the card of each station while the stick rests, upright, \
                 whole and in focus, with its id in the model file's [stations] table; or declare \
                 the order of the holds: from = \"order\""
                .into(),
            Self::CardsContradict { .. } => "show one card at a time and change it only while the \
                 stick moves; keep the other cards out of the picture; then film again"
                .into(),
            Self::StationContradicts { .. } => "check the stick positions of these two holds (a wrong \
                 card, a wrong row, a hold that was left out); if both are right, the surface \
                 does not return to the same place: check servo and linkage first"
                .into(),
            Self::WrongCount { .. } => {
                "correct `order` in the model file to the positions that were held, \
                 in order of time, or film again and hold each station for two seconds"
                    .into()
            }
            Self::OrderContradicts { .. } => {
                "compare the holds in the clip with `order` in the \
                 model file: it must list the stick position of every hold, in order of time"
                    .into()
            }
            Self::FileUnreadable { .. } => {
                "check `file` under [stations]; it must be beside \
                 the model file"
                    .into()
            }
            Self::FileFaulty { .. } => "write rows of `time_s, stick_pct`, for marks one a hold \
                 with a time anywhere within it, the stick from -100 to 100; lines that start \
                 with # are ignored"
                .into(),
            Self::LogFaulty { .. } => {
                "use the log as it was recorded: rows `time_s, stick_pct` in order of \
                 time, the stick from -100 to 100"
                    .into()
            }
            Self::LogStill { .. } => "check that the log holds the stick that moves these \
                 surfaces, in percent"
                .into(),
            Self::LogTooLong { .. } => {
                "cut the log to the minutes around the clip; its times are in seconds".into()
            }
            Self::LogTooShort { .. } => {
                "start the log before the clip and stop it after; its times are in seconds".into()
            }
            Self::LogUnlike { .. } => "check that the log was taken during this clip, holds the \
                 stick that moves these surfaces, and has its times in seconds; if you have no \
                 log, declare the order of the holds: from = \"order\""
                .into(),
            Self::LogAmbiguous { .. } => "cut the log to the clip's own time, or film again with \
                 pauses of different lengths, so that no part resembles another"
                .into(),
            Self::SweepTooFast { .. } => {
                "move the stick from end to end and back in eight seconds \
                 or more, evenly, or hold it at each station for two seconds; then film again"
                    .into()
            }
            Self::OneStation { .. } => {
                "film holds at several stations, from end to end, with the card of each".into()
            }
            Self::StationsExchanged { .. } => "compare the two with the positions that were held: correct their \
                 stick positions in the model file (or the rows of the marks) and measure again, or \
                 film again with the right cards"
                .into(),
            Self::PicturesTooFar { .. } => "film at 15 pictures a second or more; of stills, take \
                 three or more while the stick rests at each station, and give their true times"
                .into(),
            Self::SweepWithoutHolds { .. } => "hold the stick still at each station for two seconds \
                 and film again; for a continuous sweep give a stick log: from = \"log\""
                .into(),
            Self::NoNeutralHold { unknown_cards } if !unknown_cards.is_empty() => {
                MEND_UNKNOWN_CARDS.into()
            }
            Self::NoNeutralHold { .. } => "film again with a hold at stick 0, best at the start and at \
                 the end, or declare a span: neutral = { time_s = [0.0, 1.5] }"
                .into(),
            Self::NeutralSpanEmpty { .. } => "set `neutral.time_s` to a span within the clip in \
                 which the surfaces rest at neutral and their tags are seen"
                .into(),
        }
    }
}

/// Help if the clip shows cards that the model file does not have.
const MEND_UNKNOWN_CARDS: &str = "add these ids with their stick positions to `cards` under \
    [stations], or show the cards that are declared there";

/// Tags that were seen in place of declared cards, as a clause.
fn instead(strangers: &[u32]) -> String {
    match strangers {
        [] => String::new(),
        ids => format!(", but undeclared {}", tags_were(ids)),
    }
}

/// Undeclared tags in holds that were left out, as a clause.
fn in_left_out(strangers: &[u32]) -> String {
    match strangers {
        [] => String::new(),
        ids => format!(
            "; in holds without a declared card, undeclared {}",
            tags_were(ids)
        ),
    }
}

/// "tag 140 was seen", "tags 140, 145 were seen".
fn tags_were(ids: &[u32]) -> String {
    let were = if ids.len() == 1 { "was" } else { "were" };
    format!("{} {were} seen", names::tags(ids))
}

/// Number of faults listed in full; a file of another kind has one in every row.
const FAULTS_LISTED: usize = 5;

fn first_of(faults: &[RowFault]) -> String {
    let listed = list(&faults[..faults.len().min(FAULTS_LISTED)], "; ");
    match faults.len().saturating_sub(FAULTS_LISTED) {
        0 => listed,
        more => format!("{listed}; and {more} more rows"),
    }
}

fn list<T: fmt::Display>(items: &[T], between: &str) -> String {
    let texts: Vec<String> = items.iter().map(T::to_string).collect();
    texts.join(between)
}
