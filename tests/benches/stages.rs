//! Time of each stage on the sample clip: `cargo bench`.
#![allow(missing_docs, clippy::expect_used)]

use std::path::Path;

use criterion::{Criterion, criterion_group, criterion_main};
use hingewise::clip::{Clip, ClipError, ClipOptions};

/// A clip of one's own can be timed instead of the sample.
const CLIP_VARIABLE: &str = "HINGEWISE_BENCH_CLIP";

fn clip_path() -> std::path::PathBuf {
    std::env::var_os(CLIP_VARIABLE).map_or_else(
        || Path::new(env!("CARGO_MANIFEST_DIR")).join("sample-frames/cards.mp4"),
        Into::into,
    )
}

fn read_all(path: &Path) -> Result<usize, ClipError> {
    let mut frames = Clip::open(path, &ClipOptions::default())?.into_stream()?;
    let mut count = 0;
    for frame in &mut frames {
        frame?;
        count += 1;
    }
    Ok(count)
}

fn clip(criterion: &mut Criterion) {
    let path = clip_path();
    let mut group = criterion.benchmark_group("stages");
    group.sample_size(10);
    group.bench_function("clip", |bencher| {
        bencher.iter(|| read_all(&path).expect("a readable clip"));
    });
    group.finish();
}

criterion_group!(stages, clip);
criterion_main!(stages);
