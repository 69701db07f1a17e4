//! Prints are laid out without clashes, and read back from pictures of them.
//!
//! Pictures are made by `pdftoppm` of poppler-utils, which shares no code with the project.

#![allow(clippy::unwrap_used)]

mod command;
mod layout;
mod orders;
mod poppler;
mod read_back;
mod samples;
