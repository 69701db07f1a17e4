//! `hingewise`: parses the command line and calls.

fn main() {}
