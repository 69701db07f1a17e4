//! Tells the crate which generation of OpenCV it is built against.
//!
//! Marker detection moved from the contributed module `aruco` to `objdetect`, with another
//! interface, in OpenCV 4.7. The `opencv` crate does not hand its version on, so it is asked of
//! pkg-config here; `vision` checks the answer against the bindings at compile time.

fn main() {
    println!("cargo::rustc-check-cfg=cfg(markers_in_objdetect)");
    println!("cargo::rerun-if-changed=src/build.rs");
    println!("cargo::rerun-if-env-changed=PKG_CONFIG_PATH");
    println!("cargo::rerun-if-env-changed=DOCS_RS");
    if std::env::var_os("DOCS_RS").is_some() {
        // The bindings that ship with the `opencv` crate are of the newest generation.
        println!("cargo::rustc-cfg=markers_in_objdetect");
        return;
    }
    let version = ["opencv5", "opencv4", "opencv"]
        .iter()
        .find_map(|package| pkg_config::Config::new().cargo_metadata(false).probe(package).ok())
        .map(|library| library.version);
    let (major, minor) = version.as_deref().and_then(major_and_minor).unwrap_or((5, 0));
    if (major, minor) >= (4, 7) {
        println!("cargo::rustc-cfg=markers_in_objdetect");
    }
}

fn major_and_minor(version: &str) -> Option<(u32, u32)> {
    let mut parts = version.split('.');
    Some((parts.next()?.parse().ok()?, parts.next()?.parse().ok()?))
}
