//! The joint fit: 3,000 hand-held frames of two surfaces, without and with surroundings, and a tripod clip
//! of the usual length.

#![allow(missing_docs, clippy::unwrap_used)]

#[path = "../support/mod.rs"]
#[allow(dead_code)]
mod support;

use criterion::{Criterion, criterion_group, criterion_main};
use hingewise::motion::{FitOptions, fit};
use support::filming::{self, Filming, StickPlan};
use support::surroundings::{put_into, still};
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
    let film_of = |filming: &Filming| world::observe(&aircraft::plain(1), filming);
    let mut around = film_of(&handheld);
    put_into(&mut around, &still());
    let cases = [
        ("3000 frames, moving camera", film_of(&handheld)),
        ("the same with surroundings", around),
        ("17 holds, tripod", film_of(&filming::tripod())),
    ];
    let mut group = criterion.benchmark_group("fit");
    group.sample_size(10);
    for (name, film) in cases {
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
