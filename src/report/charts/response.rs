//! Deflection over stick, and how it departs from a straight line.

use std::collections::BTreeMap;

use crate::measurement::SurfaceRecord;
use crate::report::format::Format;
use crate::report::palette::SurfaceLook;
use crate::report::plot::{Axis, Entry, Plot};
use crate::report::svg::Mark;
use crate::response::StationDeflection;
use crate::stations::Approach;

/// Height of the plot area.
fn height(format: Format) -> f64 {
    match format {
        Format::Wide => 260.0,
        Format::Narrow => 190.0,
    }
}

/// How a surface is turned round in a chart, so that it can be compared.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Turn {
    /// Shown as it is.
    AsItIs,
    /// Down shown as up.
    Deflection,
    /// Shown at the opposite stick.
    Stick,
}

/// A surface in a chart: its record, its look, and how it is turned round.
#[derive(Debug, Clone, Copy)]
pub struct Shown<'a> {
    /// Measured points.
    pub surface: &'a SurfaceRecord,
    /// Colour and dashes.
    pub look: SurfaceLook,
    /// Whether it moves opposite to its reference, and is turned round for comparing.
    pub turn: Turn,
}

impl Shown<'_> {
    fn deflection_deg(&self, station: &StationDeflection) -> f64 {
        match self.turn {
            Turn::Deflection => -station.deflection_deg.value,
            Turn::AsItIs | Turn::Stick => station.deflection_deg.value,
        }
    }

    fn stick_pct(&self, station: &StationDeflection) -> f64 {
        match self.turn {
            Turn::Stick => -station.stick_pct,
            Turn::AsItIs | Turn::Deflection => station.stick_pct,
        }
    }

    fn name(&self) -> String {
        let turned = match self.turn {
            Turn::AsItIs => "",
            Turn::Deflection => ", inverted",
            Turn::Stick => ", at the opposite stick",
        };
        format!("{}{turned}", self.surface.name)
    }
}

/// Deflection by stick position, rising and falling separately.
pub fn response(shown: &[Shown<'_>], format: Format) -> String {
    drawn(shown, format, "deflection, degrees", |_, deflection_deg| {
        deflection_deg
    })
}

/// The same less one straight line through neutral, fitted to the first surface and common to
/// all, so that curvature, play and differences between the sides become visible.
pub fn straight_line_departure(shown: &[Shown<'_>], format: Format) -> String {
    let slope = shown.first().map_or(0.0, slope_deg_per_pct);
    let title = format!(
        "deflection minus {:.3}° per percent of stick, degrees",
        slope.abs()
    );
    drawn(shown, format, &title, |stick_pct, deflection_deg| {
        deflection_deg - slope * stick_pct
    })
}

/// Least squares through neutral.
fn slope_deg_per_pct(shown: &Shown<'_>) -> f64 {
    let (products, squares) = shown
        .surface
        .stations
        .iter()
        .map(|station| (shown.stick_pct(station), shown.deflection_deg(station)))
        .fold((0.0, 0.0), |(products, squares), (stick, deflection)| {
            (products + stick * deflection, squares + stick * stick)
        });
    if squares > 0.0 {
        products / squares
    } else {
        0.0
    }
}

fn drawn(
    shown: &[Shown<'_>],
    format: Format,
    title: &str,
    figure: impl Fn(f64, f64) -> f64,
) -> String {
    let of = |shown: &Shown<'_>, station: &StationDeflection| {
        figure(shown.stick_pct(station), shown.deflection_deg(station))
    };
    let pairs = || {
        shown.iter().flat_map(|shown| {
            shown
                .surface
                .stations
                .iter()
                .map(move |station| (shown, station))
        })
    };
    let figures = pairs().flat_map(|(shown, station)| {
        let (value, u) = (of(shown, station), station.deflection_deg.u());
        [value - u, value + u]
    });
    let y = Axis::covering(figures, title);
    let x = Axis::stick(pairs().map(|(shown, station)| shown.stick_pct(station)));
    let mut plot = Plot::new(title, (format, height(format)), [x, y], &legend(shown));
    plot.grid();
    for shown in shown {
        let stations = &shown.surface.stations;
        plot.curve(
            &mean_by_stick(stations, |station| {
                (shown.stick_pct(station), of(shown, station))
            }),
            shown.look.stroke(1.8),
        );
        for station in stations {
            let point = (shown.stick_pct(station), of(shown, station));
            let mark = mark(station.approach);
            plot.measured(point, station.deflection_deg.u(), mark, shown.look.colour);
        }
    }
    plot.finish()
}

fn legend(shown: &[Shown<'_>]) -> Vec<Entry> {
    let marks = [
        (Mark::Up, "stick rising"),
        (Mark::Down, "stick falling"),
        (Mark::Disc, "first hold"),
    ];
    shown
        .iter()
        .map(|shown| Entry::line(shown.look.stroke(1.8), None, shown.name()))
        .chain(
            marks
                .into_iter()
                .map(|(mark, text)| Entry::mark(mark, crate::report::palette::SOFT_INK, text)),
        )
        .collect()
}

fn mark(approach: Approach) -> Mark {
    match approach {
        Approach::Rising => Mark::Up,
        Approach::Falling => Mark::Down,
        Approach::First => Mark::Disc,
    }
}

/// Means over the holds at one stick position, by rising stick.
fn mean_by_stick(
    stations: &[StationDeflection],
    point: impl Fn(&StationDeflection) -> (f64, f64),
) -> Vec<(f64, f64)> {
    let mut sums: BTreeMap<i64, (f64, f64, usize)> = BTreeMap::new();
    for station in stations {
        // Stick positions are known to a hundredth of a percent at best.
        let (stick_pct, figure) = point(station);
        let key = (stick_pct * 100.0).round() as i64;
        let sum = sums.entry(key).or_insert((stick_pct, 0.0, 0));
        sum.1 += figure;
        sum.2 += 1;
    }
    sums.into_values()
        .map(|(stick_pct, sum, count)| (stick_pct, sum / count as f64))
        .collect()
}
