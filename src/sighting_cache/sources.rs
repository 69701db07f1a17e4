//! The sources that decide about sightings.
//!
//! Only their fingerprint is part of a kept search. A change elsewhere, such as in a report, leaves kept searches
//! valid. The build script includes this file.

/// Folders and files of `src` that decide about sightings, without `.rs`.
pub const SIGHTING_SOURCES: [&str; 8] = [
    "bounded_file",
    "clip",
    "foreign",
    "geometry",
    "landmarks",
    "sighting_cache",
    "tags",
    "vision",
];

#[cfg(test)]
mod tests {
    use std::path::{Path, PathBuf};

    use super::SIGHTING_SOURCES;

    /// Modules that these sources may import besides: the plan that comes from the model file is part of each kept
    /// search, and the others only put words together.
    const NOT_DECIDING: [&str; 4] = ["model_file", "names", "progress", "warning"];

    fn files(path: &Path) -> Vec<PathBuf> {
        if path.is_file() {
            return vec![path.to_owned()];
        }
        let entries = std::fs::read_dir(path).unwrap();
        entries
            .flat_map(|entry| files(&entry.unwrap().path()))
            .collect()
    }

    /// The modules of the crate that a source names outside comments.
    fn imports(source: &str) -> Vec<String> {
        let code = source
            .lines()
            .filter(|line| !line.trim_start().starts_with("//"));
        let names = code.flat_map(|line| line.split(concat!("crate", "::")).skip(1));
        let is_part = |character: &char| character.is_alphanumeric() || *character == '_';
        names
            .map(|after| after.chars().take_while(is_part).collect())
            .collect()
    }

    #[test]
    fn nothing_else_decides_about_sightings() {
        let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("src");
        let mut checked = 0;
        for name in SIGHTING_SOURCES {
            let folder = root.join(name);
            let path = if folder.is_dir() {
                folder
            } else {
                folder.with_extension("rs")
            };
            for file in files(&path) {
                let source = std::fs::read_to_string(&file).unwrap_or_default();
                for import in imports(&source) {
                    let is_known = SIGHTING_SOURCES.contains(&import.as_str())
                        || NOT_DECIDING.contains(&import.as_str());
                    assert!(is_known, "{} imports {import}", file.display());
                    checked += 1;
                }
            }
        }
        assert!(checked > 100, "{checked}");
    }
}
