//! Mistakes that people make, and what the program says: a wrong number never comes without a word.

mod overexposed;
mod pictures;
mod rates;
