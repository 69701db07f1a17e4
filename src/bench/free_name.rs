//! Free names for files and folders that the bench makes.

use std::path::{Path, PathBuf};

use super::uploads::plain_name;

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
}
