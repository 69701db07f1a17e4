//! Signals to a running program. A minimal system has no `kill` command.

use std::process::Child;

use rustix::process::{Pid, Signal, kill_process};

pub fn send(child: &Child, signal: Signal) {
    let pid = i32::try_from(child.id()).ok().and_then(Pid::from_raw);
    kill_process(pid.unwrap(), signal).unwrap();
}
