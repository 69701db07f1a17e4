//! What can go wrong while holds are told, and what the person can do about it.

use std::fmt;
use std::path::PathBuf;

use thiserror::Error;

/// A rest as it was seen, for messages.
#[derive(Debug, Clone, PartialEq)]
pub struct SeenRest {
    /// First and last time of the rest.
    pub time_s: [f64; 2],
    /// Median deflection by surface from an arbitrary zero; `None` where it was not measured.
    pub deflection_deg: Vec<Option<f64>>,
}

impl fmt::Display for SeenRest {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{:.1}–{:.1} s:", self.time_s[0], self.time_s[1])?;
        for deflection in &self.deflection_deg {
            match deflection {
                Some(angle_deg) => write!(f, " {angle_deg:+.1}°")?,
                None => write!(f, " —")?,
            }
        }
        Ok(())
    }
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

/// Why holds could not be told.
#[derive(Debug, Clone, PartialEq, Error)]
pub enum StationsError {
    /// No span of rest was found.
    #[error("no hold was found: the surfaces never rest for {shortest_rest_s:.2} s")]
    NoHold {
        /// Shortest rest that was looked for.
        shortest_rest_s: f64,
    },
    /// None of the rests showed a card.
    #[error("{rests} holds were found, but no station card was seen in any of them")]
    NoCard {
        /// Number of rests.
        rests: usize,
    },
    /// Rests that show cards of different stations.
    #[error("station cards contradict each other: {}", list(conflicts, "; "))]
    CardsContradict {
        /// Every such rest, in time.
        conflicts: Vec<CardConflict>,
    },
    /// The same station was told for rests at quite different deflections.
    #[error(
        "the holds at {:.1} s and {:.1} s are both told to be at {stick_pct:+.0} %, but {surface} \
         stands {difference_deg:.1}° apart in them (more than {threshold_deg:.1}°)",
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
    /// The number of rests differs from the declared order, and which one cannot be told surely.
    #[error("{declared} holds declared, {} seen{guess}; seen: {}", seen.len(), list(seen, "; "))]
    WrongCount {
        /// Number of declared holds.
        declared: usize,
        /// Every rest seen, in time.
        seen: Vec<SeenRest>,
        /// What most probably went wrong, as a clause that starts with "; ", or nothing.
        guess: String,
    },
    /// The declared order does not fit the deflections, though the number is right.
    #[error(
        "the declared order does not fit what was seen ({misfit_deg:.1}° RMS off any steady \
         response, play explains {threshold_deg:.1}°); seen: {}",
        list(seen, "; ")
    )]
    OrderContradicts {
        /// Root mean square distance from a monotone response.
        misfit_deg: f64,
        /// What play explains.
        threshold_deg: f64,
        /// Every rest seen, in time.
        seen: Vec<SeenRest>,
    },
    /// The file of marks or of the stick log cannot be read.
    #[error("cannot read {}: {reason}", path.display())]
    FileUnreadable {
        /// The file.
        path: PathBuf,
        /// What the system says.
        reason: String,
    },
    /// Rows of a file that make no sense.
    #[error("{}: {}", path.display(), list(faults, "; "))]
    FileFaulty {
        /// The file.
        path: PathBuf,
        /// Every faulty row, in order.
        faults: Vec<RowFault>,
    },
    /// No hold is at stick 0, and no span of neutral is declared.
    #[error("no hold is at stick 0, so there is no neutral to measure from")]
    NoNeutralHold,
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
    /// What is wrong with it.
    pub fault: String,
}

impl fmt::Display for RowFault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "line {}: {}", self.line, self.fault)
    }
}

impl StationsError {
    /// What the person can do about it.
    pub fn mend(&self) -> String {
        match self {
            Self::NoHold { .. } => "hold the stick still at each station for a second and film \
                 again; for a continuous sweep give a stick log or marks"
                .into(),
            Self::NoCard { .. } => "show the card of each station while the stick rests, upright, \
                 whole and in focus, with its id in the model file's [stations] table; or declare \
                 the order of the holds: from = \"order\""
                .into(),
            Self::CardsContradict { .. } => "show one card at a time and change it only while the \
                 stick moves; keep the other cards out of the picture; then film again"
                .into(),
            Self::StationContradicts { .. } => "check what was told for these two holds (a wrong \
                 card, a wrong row, a hold that was left out); if both are right, the surface \
                 does not come back to the same place: look at servo and linkage first"
                .into(),
            Self::WrongCount { .. } => {
                "correct `order` in the model file to what was really held, \
                 in time, or film again and hold each station for a second"
                    .into()
            }
            Self::OrderContradicts { .. } => "compare the list above with `order` in the model \
                 file: it has to name the stick position of every hold, in time"
                .into(),
            Self::FileUnreadable { .. } => {
                "check `file` under [stations]; it is looked for beside \
                 the model file"
                    .into()
            }
            Self::FileFaulty { .. } => "write one row a hold: `time_s, stick_pct`, the time \
                 anywhere within the hold, the stick from -100 to 100; lines that start with # \
                 are passed over"
                .into(),
            Self::NoNeutralHold => "film again with a hold at stick 0, best at the start and at \
                 the end, or name a span: neutral = { time_s = [0.0, 1.5] }"
                .into(),
            Self::NeutralSpanEmpty { .. } => "give `neutral.time_s` a span within the clip in \
                 which the surfaces rest at neutral and their tags are seen"
                .into(),
        }
    }
}

fn list<T: fmt::Display>(items: &[T], between: &str) -> String {
    let texts: Vec<String> = items.iter().map(T::to_string).collect();
    texts.join(between)
}
