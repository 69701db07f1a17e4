//! The joint fit: 3,000 hand-held frames of two surfaces, and a tripod clip of the usual length.

#![allow(missing_docs, clippy::unwrap_used)]

#[path = "../support/mod.rs"]
mod support;

use criterion::{Criterion, criterion_group, criterion_main};
use hingewise::motion::{FitOptions, fit};
use support::filming::{self, Filming, StickPlan};
use support::{aircraft, world};

fn joint_fit(criterion: &mut Criterion) {
    let sweep = StickPlan::Sweep {
        period_s: 20.0,
        duration_s: 100.0,
    };
    let handheld = Filming {
        stick: sweep,
        ..filming::handheld()
    };
    let cases = [
        ("3000 frames, moving camera", handheld),
        ("17 holds, tripod", filming::tripod()),
    ];
    let mut group = criterion.benchmark_group("fit");
    group.sample_size(10);
    for (name, filming) in cases {
        let film = world::observe(&aircraft::plain(1), &filming);
        let options = FitOptions::default();
        group.bench_function(name, |bencher| {
            bencher.iter(|| {
                fit(
                    &film.sightings,
                    &film.model,
                    &film.profile,
                    &options,
                    &mut vec![],
                )
                .unwrap()
            });
        });
    }
    group.finish();
}

criterion_group!(benches, joint_fit);
criterion_main!(benches);
