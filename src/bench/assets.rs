//! Style and script of the pages, built into the program.

use std::sync::LazyLock;

use axum::Router;
use axum::http::header;
use axum::response::IntoResponse;
use axum::routing::get;

use super::Shared;

/// Each script under its address.
const SCRIPTS: [(&str, &str); 11] = [
    ("/upload.js", include_str!("assets/upload.js")),
    ("/progress.js", include_str!("assets/progress.js")),
    ("/pair.js", include_str!("assets/pair.js")),
    ("/ticks.js", include_str!("assets/ticks.js")),
    ("/guide.js", include_str!("assets/guide.js")),
    ("/live.js", include_str!("assets/live.js")),
    ("/live-camera.js", include_str!("assets/live-camera.js")),
    ("/live-draw.js", include_str!("assets/live-draw.js")),
    ("/live-figures.js", include_str!("assets/live-figures.js")),
    ("/live-page.js", include_str!("assets/live-page.js")),
    ("/live-sound.js", include_str!("assets/live-sound.js")),
];

/// Styles and pictures, with their types.
const OTHERS: [(&str, &str, &str); 5] = [
    ("/bench.css", "text/css", include_str!("assets/bench.css")),
    ("/guide.css", "text/css", include_str!("assets/guide.css")),
    ("/live.css", "text/css", include_str!("assets/live.css")),
    (
        "/live-page.css",
        "text/css",
        include_str!("assets/live-page.css"),
    ),
    (
        "/bench.svg",
        "image/svg+xml",
        include_str!("assets/bench.svg"),
    ),
];

/// Each script as it is served.
static SERVED: LazyLock<Vec<(&str, String)>> = LazyLock::new(|| {
    let scripts = SCRIPTS.into_iter();
    scripts
        .map(|(at, text)| (at, without_comments(text)))
        .collect()
});

pub fn routes() -> Router<Shared> {
    let scripts = SERVED.iter().fold(Router::new(), |router, (at, text)| {
        let text = text.as_str();
        router.route(
            at,
            get(move || asset("text/javascript; charset=utf-8", text)),
        )
    });
    let others = OTHERS.into_iter();
    others.fold(scripts, |router, (at, kind, text)| {
        router.route(at, get(move || asset(kind, text)))
    })
}

async fn asset(kind: &'static str, text: &'static str) -> impl IntoResponse {
    ([(header::CONTENT_TYPE, kind)], text)
}

/// A script without the lines that hold nothing but a comment. Types and reasons are a fifth of the
/// scripts, and are of no use to a browser.
fn without_comments(script: &str) -> String {
    let lines = script.lines().filter(|line| !is_comment(line.trim()));
    lines.flat_map(|line| [line, "\n"]).collect()
}

fn is_comment(line: &str) -> bool {
    let is_block = |line: &str| match line.find("*/") {
        Some(end) => end + 2 == line.len(),
        None => true,
    };
    line.starts_with("//") || line.starts_with('*') || line.starts_with("/**") && is_block(line)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn scripts_are_served_without_comments_and_with_all_of_their_code() {
        let script = "// @ts-check\n/** @type {X} */ let a = 2;\n\n/**\n * @param {Y} b\n */\n\
                      const f = (b) => a * b; // twice\n/** One. */\n";
        let served = "/** @type {X} */ let a = 2;\n\nconst f = (b) => a * b; // twice\n";
        assert_eq!(without_comments(script), served);
        for (at, script) in SCRIPTS {
            let count = |text: &str, mark: char| text.matches(mark).count();
            let served = without_comments(script);
            assert!(served.len() < script.len(), "{at}");
            // Comments hold whole types, so that what is left is balanced as well.
            for (open, close) in [('{', '}'), ('(', ')'), ('[', ']')] {
                assert_eq!(count(&served, open), count(&served, close), "{at}");
            }
        }
    }
}
