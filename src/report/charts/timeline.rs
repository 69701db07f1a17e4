//! Deflection over time, with the settled part of each hold shaded.

use crate::measurement::Measurement;
use crate::report::figures;
use crate::report::format::Format;
use crate::report::palette::{HOLD, SurfaceLook};
use crate::report::plot::{Axis, Entry, Plot};

/// Height of the plot area.
fn height(format: Format) -> f64 {
    match format {
        Format::Wide => 200.0,
        Format::Narrow => 160.0,
    }
}

/// Room above the highest deflection for the words above the holds.
const HEADROOM: f64 = 1.15;

/// Room that a word above a hold needs, in the drawing's units.
const WORD_WIDTH: f64 = 30.0;

/// The chart of all surfaces.
pub fn timeline(measurement: &Measurement, format: Format) -> String {
    let trace = &measurement.trace;
    let rows = || trace.deflection_deg.iter();
    let figures = || rows().flatten().copied().flatten();
    let highest = figures().fold(0.0, f64::max);
    let y = Axis::covering(
        figures().chain([highest * HEADROOM]),
        "deflection, degrees (shaded: frames used, with the stick position in %)",
    );
    let start_s = trace.time_s.first().copied().unwrap_or(0.0);
    let end_s = trace.time_s.last().copied().unwrap_or(1.0);
    let legend: Vec<Entry> = measurement
        .surfaces
        .iter()
        .enumerate()
        .map(|(position, surface)| {
            Entry::line(SurfaceLook::of(position).stroke(1.6), None, &surface.name)
        })
        .collect();
    let x = Axis::time(start_s, end_s);
    let mut plot = Plot::new(
        "deflection over time",
        (format, height(format)),
        [x, y],
        &legend,
    );
    let word_s = (end_s - start_s) * WORD_WIDTH / format.width();
    draw_holds(&mut plot, measurement, word_s);
    plot.grid();
    for (position, row) in rows().enumerate() {
        let stroke = SurfaceLook::of(position).stroke(1.4);
        let points = || trace.time_s.iter().zip(row);
        // A line ends where the surface was not measured, and a new one begins after.
        let mut piece: Vec<(f64, f64)> = Vec::new();
        for (&time_s, deflection_deg) in points() {
            match deflection_deg {
                Some(deflection_deg) => piece.push((time_s, *deflection_deg)),
                None => plot.curve(&std::mem::take(&mut piece), stroke),
            }
        }
        plot.curve(&piece, stroke);
    }
    plot.finish()
}

/// Shades the holds; `word_s` is the time that a word above one covers.
fn draw_holds(plot: &mut Plot, measurement: &Measurement, word_s: f64) {
    let mut spans: Vec<(usize, [f64; 2], f64)> = measurement
        .surfaces
        .iter()
        .flat_map(|surface| &surface.stations)
        .map(|station| (station.hold, station.time_s, station.stick_pct))
        .collect();
    if measurement.functions.len() > 1 {
        // Each function counts its own holds.
        spans.sort_by(|a, b| a.1[0].total_cmp(&b.1[0]));
        spans.dedup_by(|a, b| a.1 == b.1);
    } else {
        spans.sort_by_key(|span| span.0);
        spans.dedup_by_key(|span| span.0);
    }
    let mut free_from_s = f64::NEG_INFINITY;
    for (_, [from_s, to_s], stick_pct) in spans {
        let middle_s = (from_s + to_s) / 2.0;
        let half_word_s = word_s / 2.0;
        // A word that would run into the one before it is left out.
        let fits = middle_s - half_word_s >= free_from_s;
        let word = fits.then(|| figures::percent(stick_pct));
        if fits {
            free_from_s = middle_s + half_word_s;
        }
        plot.span(from_s, to_s, HOLD, word.as_deref());
    }
}
