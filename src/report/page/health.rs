//! Health checks: each figure with its limit, and what to do if it is exceeded.

use crate::measured::Measured;
use crate::measurement::{Measurement, SurfaceRecord};
use crate::report::figures;
use crate::response::SideLag;
use crate::warning::WarningText;

// The limits are common practice among builders, without a source: each is small against the half
// degree from which a difference can be felt in flight.

/// Largest good play, degrees.
const GOOD_PLAY_DEG: f64 = 0.3;
/// Largest good difference between visits to neutral, degrees.
const GOOD_RETURN_DEG: f64 = 0.3;
/// Largest good jitter, degrees.
const GOOD_JITTER_DEG: f64 = 0.05;
/// Largest good lag between two sides, seconds.
const GOOD_LAG_S: f64 = 0.05;
/// Largest good unevenness of one side against the other on the move, degrees.
const GOOD_UNEVEN_DEG: f64 = 0.3;

/// A figure compared with its limit, its whole interval counted.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum State {
    /// The whole interval is good.
    Good,
    /// The limit is inside the interval.
    Unclear,
    /// The whole interval is beyond the limit.
    Poor,
    /// There is no figure.
    NotMeasured,
}

impl State {
    fn of(figure: Option<Measured>, limit: f64) -> Self {
        match figure {
            None => Self::NotMeasured,
            Some(figure) if figure.value + figure.u() <= limit => Self::Good,
            Some(figure) if figure.value - figure.u() <= limit => Self::Unclear,
            Some(_) => Self::Poor,
        }
    }

    /// The state in a word.
    pub fn word(self) -> &'static str {
        match self {
            Self::Good => "good",
            Self::Unclear => "too close to the limit",
            Self::Poor => "check it",
            Self::NotMeasured => "not measured",
        }
    }

    /// Whether the figure is surely bad.
    pub fn is_poor(self) -> bool {
        self == Self::Poor
    }

    /// Whether the advice matters.
    pub fn asks_for_work(self) -> bool {
        matches!(self, Self::Poor | Self::Unclear)
    }
}

/// One health check.
#[derive(Debug, Clone, PartialEq)]
pub struct HealthRow {
    /// The surface, or both sides.
    pub whose: String,
    /// Name of the check.
    pub check: &'static str,
    /// The surface that the check is about: the follower where there are two.
    pub surface: String,
    /// The figure.
    pub figure: String,
    /// What follows the figure on the page.
    pub note: String,
    /// Code of the warning that a larger figure raises, and that a poor one becomes if it was not raised;
    /// `None` where every poor figure raises its own.
    pub warning: Option<&'static str>,
    /// The limit.
    pub good: String,
    /// Result of the comparison.
    pub state: State,
    /// What to do if the limit is exceeded.
    pub advice: &'static str,
}

/// All health checks, surface by surface, then side by side.
pub fn health_rows(measurement: &Measurement) -> Vec<HealthRow> {
    let of_surfaces = measurement.surfaces.iter().flat_map(surface_rows);
    let of_sides = measurement.lags.iter().flat_map(side_rows);
    of_surfaces.chain(of_sides).collect()
}

fn side_rows(lag: &SideLag) -> [HealthRow; 2] {
    let size_s = Measured::new(lag.lag_s.value.abs(), lag.lag_s.sd);
    let milliseconds = lag.lag_s.scaled(1000.0);
    let uneven_deg = Measured::from_expanded(lag.uneven_deg, lag.uneven_u_deg.unwrap_or_default());
    let late = format!(
        "{} ms ± {} ms",
        figures::signed(milliseconds.value, 0),
        figures::plain(milliseconds.u().ceil(), 0)
    );
    let uneven = match lag.uneven_u_deg {
        Some(_) => figures::plain_deg(uneven_deg),
        None => figures::declared_deg(lag.uneven_deg),
    };
    [
        HealthRow {
            whose: format!("{} after {}", lag.follower, lag.reference),
            check: "lag",
            surface: lag.follower.clone(),
            figure: late,
            note: String::new(),
            warning: Some("sides-lag"),
            good: format!("up to {} ms", figures::plain(GOOD_LAG_S * 1000.0, 0)),
            state: State::of(Some(size_s), GOOD_LAG_S),
            advice: "use servos of one kind and speed, on the same supply",
        },
        HealthRow {
            whose: format!("{} with {}", lag.follower, lag.reference),
            check: "uneven motion",
            surface: lag.follower.clone(),
            figure: uneven,
            note: String::new(),
            warning: Some("uneven-motion"),
            good: format!("up to {}", figures::declared_deg(GOOD_UNEVEN_DEG)),
            state: State::of(Some(uneven_deg), GOOD_UNEVEN_DEG),
            advice: "look for a hinge or rod that sticks and slips, and for a weak servo or \
                     supply; phones also smear fast motion, so move the stick slowly and film again",
        },
    ]
}

fn surface_rows(surface: &SurfaceRecord) -> Vec<HealthRow> {
    let health = &surface.health;
    let row = |(check, warning), figure: Option<Measured>, limit_deg, advice| HealthRow {
        whose: surface.name.clone(),
        check,
        warning: Some(warning),
        note: String::new(),
        surface: surface.name.clone(),
        figure: figure.map_or_else(|| "–".into(), figures::plain_deg),
        good: format!("up to {}", figures::declared_deg(limit_deg)),
        state: State::of(figure, limit_deg),
        advice,
    };
    let mut return_row = row(
        ("return to neutral", "neutral-wanders"),
        health.return_to_neutral_deg,
        GOOD_RETURN_DEG,
        "look for friction in hinges and guides, and for a weak servo",
    );
    return_row.note = from_both_ways(surface);
    vec![
        row(
            ("play", "much-play"),
            health.play_deg,
            GOOD_PLAY_DEG,
            "look for worn clevises, horn screws and hinges, and for a flexing pushrod",
        ),
        return_row,
        row(
            ("jitter at rest", "surface-jitters"),
            health.jitter_deg,
            GOOD_JITTER_DEG,
            "check the servo's supply and potentiometer; swap servos to find the faulty one",
        ),
        early_stop_row(surface),
    ]
}

/// Where the surface rests at neutral, by the way the stick came.
fn from_both_ways(surface: &SurfaceRecord) -> String {
    let health = &surface.health;
    match (
        health.neutral_after_rising_deg,
        health.neutral_after_falling_deg,
    ) {
        (Some(rising), Some(falling)) => format!(
            " between visits; on average at {} after rising, {} after falling",
            figures::signed_deg(rising),
            figures::signed_deg(falling)
        ),
        _ => String::new(),
    }
}

fn early_stop_row(surface: &SurfaceRecord) -> HealthRow {
    let stops = &surface.health.early_stop;
    let figure = stops
        .iter()
        .map(|stop| {
            format!(
                "rests at {} from {} % on",
                figures::signed_deg(stop.deflection_deg),
                figures::percent(stop.stick_pct)
            )
        })
        .collect::<Vec<_>>()
        .join("; ");
    HealthRow {
        whose: surface.name.clone(),
        check: "early stop",
        surface: surface.name.clone(),
        note: String::new(),
        warning: None,
        state: if stops.is_empty() {
            State::Good
        } else {
            State::Poor
        },
        figure: if stops.is_empty() {
            "none seen".into()
        } else {
            figure
        },
        good: "moves to both ends".into(),
        advice: "the servo pushes against a stop and draws its full current: reduce the travel or \
                 move the linkage before anything else",
    }
}

/// All warnings to show: those of the measurement, then poor figures of health that none of them names.
pub fn shown_warnings(measurement: &Measurement, rows: &[HealthRow]) -> Vec<WarningText> {
    let surfaces = measurement.surfaces.iter();
    let surfaces: Vec<&str> = surfaces.map(|surface| surface.name.as_str()).collect();
    let is_named = |row: &HealthRow, code: &str| {
        let mut warnings = measurement.warnings.iter();
        warnings.any(|warning| {
            warning.code == code && named(&warning.text, &surfaces).contains(&row.surface.as_str())
        })
    };
    let poor = rows.iter().filter(|row| row.state.is_poor());
    let poor = poor.filter_map(|row| {
        let code = row.warning?;
        (!is_named(row, code)).then(|| WarningText {
            code: code.into(),
            text: format!(
                "{}: {} {} (good: {})",
                row.whose, row.check, row.figure, row.good
            ),
            mend: row.advice.into(),
            grave: false,
        })
    });
    measurement.warnings.iter().cloned().chain(poor).collect()
}

/// The surfaces that a text names. A name inside a longer name, or inside a word, is not one of them.
fn named<'n>(text: &str, surfaces: &[&'n str]) -> Vec<&'n str> {
    let is_letter = |letter: Option<char>| letter.is_some_and(char::is_alphanumeric);
    let mut found = Vec::new();
    let (mut before, mut rest) = (None, text);
    while let Some(first) = rest.chars().next() {
        let begins_here = |name: &&&str| {
            let after = rest.strip_prefix(**name);
            !name.is_empty() && after.is_some_and(|after| !is_letter(after.chars().next()))
        };
        let names = surfaces.iter().filter(|_| !is_letter(before));
        let longest = names.filter(begins_here).max_by_key(|name| name.len());
        let step = longest.map_or(first.len_utf8(), |name| name.len());
        found.extend(longest);
        before = rest[..step].chars().next_back();
        rest = &rest[step..];
    }
    found
}

/// The sentence with which a page opens when a surface stopped before its servo did.
pub fn early_stop_cautions(measurement: &Measurement) -> Vec<String> {
    measurement
        .surfaces
        .iter()
        .flat_map(|surface| {
            surface.health.early_stop.iter().map(move |stop| {
                format!(
                    "The {} stops at {} although its servo gets more command from {} % stick on. A \
                     stalled servo overheats and drains the battery: find the stop and free the \
                     linkage or reduce the travel before the next flight.",
                    surface.name,
                    figures::signed_deg(stop.deflection_deg),
                    figures::percent(stop.stick_pct)
                )
            })
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::measurement::sample::heron;
    use crate::response::EarlyStop;

    #[test]
    fn a_figure_is_judged_with_its_whole_interval() {
        let state = |value, u: f64| State::of(Some(Measured::new(value, u / 2.0)), 0.3);
        assert_eq!(state(0.19, 0.1), State::Good);
        assert_eq!(state(0.25, 0.1), State::Unclear);
        assert_eq!(state(0.5, 0.1), State::Poor);
        assert_eq!(State::of(None, 0.3), State::NotMeasured);
    }

    #[test]
    fn every_check_has_a_figure_its_doubt_what_is_good_and_advice() {
        let rows = health_rows(&heron());
        let checks: Vec<&str> = rows.iter().map(|row| row.check).collect();
        let of_a_surface = ["play", "return to neutral", "jitter at rest", "early stop"];
        let of_the_sides = ["lag", "uneven motion"];
        assert_eq!(
            checks,
            [&of_a_surface[..], &of_a_surface, &of_the_sides].concat()
        );
        for row in rows.iter().filter(|row| row.check != "early stop") {
            assert!(row.figure.contains(" ± "), "{}: {}", row.check, row.figure);
            assert!(row.good.starts_with("up to ") && !row.advice.is_empty());
        }
        assert_eq!(
            rows[1].figure.clone() + &rows[1].note,
            "0.09° ± 0.04° between visits; on average at −0.05° ± 0.02° after rising, +0.05° ± 0.02° after falling"
        );
        assert_eq!(rows[9].figure, "0.08° ± 0.03°");
    }

    #[test]
    fn only_whole_names_of_surfaces_are_named() {
        let surfaces = ["flap", "left flap", "flap 1", "flap 12", "Höhenruder"];
        let named = |text| named(text, &surfaces);
        assert_eq!(named("play of the left flap: 0.5°"), ["left flap"]);
        assert_eq!(named("flap 12 after flap"), ["flap 12", "flap"]);
        assert_eq!(
            named("flap 123, flaps, aflap, Höhenruder"),
            ["flap", "Höhenruder"]
        );
        assert_eq!(named("left flap 1"), ["left flap"]);
    }

    #[test]
    fn a_poor_figure_is_shown_beside_a_warning_of_a_surface_with_a_longer_name() {
        let mut measurement = heron();
        measurement.surfaces[0].name = "flap".into();
        measurement.surfaces[1].name = "left flap".into();
        for surface in &mut measurement.surfaces {
            surface.health.play_deg = Some(Measured::new(0.9, 0.02));
        }
        measurement.warnings = vec![WarningText {
            code: "much-play".into(),
            text: "the left flap has 0.9° of play".into(),
            mend: "look for worn clevises".into(),
            grave: false,
        }];
        let shown = shown_warnings(&measurement, &health_rows(&measurement));
        let of_play = shown.iter().filter(|warning| warning.text.contains("play"));
        let of_play: Vec<&str> = of_play.map(|warning| warning.text.as_str()).collect();
        assert_eq!(of_play.len(), 2, "{of_play:?}");
        assert!(of_play[1].starts_with("flap: play "), "{of_play:?}");
    }

    #[test]
    fn a_surface_that_stops_early_is_told_twice() {
        let mut measurement = heron();
        measurement.surfaces[1].health.early_stop = vec![EarlyStop {
            stick_pct: 75.0,
            deflection_deg: Measured::new(18.31, 0.02),
        }];
        let cautions = early_stop_cautions(&measurement);
        assert!(cautions[0].starts_with("The right tailplane stops at +18.31° ± 0.04°"));
        let rows = health_rows(&measurement);
        let row = rows.iter().find(|row| row.state == State::Poor).unwrap();
        assert_eq!(row.check, "early stop");
    }
}
