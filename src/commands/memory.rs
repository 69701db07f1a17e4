//! Memory that was freed, given back to the system.

/// Returns freed memory of the C library to the system.
///
/// The decoder's frames come from the allocator's stores of its own threads, and nobody else can
/// use the memory left in them: after ten minutes of film that is a third of the program's memory.
pub(super) fn give_back() {
    #[cfg(all(target_os = "linux", target_env = "gnu"))]
    #[allow(unsafe_code)]
    // SAFETY: has no requirements, and any thread may call it at any time (malloc_trim(3), MT-Safe).
    unsafe {
        libc::malloc_trim(0);
    }
}
