//! The state of a session as programs and pages read it.

use serde::Serialize;

use super::Session;
use crate::bench::frames::tenth_px;
use crate::figures::{percent, sentence, sentences};
use crate::live::{LiveHold, LiveState, LiveTag, Missing, Phase, View, Zero};
use crate::measured::Measured;
use crate::warning::WarningText;

/// The state after the newest frame.
#[derive(Debug, Serialize)]
pub struct Shown {
    state: &'static str,
    /// What the person does next, in one sentence.
    next: String,
    /// What is missing or wrong, with what helps; the most important first.
    missing: Vec<String>,
    /// Doubts that the newest fit raised, with what helps.
    warnings: Vec<String>,
    /// Whether holds are kept by themselves when the surfaces rest.
    automatic: bool,
    surfaces: Vec<Surface>,
    airframe_tags: Vec<Tag>,
    pairs: Vec<Pair>,
    holds: Holds,
    /// The station that the next hold belongs to.
    station_pct: Option<f64>,
    stations_left: usize,
    holding: bool,
    at_rest: bool,
    /// What deflections count from: `start`, `set` or `holds`.
    zero: &'static str,
    /// Whether the camera is fixed: `unknown`, `fixed` or `moving`.
    camera: &'static str,
    fitting: bool,
    /// Time of the newest frame by the clock of the session.
    time_s: Option<f64>,
    /// Time since that frame arrived.
    age_s: Option<f64>,
    /// Whether a page films now.
    filmed: bool,
    /// Whether the frame of this request was dropped for a newer one.
    dropped: bool,
}

/// How many holds there are, or all of them.
#[derive(Debug, Serialize)]
#[serde(untagged)]
enum Holds {
    Count(usize),
    List(Vec<Hold>),
}

#[derive(Debug, Serialize)]
struct Tag {
    tag: u32,
    seen: bool,
    why: Option<String>,
    help: Option<String>,
    corners_px: Option<[[f64; 2]; 4]>,
}

#[derive(Debug, Serialize)]
struct Surface {
    name: String,
    upright: bool,
    #[serde(flatten)]
    tag: Tag,
    learned: bool,
    deflection_deg: Option<Measured>,
    moving: bool,
    hinge_px: Option<[[f64; 2]; 2]>,
    /// The largest deflections both ways since they were cleared: negative, positive.
    peak_deg: Option<[Measured; 2]>,
}

#[derive(Debug, Serialize)]
struct Pair {
    reference: String,
    follower: String,
    difference_deg: Measured,
    tolerance_deg: f64,
    within: bool,
}

#[derive(Debug, Serialize)]
struct Hold {
    stick_pct: f64,
    time_s: [f64; 2],
    by_hand: bool,
    surfaces: Vec<Held>,
}

#[derive(Debug, Serialize)]
struct Held {
    name: String,
    deflection_deg: Measured,
}

impl Shown {
    /// The state with the number of holds.
    pub fn of(session: &Session) -> Self {
        let state = session.state();
        let age_s = session.age().map(|age| age.as_secs_f64());
        Self {
            state: phase(state.phase),
            next: next(&state),
            missing: state.missing.iter().map(missing).collect(),
            warnings: state.warnings.iter().map(warning).collect(),
            automatic: state.automatic,
            surfaces: surfaces(session, &state),
            airframe_tags: state.airframe_tags.iter().map(tag).collect(),
            pairs: pairs(&state),
            holds: Holds::Count(state.holds.len()),
            station_pct: state.next_station_pct,
            stations_left: state.stations_left,
            holding: state.holding,
            at_rest: state.at_rest,
            zero: match state.zero {
                Zero::Start => "start",
                Zero::Set { .. } => "set",
                Zero::Holds => "holds",
            },
            camera: match state.view {
                View::Unknown => "unknown",
                View::Fixed => "fixed",
                View::Moving => "moving",
            },
            fitting: state.fitting,
            time_s: state.time_s,
            age_s,
            filmed: session.is_filmed(),
            dropped: false,
        }
    }

    /// The state with the list of holds.
    pub fn with_holds(session: &Session) -> Self {
        let holds = session.state().holds.iter().map(hold).collect();
        Self {
            holds: Holds::List(holds),
            ..Self::of(session)
        }
    }

    /// The state for a frame that was dropped.
    pub fn dropped(session: &Session) -> Self {
        Self {
            dropped: true,
            ..Self::of(session)
        }
    }
}

fn phase(phase: Phase) -> &'static str {
    match phase {
        Phase::Looking => "looking",
        Phase::Learning => "learning",
        Phase::Measuring => "measuring",
    }
}

fn missing(missing: &Missing) -> String {
    sentences(&missing.to_string(), &missing.mend())
}

fn warning(warning: &WarningText) -> String {
    sentences(&warning.text, &warning.mend)
}

/// What the person does next.
fn next(state: &LiveState) -> String {
    if state.time_s.is_none() {
        return "Start the camera.".into();
    }
    let wrong = state
        .missing
        .iter()
        .find(|one| !matches!(one, Missing::Station { .. }));
    if let Some(wrong) = wrong {
        return sentence(&wrong.mend());
    }
    if state.phase == Phase::Learning {
        return "Move the stick slowly through its whole travel.".into();
    }
    match state.next_station_pct {
        Some(stick_pct) if state.holding => {
            format!("Held. Now move the stick to {}\u{a0}%.", percent(stick_pct))
        }
        Some(stick_pct) => format!("Hold the stick still at {}\u{a0}%.", percent(stick_pct)),
        None if state.stations_left == 0 && !state.holds.is_empty() => {
            "All stations are held. Finish, or hold a station again.".into()
        }
        None if state.missing.contains(&Missing::Station { by_card: true }) => {
            "Hold the stick still, and show the card of the station or choose it here.".into()
        }
        None => "Choose the station that you hold.".into(),
    }
}

fn tag(tag: &LiveTag) -> Tag {
    Tag {
        tag: tag.tag_id,
        seen: tag.unseen.is_none() && tag.corners_px.is_some(),
        why: tag.unseen.map(|why| why.to_string()),
        help: tag.unseen.map(|why| why.mend()),
        corners_px: tag.corners_px.map(|corners| corners.map(tenth_px)),
    }
}

fn surfaces(session: &Session, state: &LiveState) -> Vec<Surface> {
    let surfaces = state.surfaces.iter().map(|surface| Surface {
        upright: (session.model.surface(&surface.name)).is_some_and(|declared| declared.upright),
        name: surface.name.clone(),
        tag: tag(&surface.tag),
        learned: surface.learned,
        deflection_deg: surface.deflection_deg,
        moving: surface.moving,
        hinge_px: surface.hinge_px.map(|hinge| hinge.map(tenth_px)),
        peak_deg: surface.peak.map(|peak| [peak.least_deg, peak.most_deg]),
    });
    surfaces.collect()
}

fn pairs(state: &LiveState) -> Vec<Pair> {
    let pairs = state.pairs.iter().map(|pair| Pair {
        reference: pair.reference.clone(),
        follower: pair.follower.clone(),
        difference_deg: pair.difference_deg,
        tolerance_deg: pair.tolerance_deg,
        within: pair.difference_deg.value.abs() <= pair.tolerance_deg,
    });
    pairs.collect()
}

fn hold(hold: &LiveHold) -> Hold {
    let surfaces = hold.figures.iter().map(|figure| Held {
        name: figure.surface.clone(),
        deflection_deg: figure.deflection_deg,
    });
    Hold {
        stick_pct: hold.stick_pct,
        time_s: hold.time_s,
        by_hand: hold.by_hand,
        surfaces: surfaces.collect(),
    }
}
