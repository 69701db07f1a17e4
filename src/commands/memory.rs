//! Memory that was freed, given back to the system.

/// Gives back what the C library holds of memory that was freed.
///
/// The decoder's frames come from its own threads' stores, and what these keep of them nobody else
/// can use: after ten minutes of film that is a third of all that the program holds.
pub(super) fn give_back() {
    #[cfg(all(target_os = "linux", target_env = "gnu"))]
    #[allow(unsafe_code)]
    // SAFETY: has no requirements, and any thread may call it at any time (malloc_trim(3), MT-Safe).
    unsafe {
        libc::malloc_trim(0);
    }
}
