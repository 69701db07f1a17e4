//! Passes the generations of OpenCV and FFmpeg to the crate, and a fingerprint of the sources
//! that decide about sightings.
//!
//! With version 8 FFmpeg moved the display matrix from the track to the frames, and removed fields of frames
//! that flags had replaced.
//!
//! Marker detection moved from the contributed module `aruco` to `objdetect`, with another
//! interface, in OpenCV 4.7. The `opencv` crate does not hand its version on, so it is asked of
//! pkg-config here; `vision` checks the answer against the bindings at compile time.

use std::path::{Path, PathBuf};

#[path = "sighting_cache/fingerprint.rs"]
mod fingerprint;
#[path = "sighting_cache/sources.rs"]
mod sources;

use fingerprint::Fingerprint;
use sources::SIGHTING_SOURCES;

fn main() {
    println!(
        "cargo::rustc-env=HINGEWISE_SOURCES={:016x}",
        fingerprint_of_sources().value()
    );
    println!("cargo::rustc-check-cfg=cfg(markers_in_objdetect)");
    println!("cargo::rustc-check-cfg=cfg(ffmpeg_before_8)");
    println!("cargo::rerun-if-changed=src/build.rs");
    for path in SIGHTING_SOURCES.map(source_path) {
        println!("cargo::rerun-if-changed={}", path.display());
    }
    println!("cargo::rerun-if-changed=Cargo.lock");
    println!("cargo::rerun-if-env-changed=PKG_CONFIG_PATH");
    println!("cargo::rerun-if-env-changed=DOCS_RS");
    if std::env::var_os("DOCS_RS").is_some() {
        // The bindings that ship with the `opencv` crate are of the newest generation.
        println!("cargo::rustc-cfg=markers_in_objdetect");
        return;
    }
    let opencv = installed(&["opencv5", "opencv4", "opencv"]).unwrap_or((5, 0));
    if opencv >= (4, 7) {
        println!("cargo::rustc-cfg=markers_in_objdetect");
    }
    // FFmpeg 8.0 comes with libavcodec 62.8.
    let libavcodec = installed(&["libavcodec"]).unwrap_or((62, 8));
    if libavcodec < (62, 8) {
        println!("cargo::rustc-cfg=ffmpeg_before_8");
    }
}

/// Fingerprint of the sources that decide about sightings and the versions of all crates: sightings kept by
/// another build are not used.
fn fingerprint_of_sources() -> Fingerprint {
    let locked = std::fs::read("Cargo.lock").unwrap_or_default();
    let paths = SIGHTING_SOURCES.map(source_path);
    let start = Fingerprint::new().and(&locked);
    paths.iter().fold(start, |before, path| with(path, before))
}

fn source_path(name: &str) -> PathBuf {
    let folder = Path::new("src").join(name);
    if folder.is_dir() {
        folder
    } else {
        folder.with_extension("rs")
    }
}

/// A fingerprint with a file or all files of a folder.
fn with(path: &Path, before: Fingerprint) -> Fingerprint {
    if !path.is_dir() {
        return before.and(&std::fs::read(path).unwrap_or_default());
    }
    let entries = std::fs::read_dir(path).into_iter().flatten().flatten();
    let mut paths: Vec<_> = entries.map(|entry| entry.path()).collect();
    paths.sort();
    paths.iter().fold(before, |before, path| with(path, before))
}

/// The version of the first of these packages that is installed.
fn installed(packages: &[&str]) -> Option<(u32, u32)> {
    let library = packages.iter().find_map(|package| {
        pkg_config::Config::new()
            .cargo_metadata(false)
            .probe(package)
            .ok()
    })?;
    major_and_minor(&library.version)
}

fn major_and_minor(version: &str) -> Option<(u32, u32)> {
    let mut parts = version.split('.');
    Some((parts.next()?.parse().ok()?, parts.next()?.parse().ok()?))
}
