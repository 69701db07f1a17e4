//! Ticks: what a person has ticked off, kept across reloads and devices.

use std::collections::BTreeSet;

use axum::http::StatusCode;

use super::Refusal;
use super::store::Store;
use crate::measurement::Measurement;
use crate::report::number_rows;

/// The tick of an aircraft whose tags were printed and measured.
pub const PRINTED: &str = "printed";

/// The cautions as they were last confirmed.
const CAUTIONS: &str = "cautions.json";

/// Most ticks of one list, and the longest of them in bytes: far above those of any radio.
const MOST_TICKS: usize = 2000;
const LONGEST_TICK: usize = 300;

/// What was ticked off of a list.
pub fn read(store: &Store, id: &str) -> BTreeSet<String> {
    store.read(&name(id)).unwrap_or_default()
}

/// Keeps what is ticked off of a list.
pub fn write(store: &Store, id: &str, ticks: &BTreeSet<String>) -> Result<(), Refusal> {
    let is_large = ticks.len() > MOST_TICKS || ticks.iter().any(|tick| tick.len() > LONGEST_TICK);
    if is_large {
        return Err(Refusal::bad_request(
            "these are more ticks than any list has",
            "send the ticks of the page",
        ));
    }
    store.write(&name(id), ticks).map_err(not_kept)
}

fn name(id: &str) -> String {
    format!("ticks/{id}.json")
}

fn not_kept(cause: std::io::Error) -> Refusal {
    Refusal::not_kept(StatusCode::BAD_REQUEST, "this", &cause)
}

/// The name of a number's tick.
pub fn tick(follower: &str, what: &str) -> String {
    format!("{follower}: {what}")
}

/// Whether all numbers to enter are ticked off.
pub fn all_ticked(measurement: &Measurement, ticked: &BTreeSet<String>) -> bool {
    let mut corrections = measurement.matches.iter();
    corrections.all(|correction| {
        let rows = number_rows(measurement, correction);
        let mut changed = rows.iter().filter(|row| row.changed);
        changed.all(|row| ticked.contains(&tick(&correction.follower, &row.what)))
    })
}

/// Whether the cautions were confirmed today.
pub fn cautions_confirmed(store: &Store) -> bool {
    store
        .read::<String>(CAUTIONS)
        .is_some_and(|day| day == today())
}

/// Keeps that the cautions were confirmed today.
pub fn confirm_cautions(store: &Store) -> Result<(), Refusal> {
    store.write(CAUTIONS, &today()).map_err(not_kept)
}

/// The day in local time.
fn today() -> String {
    jiff::Zoned::now().date().to_string()
}
