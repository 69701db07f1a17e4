//! Signals to a running program. A minimal system has no `kill` command.

use std::process::Child;

use rustix::process::{Pid, Signal, kill_process};

pub fn send(child: &Child, signal: Signal) {
    let pid = i32::try_from(child.id()).ok().and_then(Pid::from_raw);
    kill_process(pid.unwrap(), signal).unwrap();
}

/// The signals that end a program that this one starts, with their numbers (POSIX.1, `kill`). Those that this
/// program was told to ignore, such as HUP by `nohup`, stay ignored in what it starts, and are left out.
pub fn ending() -> impl Iterator<Item = (Signal, i32)> {
    let signals = [(Signal::INT, 2), (Signal::TERM, 15), (Signal::HUP, 1)];
    let ignored = ignored();
    signals.into_iter().filter(move |(signal, number)| {
        let is_ignored = ignored >> (number - 1) & 1 == 1;
        if is_ignored {
            println!("{signal:?} is ignored here, and not tried");
        }
        !is_ignored
    })
}

/// A bit for each ignored signal, the lowest for number 1 (Linux, proc_pid_status(5)); none on other systems.
fn ignored() -> u64 {
    let status = std::fs::read_to_string("/proc/self/status").unwrap_or_default();
    let mask = status.lines().find_map(|line| line.strip_prefix("SigIgn:"));
    mask.map_or(0, |mask| u64::from_str_radix(mask.trim(), 16).unwrap())
}
