//! How much a browser loads for each page of the bench.

use std::collections::BTreeSet;

use super::folder_with;
use super::guide;
use super::server::Server;

/// Most of a page with its style, scripts and pictures, bytes.
const MOST_BYTES: usize = 60_000;

/// What follows each of the marks up to the next quotation mark.
fn quoted<'t>(text: &'t str, marks: &[&str]) -> impl Iterator<Item = &'t str> {
    let of_mark = |mark: &&str| text.split(*mark).skip(1).collect::<Vec<_>>();
    let ends = marks.iter().flat_map(of_mark).collect::<Vec<_>>();
    ends.into_iter().filter_map(|rest| rest.split('"').next())
}

/// Addresses that a page loads, and those that a script imports.
fn loaded(path: &str, text: &str) -> Vec<String> {
    let names = match path.ends_with(".js") {
        true => quoted(text, &["from \"", "import \""]).collect::<Vec<_>>(),
        false => {
            let tags = text.split('<').filter(|tag| {
                let kinds = ["link ", "script ", "img ", "object ", "iframe "];
                kinds.iter().any(|kind| tag.starts_with(kind))
            });
            tags.flat_map(|tag| quoted(tag, &["src=\"", "href=\"", "data=\""]))
                .collect()
        }
    };
    names.into_iter().map(str::to_owned).collect()
}

/// A page and all that comes with it, each once: addresses and bytes.
fn weight(server: &Server, page: &str) -> Vec<(String, usize)> {
    let mut known = BTreeSet::from([page.to_owned()]);
    let mut open = vec![page.to_owned()];
    let mut parts = Vec::new();
    while let Some(path) = open.pop() {
        let answer = server.get(&path);
        assert_eq!(answer.status, 200, "{path}");
        parts.push((path.clone(), answer.body.len()));
        if path.ends_with(".js") || path == page {
            let more = loaded(&path, &answer.text()).into_iter();
            open.extend(more.filter(|one| known.insert(one.clone())));
        }
    }
    parts
}

#[test]
fn pages_style_and_script_stay_below_sixty_kilobytes() {
    let folder = folder_with(&["model.toml", "camera.toml", "cards.mp4"]);
    let server = Server::of(folder.path());
    let first = |path: &str| server.json(path)[0]["id"].as_str().unwrap().to_owned();
    let (aircraft, camera) = (first("/api/aircraft"), first("/api/cameras"));
    let of_aircraft = ["", "/edit", "/text", "/print", "/film", "/live", "/history"];
    let of_aircraft = of_aircraft.map(|page| format!("/aircraft/{aircraft}{page}"));
    let others = [
        "/",
        "/aircraft/new",
        "/phone",
        "/pair",
        "/camera",
        "/camera/new",
        "/camera/live",
    ];
    let live = format!("/live/{}", server.begin_live());
    let guide = format!("/camera/live/{}", guide::begin(&server));
    let mut pages: Vec<String> = others.map(str::to_owned).into();
    pages.extend(of_aircraft);
    pages.extend([format!("/camera/{camera}"), live.clone(), guide.clone()]);
    for page in pages {
        let parts = weight(&server, &page);
        let all: usize = parts.iter().map(|(_, bytes)| bytes).sum();
        println!("{page}: {all} bytes");
        assert!(all < MOST_BYTES, "{page}: {all}, {parts:?}");
        let has = |name: &str| parts.iter().any(|(path, _)| path == name);
        assert!(has("/bench.css"), "{page}: {parts:?}");
        // What scripts import counts as well.
        assert_eq!(
            has("/live-camera.js"),
            page == live || page == guide,
            "{page}: {parts:?}"
        );
    }
}
