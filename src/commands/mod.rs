//! Commands: one file each; they compose the stages and compute nothing.
