//! The few calls into C libraries for which the bindings offer no safe function: the only `unsafe` code.
#![allow(unsafe_code)]

use ffmpeg_the_third::frame::Video;

/// Whether the decoder found errors in a frame that it hands out as good, with what is missing made up.
pub(crate) fn has_decode_errors(frame: &Video) -> bool {
    // SAFETY: a `Video` owns an allocated frame for as long as it lives, and this field is a plain number.
    unsafe {
        frame
            .as_ref()
            .is_none_or(|frame| frame.decode_error_flags != 0)
    }
}

/// Gives back what the C library holds of memory that was freed.
///
/// The decoder's frames come from the stores of its own threads, and nobody else can use what these keep
/// of them: after ten minutes of film that is a third of all that the program holds.
pub(crate) fn give_back_memory() {
    #[cfg(all(target_os = "linux", target_env = "gnu"))]
    // SAFETY: has no requirements, and any thread may call it at any time (malloc_trim(3), MT-Safe).
    unsafe {
        libc::malloc_trim(0);
    }
}
