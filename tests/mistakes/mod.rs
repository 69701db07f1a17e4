//! Mistakes that people make, and what the program says: a wrong number never comes without a word.

mod geometry;
mod overexposed;
mod pictures;
mod rates;
