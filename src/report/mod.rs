//! Report: the page, the tables and the pictures that a person keeps.
