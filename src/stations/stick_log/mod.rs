//! Stick log: aligns a logged stick with the clip, and labels rests and sweeps from it.
//!
//! `log` reads the file. `cross_correlation` proposes clock offsets; `clock` chooses and refines one, with the shaft
//! of each servo (`servo`) and the response of each surface (`response_fit`). `logged` labels rests and sweeps;
//! `timing` records the alignment.

mod clock;
mod cross_correlation;
pub(super) mod log;
pub(super) mod logged;
mod response_fit;
mod servo;
pub(super) mod timing;
