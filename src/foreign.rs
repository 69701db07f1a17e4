//! The few calls into C libraries for which the bindings offer no safe function: the only `unsafe` code.
#![allow(unsafe_code)]

use std::ffi::{CStr, c_char, c_int, c_void};
use std::sync::Once;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};

use ffmpeg_the_third::codec::{self, decoder};
use ffmpeg_the_third::ffi;
use ffmpeg_the_third::frame::Video;

/// Packets that a decoder may hold at once, with room to spare: its threads and the pictures that wait for
/// their turn are at most a third of it.
pub(crate) const WATCHED_PACKETS: usize = 64;

/// What a decoder says when it makes up a part of a picture (its error concealment), gives up within one, or
/// finds none in a packet.
const SAID_OF_DAMAGE: [&[u8]; 6] = [
    b"concealing %d DC",
    b"error while decoding MB",
    b"Error parsing NAL",
    b"Error splitting the input",
    b"Invalid NAL unit size",
    b"no frame!",
];

/// Watches a decoder for what it says while it works on each packet.
///
/// The error flags of a frame are copied before all threads of the decoder have ended their work on it, so
/// that they are missing now and then. What the decoder says is never late: a frame comes out only after the
/// thread that decoded it has ended.
#[derive(Debug)]
pub(crate) struct Watch(Box<[Watched; WATCHED_PACKETS]>);

/// One packet in the decoder.
#[derive(Debug, Default)]
struct Watched {
    order: AtomicU64,
    damaged: AtomicBool,
}

impl Watch {
    /// Watches nothing yet. It has to outlive the decoders that it watches.
    // The type that libav gives the callback's last argument differs between processors.
    #[allow(clippy::missing_transmute_annotations)]
    pub(crate) fn new() -> Self {
        static LISTEN: Once = Once::new();
        LISTEN.call_once(|| {
            type Heard = unsafe extern "C" fn(*mut c_void, c_int, *const c_char);
            let hear: Heard = hear;
            // SAFETY: the library calls it with one argument more, whose type differs between processors and
            // which is not looked at; with C's calling conventions the caller takes it away again.
            unsafe { ffi::av_log_set_callback(Some(std::mem::transmute(hear))) };
        });
        Self(Box::new(std::array::from_fn(|_| Watched::default())))
    }

    /// To be called just before a packet is given to the decoder: what it says from then on about this
    /// packet is noted for its place in the order of decoding.
    pub(crate) fn begin(&self, decoder: &mut decoder::Video, order: u64) {
        let watched = &self.0[(order % WATCHED_PACKETS as u64) as usize];
        watched.order.store(order, Ordering::Relaxed);
        watched.damaged.store(false, Ordering::Relaxed);
        let place = std::ptr::from_ref(watched).cast_mut().cast::<c_void>();
        // SAFETY: the decoder owns its context, and `opaque` is for its user alone; each thread takes it over
        // with its packet.
        unsafe { (*decoder.as_mut_ptr()).opaque = place };
    }

    /// The packets that turned out damaged since the last call, by their places in the order of decoding.
    pub(crate) fn damaged(&self) -> Vec<u64> {
        let news = self
            .0
            .iter()
            .filter(|one| one.damaged.swap(false, Ordering::Relaxed));
        news.map(|one| one.order.load(Ordering::Relaxed)).collect()
    }
}

/// Hears what libav's parts say, and notes damage for the packet at hand.
///
/// # Safety
/// `speaker` is null or points to a pointer to its class, and `format` to a C string, as libav's logging
/// asks of its callers.
unsafe extern "C" fn hear(speaker: *mut c_void, level: c_int, format: *const c_char) {
    if speaker.is_null() || format.is_null() {
        return;
    }
    // SAFETY: see above; the class of a decoder's context has this name, and only those that `Watch` tagged
    // carry anything in `opaque`.
    unsafe {
        let class = *speaker.cast::<*const ffi::AVClass>();
        if class.is_null() || CStr::from_ptr((*class).class_name) != c"AVCodecContext" {
            return;
        }
        let context = speaker.cast::<ffi::AVCodecContext>();
        let (place, codec) = ((*context).opaque.cast::<Watched>(), (*context).codec_id);
        if place.is_null() {
            return;
        }
        let said = CStr::from_ptr(format).to_bytes();
        let is_damage = SAID_OF_DAMAGE
            .iter()
            .any(|beginning| said.starts_with(beginning))
            || codec == ffi::AVCodecID::HEVC && level <= ffi::AV_LOG_ERROR as c_int;
        if is_damage {
            (*place).damaged.store(true, Ordering::Relaxed);
        }
    }
}

/// Whether the decoder found errors in a frame that it hands out as good, with what is missing made up.
/// With several threads the flags may come too late for the frame: see [`Watch`].
pub(crate) fn has_decode_errors(frame: &Video) -> bool {
    // SAFETY: a `Video` owns an allocated frame for as long as it lives, and this field is a plain number.
    unsafe {
        frame
            .as_ref()
            .is_none_or(|frame| frame.decode_error_flags != 0)
    }
}

/// Whether the decoder found that the even and odd lines of a frame are of two moments. Not every container says so.
#[cfg(ffmpeg_before_8)]
pub(crate) fn is_interlaced(frame: &Video) -> bool {
    frame.is_interlaced()
}

#[cfg(not(ffmpeg_before_8))]
pub(crate) fn is_interlaced(frame: &Video) -> bool {
    /// `AV_FRAME_FLAG_INTERLACED` of libavutil/frame.h, since FFmpeg 6.1.
    const INTERLACED: c_int = 1 << 3;
    // SAFETY: a `Video` owns an allocated frame for as long as it lives, and this field is a plain number.
    unsafe {
        frame
            .as_ref()
            .is_some_and(|frame| frame.flags & INTERLACED != 0)
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

/// Whether the program was started to ignore a signal, as `nohup` and shells do for programs in the
/// background.
#[cfg(unix)]
pub(crate) fn is_ignored(signal: libc::c_int) -> bool {
    // SAFETY: an all-zero `sigaction` is a valid value, and without a new action the call only fills it.
    unsafe {
        let mut action: libc::sigaction = std::mem::zeroed();
        libc::sigaction(signal, std::ptr::null(), &mut action) == 0
            && action.sa_sigaction == libc::SIG_IGN
    }
}

/// FFmpeg's version as it calls itself.
pub(crate) fn ffmpeg_version() -> String {
    // SAFETY: returns a C string that stays for as long as the program runs.
    let version = unsafe { CStr::from_ptr(ffi::av_version_info()) };
    version.to_string_lossy().into_owned()
}

/// Lets a decoder that is about to be opened find marks in the luma of each new picture, which it overwrites
/// as it decodes: where they are left, nothing was decoded. See [`mark_of_row`].
///
/// A decoder of HEVC loses its place at most errors, takes some bit for the end of the picture, and hands out
/// the rest as it was in memory, without a word.
pub(crate) fn mark_new_pictures(context: &mut codec::Context) {
    // SAFETY: the context is the caller's, and not opened yet.
    unsafe { (*context.as_mut_ptr()).get_buffer2 = Some(marked_buffer) };
}

/// The byte that fills a row of a new picture: 1 to 3, which neither video of limited range in eight bits nor
/// any picture in ten (as 257, 514 or 771 throughout a row) has in this order.
pub(crate) fn mark_of_row(row: usize) -> u8 {
    // Multiplicative hashing (Knuth, The Art of Computer Programming, vol. 3, 6.4).
    let mixed = (row as u32).wrapping_mul(2_654_435_761);
    1 + ((mixed >> 16) % 3) as u8
}

/// The library's own buffer for a picture, with marks in its luma.
///
/// # Safety
/// As libav asks of its callers: both pointers are valid.
unsafe extern "C" fn marked_buffer(
    context: *mut ffi::AVCodecContext,
    frame: *mut ffi::AVFrame,
    flags: c_int,
) -> c_int {
    // SAFETY: passed on as they came; the library's own buffers hold `height` rows of `linesize` bytes in
    // their first plane.
    unsafe {
        let result = ffi::avcodec_default_get_buffer2(context, frame, flags);
        let (start, stride, height) = ((*frame).data[0], (*frame).linesize[0], (*frame).height);
        if let (0.., Ok(stride), Ok(height)) =
            (result, usize::try_from(stride), usize::try_from(height))
            && !start.is_null()
        {
            for row in 0..height {
                std::ptr::write_bytes(start.add(row * stride), mark_of_row(row), stride);
            }
        }
        result
    }
}
