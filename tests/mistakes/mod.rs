//! Mistakes that people make, and what the program says to each.

mod geometry;
