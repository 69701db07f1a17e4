//! The charts of the page: pure functions from data to SVG.

mod hinges;
mod mismatch;
mod neutral;
mod over_measurements;
mod response;
mod throws;
mod timeline;

pub use hinges::hinges;
pub use mismatch::{Series, mismatch, two_mismatches};
pub use neutral::neutral;
pub use response::{Shown, Turn, response, straight_line_departure};
pub use throws::{Throws, throws};
pub use timeline::timeline;
