//! The kept record of one measurement: `measurement.json`.
