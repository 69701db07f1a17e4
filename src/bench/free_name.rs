//! Free names for files and folders that the bench makes.

use std::path::{Path, PathBuf};

use crate::names::plain_letters;

/// Longest name of a file that comes from outside, in letters, without its ending.
const LONGEST_NAME: usize = 80;

/// The first of `STEM.ENDING`, `STEM-2.ENDING`, `STEM-3.ENDING`, … that is free. `ending` begins with its
/// point, or is empty.
pub fn free_name(stem: &str, ending: &str, is_free: impl Fn(&Path) -> bool) -> PathBuf {
    let names = (1_u32..).map(|number| match number {
        1 => PathBuf::from(format!("{stem}{ending}")),
        number => PathBuf::from(format!("{stem}-{number}{ending}")),
    });
    let mut free = names.filter(|name| is_free(name));
    free.next().unwrap_or_default()
}

/// What the name that a person gives becomes at the beginning of the name of a file.
pub fn file_stem(name: &str) -> String {
    let plain = plain_name(&format!("{}.toml", name.to_lowercase().replace('.', "_")));
    plain.trim_end_matches(".toml").into()
}

/// A name from outside as the name of a file: no folders, no hidden file, plain letters, not too long.
pub fn plain_name(name: &str) -> String {
    let last = name.rsplit(['/', '\\']).next().unwrap_or_default();
    let plain = plain_letters(last);
    let plain = plain.trim_matches(['.', '-']);
    let (stem, ending) = plain.rsplit_once('.').unwrap_or((plain, ""));
    let stem: String = stem.chars().take(LONGEST_NAME).collect();
    let ending: String = ending.chars().take(5).collect();
    match (stem.is_empty(), ending.is_empty()) {
        (true, _) => "clip.mp4".into(),
        (false, true) => format!("{stem}.mp4"),
        (false, false) => format!("{stem}.{ending}"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_number_is_added_where_the_name_is_taken() {
        let taken = ["heron.toml", "heron-2.toml"].map(Path::new);
        let is_free = |name: &Path| !taken.contains(&name);
        let free = |stem, ending| free_name(stem, ending, is_free);
        assert_eq!(free("heron", ".toml"), Path::new("heron-3.toml"));
        assert_eq!(free("heron", ""), Path::new("heron"));
    }

    #[test]
    fn names_from_outside_become_plain_names() {
        for (name, plain) in [
            ("IMG 0042.MOV", "IMG_0042.MOV"),
            ("../../etc/passwd", "passwd.mp4"),
            ("C:\\films\\a.mp4", "a.mp4"),
            ("..", "clip.mp4"),
            (".hidden.mp4", "hidden.mp4"),
            ("Höhenruder.mp4", "Höhenruder.mp4"),
            ("a\u{0}b<script>.mp4", "a_b_script_.mp4"),
            ("", "clip.mp4"),
        ] {
            assert_eq!(plain_name(name), plain, "{name:?}");
        }
        assert!(plain_name(&"x".repeat(500)).len() < 100);
    }
}
