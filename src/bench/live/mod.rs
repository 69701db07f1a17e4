//! Live.
mod body;
mod turns;
