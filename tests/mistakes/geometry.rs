//! Mistakes in what is declared of camera, sides, tags and lengths.
//!
//! [`table`] lists them with what the program says. The films are the synthetic world's
//! (`tests/support`), whose truth is known.

#![allow(clippy::unwrap_used)]

mod made;

use hingewise::clip::{Clip, ClipOptions, Frame};
use hingewise::motion::{FitOptions, Motion, MotionWarning, fit};
use hingewise::progress::Silent;
use hingewise::tags::{TagPlan, sight};
use hingewise::warning::Warning;

use made::{
    airframe_on_right, exchange_ids, exchange_sides, field_of_view, first_on_right,
    long_airframe_edge, long_edge, no_airframe_tag, on_its_side, other_phone, scale_focal,
    second_on_right, short_ruler, slightly_long_airframe_edge, slightly_long_edge, upside_down,
};

use crate::support::aircraft::{self, Aircraft};
use crate::support::corner_errors::CONSTANT_PX;
use crate::support::filming::{self, CornerNoise, Filming};
use crate::support::judge::{rms, station_errors};
use crate::support::surroundings::{put_into, still};
use crate::support::world::{Film, observe};

/// Seeds of the films that each mistake is made in.
const SEEDS: std::ops::Range<u64> = 0..2;

/// How the camera is held.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Held {
    Tripod,
    Hand,
    /// Before a wall without anything to see on it.
    HandBeforeBareWall,
}

/// What the program is to say.
#[derive(Debug, Clone, Copy)]
enum Says {
    /// It refuses the clip with these words.
    Refuses(&'static str),
    /// It measures, with this warning that holds these words; deflections stay within their ±.
    Warns(&'static str, &'static str),
    /// It measures, with this warning; the figures belong to another servo, or have another sign.
    WarnsOfOtherFigures(&'static str, &'static str),
    /// It measures right all the same, and need not say anything.
    Nothing,
}

struct Mistake {
    name: &'static str,
    held: Held,
    makes: fn(&mut Film),
    says: Says,
}

/// Every mistake with what the program says.
fn table() -> Vec<Mistake> {
    use Held::{Hand, HandBeforeBareWall, Tripod};
    use Says::{Nothing, Refuses, Warns, WarnsOfOtherFigures};
    let row = |name, held, makes: fn(&mut Film), says| Mistake {
        name,
        held,
        makes,
        says,
    };
    let moves = Refuses("airframe tag 11 moves with the surfaces");
    let moves_too = Warns(
        "airframe-tag-moves",
        "airframe tag 11 moves with the surfaces",
    );
    let lens = |says| Warns("profile-contradicted", says);
    let upside = WarnsOfOtherFigures("sides-exchanged", "the phone was held upside down");
    let exchanged = WarnsOfOtherFigures("sides-exchanged", "left and right are swapped");
    vec![
        row(
            "airframe tag on a moving part",
            Tripod,
            airframe_on_right,
            moves,
        ),
        row(
            "airframe tag on a moving part",
            Hand,
            airframe_on_right,
            moves,
        ),
        row(
            "second airframe tag on a moving part",
            Tripod,
            second_on_right,
            moves_too,
        ),
        row(
            "second airframe tag on a moving part",
            Hand,
            second_on_right,
            moves_too,
        ),
        row(
            "first airframe tag on a moving part",
            Tripod,
            first_on_right,
            moves_too,
        ),
        row(
            "first airframe tag on a moving part",
            Hand,
            first_on_right,
            moves_too,
        ),
        row(
            "first airframe tag on a moving part",
            HandBeforeBareWall,
            first_on_right,
            Warns("airframe-tag-left-out", "tag 11"),
        ),
        row(
            "profile 5 % too short",
            Tripod,
            |film| scale_focal(film, 1.0 / 1.05),
            lens("another lens"),
        ),
        row(
            "profile 5 % too long",
            Tripod,
            |film| scale_focal(film, 1.05),
            lens("another lens"),
        ),
        row(
            "profile 5 % too short",
            Hand,
            |film| scale_focal(film, 1.0 / 1.05),
            lens("focal length 1.0"),
        ),
        row(
            "profile 5 % too long",
            Hand,
            |film| scale_focal(film, 1.05),
            lens("focal length 0.9"),
        ),
        row(
            "digital zoom 1.25 ×",
            Tripod,
            |film| scale_focal(film, 0.8),
            lens("digital zoom"),
        ),
        row(
            "digital zoom 1.25 ×",
            Hand,
            |film| scale_focal(film, 0.8),
            lens("digital zoom"),
        ),
        row(
            "another phone's profile",
            Tripod,
            other_phone,
            lens("another phone"),
        ),
        row(
            "another phone's profile",
            Hand,
            other_phone,
            lens("another phone"),
        ),
        row(
            "field of view 78° for 72°",
            Tripod,
            |film| field_of_view(film, 78.0),
            Nothing,
        ),
        row(
            "field of view 78° for 72°",
            Hand,
            |film| field_of_view(film, 78.0),
            Nothing,
        ),
        row(
            "field of view 95° for 72°",
            Hand,
            |film| field_of_view(film, 95.0),
            Warns("field-of-view-contradicted", "stated field of view of 95°"),
        ),
        row(
            "ids exchanged, or tags on the wrong sides",
            Tripod,
            exchange_ids,
            exchanged,
        ),
        row("`side` words exchanged", Tripod, exchange_sides, exchanged),
        row(
            "ids exchanged, or tags on the wrong sides",
            Hand,
            exchange_ids,
            exchanged,
        ),
        row("phone upside down", Tripod, upside_down, upside),
        row("phone upside down", Hand, upside_down, upside),
        row(
            "phone on its side, and the file does not say so",
            Tripod,
            on_its_side,
            WarnsOfOtherFigures("picture-turned", "turned clockwise by a quarter"),
        ),
        row(
            "hinge_to_tag_mm 15 mm too short",
            Tripod,
            short_ruler,
            Warns(
                "ruler-contradicted",
                "the clip contradicts hinge_to_tag_mm of \"left\"",
            ),
        ),
        row(
            "hinge_to_tag_mm 15 mm too short",
            Hand,
            short_ruler,
            Warns(
                "ruler-contradicted",
                "the clip contradicts hinge_to_tag_mm of \"left\"",
            ),
        ),
        row(
            "edge of a surface's tag 25 % too long",
            Tripod,
            long_edge,
            Nothing,
        ),
        row(
            "edge of a surface's tag 25 % too long",
            Hand,
            long_edge,
            Refuses("the edge of tag 10 does not fit the clip"),
        ),
        row(
            "edge of a surface's tag 5 % too long",
            Hand,
            slightly_long_edge,
            Refuses("the edge of tag 10 does not fit the clip"),
        ),
        row(
            "edge of the airframe tag 3 % too long",
            Hand,
            slightly_long_airframe_edge,
            Refuses("the edge of tag 0 does not fit the clip"),
        ),
        row(
            "edge of the airframe tag 25 % too long",
            Tripod,
            long_airframe_edge,
            Nothing,
        ),
        row(
            "edge of the airframe tag 25 % too long",
            Hand,
            long_airframe_edge,
            Refuses("the edge of tag 0 does not fit the clip"),
        ),
        row(
            "no airframe tag",
            Tripod,
            no_airframe_tag,
            Warns("no-airframe-tag", "the camera did not move"),
        ),
        row(
            "no airframe tag",
            Hand,
            no_airframe_tag,
            Refuses("no airframe tag was seen, and the camera moved"),
        ),
    ]
}

#[test]
fn every_mistake_is_named_or_harmless() {
    let mut failures = vec![];
    for mistake in table() {
        for seed in SEEDS {
            let mut film = film(mistake.held, seed);
            (mistake.makes)(&mut film);
            let title = format!("{} ({:?}, film {seed})", mistake.name, mistake.held);
            if let Err(why) = check(&film, mistake.says, &title) {
                failures.push(format!("{title}: {why}"));
            }
        }
    }
    assert!(failures.is_empty(), "{}", failures.join("\n"));
}

#[test]
fn nothing_is_said_of_films_without_a_mistake() {
    for held in [Held::Tripod, Held::Hand, Held::HandBeforeBareWall] {
        for seed in 0..16 {
            let built = match seed % 2 {
                0 => aircraft::plain(seed),
                _ => aircraft::random(seed),
            };
            let (_, warnings) = measured(&film_of(&built, held, seed)).unwrap();
            let grave: Vec<String> = warnings
                .iter()
                .filter(|warning| matches!(warning, MotionWarning::Declaration(_)))
                .map(Warning::text)
                .collect();
            assert!(grave.is_empty(), "{held:?}, film {seed}: {grave:?}");
        }
    }
}

#[test]
fn a_mirrored_picture_is_named() {
    let clip = Clip::open("sample-frames/cards.mp4".as_ref(), &ClipOptions::default()).unwrap();
    let info = clip.info().clone();
    let frame = clip.into_stream().unwrap().next().unwrap().unwrap();
    let mut mirrored = frame.image.clone();
    let rows = frame.image.pixels.chunks(frame.image.width_px);
    mirrored.pixels = rows.flat_map(|row| row.iter().rev().copied()).collect();
    let plan = TagPlan {
        expected: [0, 10, 11].into(),
        airframe: [0].into(),
        ..TagPlan::default()
    };
    let seen = |image| {
        let frame = Frame {
            index: 0,
            time_s: 0.0,
            image,
        };
        sight([Ok(frame)].into_iter(), &info, &plan, &Silent)
    };
    assert_eq!(seen(frame.image).unwrap().frames[0].sightings.len(), 3);
    let error = seen(mirrored).unwrap_err();
    let said = error.to_string();
    println!("{said}. {}", error.mend());
    assert!(
        said.starts_with("the picture is mirrored: tags 0, 10, 11"),
        "{said}"
    );
}

fn film(held: Held, seed: u64) -> Film {
    film_of(&aircraft::plain(seed), held, seed)
}

fn film_of(built: &Aircraft, held: Held, seed: u64) -> Film {
    let filming = match held {
        Held::Tripod => filming::tripod(),
        Held::Hand | Held::HandBeforeBareWall => filming::handheld(),
    };
    let mut noise = CornerNoise::white(0.03);
    noise.constant_px = CONSTANT_PX;
    let filming = Filming {
        noise,
        seed,
        frame_rate: 10.0,
        ..filming
    };
    let mut film = observe(built, &filming);
    if held != Held::HandBeforeBareWall {
        put_into(&mut film, &still());
    }
    film
}

fn measured(film: &Film) -> Result<(Motion, Vec<MotionWarning>), hingewise::motion::MotionError> {
    let mut warnings = vec![];
    let options = FitOptions::default();
    let (sightings, model) = (&film.sightings, &film.model);
    let motion = fit(sightings, model, &film.profile, &options, &mut warnings)?;
    Ok((motion, warnings))
}

/// Whether the program says what it is to say, and measures right where it is to.
fn check(film: &Film, says: Says, title: &str) -> Result<(), String> {
    let said = measured(film);
    match &said {
        Ok((_, warnings)) => {
            let texts: Vec<String> = warnings.iter().map(Warning::text).collect();
            println!("{title}: {}", texts.join("; "));
        }
        Err(error) => println!("{title}: refused, {error}"),
    }
    match (says, said) {
        (Says::Refuses(words), Err(error)) => contains(&error.to_string(), words),
        (Says::Refuses(_), Ok(_)) => Err("is not refused".into()),
        (_, Err(error)) => Err(format!("is refused: {error}")),
        (Says::Nothing, Ok((motion, _))) => within_its_claims(film, &motion),
        (Says::Warns(code, words), Ok((motion, warnings))) => {
            has(&warnings, code, words).and_then(|()| within_its_claims(film, &motion))
        }
        (Says::WarnsOfOtherFigures(code, words), Ok((_, warnings))) => has(&warnings, code, words),
    }
}

fn contains(text: &str, words: &str) -> Result<(), String> {
    let found = text.contains(words);
    found
        .then_some(())
        .ok_or(format!("{words:?} is not in: {text}"))
}

/// The warning is there, with the words in its text or in what helps.
fn has(warnings: &[MotionWarning], code: &str, words: &str) -> Result<(), String> {
    let of_code = warnings.iter().find(|warning| warning.code() == code);
    let warning = of_code.ok_or(format!("no {code:?} among {warnings:?}"))?;
    contains(&format!("{} {}", warning.text(), warning.mend()), words)
}

/// No station is off by four standard deviations, and all together by less than two: stations of one film have
/// the errors of its constants in common.
fn within_its_claims(film: &Film, motion: &Motion) -> Result<(), String> {
    let errors = station_errors(film, motion);
    let in_sds = errors.iter().map(|error| error.error_deg / error.sd_deg);
    let worst = in_sds.clone().map(f64::abs).fold(0.0, f64::max);
    let together = rms(in_sds);
    if together < 2.0 && worst < 4.0 {
        return Ok(());
    }
    Err(format!(
        "the worst station is off by {worst:.1} standard deviations, all together by {together:.1}"
    ))
}
