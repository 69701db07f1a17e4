//! All tests from outside of the crate, as one program: linked once, and its slow tests share the
//! cores with the quick ones.

mod bad_input;
mod bench_page;
mod calibrate_command;
mod calibration_boards;
mod calibration_filming;
mod calibration_photographs;
mod calibration_references;
mod calibration_synthetic;
mod camera_profile;
mod cli;
mod clip;
mod compare_and_record;
mod corners;
mod decisions;
mod demo;
mod functions;
mod help;
mod hostile;
mod joint_fit;
mod joint_fit_on_clips;
mod level_zero;
mod matching;
mod messages;
mod mistakes;
mod model_file;
mod neutral_drift;
mod nist_strd;
mod photographs;
mod print;
mod readme_commands;
mod sighting_cache;
mod stick_log;
mod support;
mod whole_job;
mod world;
