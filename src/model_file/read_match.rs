//! Reads which surfaces have to move alike, and the target of their adjustment.

use toml::Spanned;

use super::book::{Names, Roles, Scope};
use super::fields::{LENGTH_LIMITS, Reader, all};
use super::{Compare, MatchGroup, MatchMotion, ModelFault, Surface, Target};
use crate::table_reader::Limits;

/// Mismatches that can be tolerated.
const TOLERANCE_LIMITS: Limits = Limits::new(0.001, 90.0, "°");
/// Default tolerance: about what the eye still sees on a pair of
/// surfaces side by side (common practice, no source).
const DEFAULT_TOLERANCE_DEG: f64 = 0.3;
/// Throws that can be meant.
const THROW_LIMITS: Limits = Limits::new(1.0, 85.0, "°");
/// One throw may be so many times the other: beyond, no smooth curve through neutral joins them.
const MOST_UNEQUAL: f64 = 2.5;

/// Shares of the command that a differential can leave to the side going down.
const DIFFERENTIAL_LIMITS: Limits = Limits::new(0.1, 1.0, "");

#[derive(Clone, Copy, PartialEq)]
enum Word {
    Reference,
    Straight,
    Throws,
    Smaller,
}

const MOTIONS: [(&str, MatchMotion); 2] = [
    ("same", MatchMotion::Same),
    ("opposite", MatchMotion::Opposite),
];
const COMPARISONS: [(&str, Compare); 2] = [
    ("up-with-up", Compare::UpWithUp),
    ("up-with-down", Compare::UpWithDown),
];

/// Reads every `[[match]]` of a file, or of a function, whose surfaces are then `scope`; `surfaces`
/// are those of the file that could be read.
pub(super) fn match_groups(
    table: &mut Reader<'_>,
    names: &Names,
    surfaces: &[Surface],
    scope: Option<Scope<'_>>,
) -> Option<Vec<MatchGroup>> {
    let mut roles = Roles::new(names, scope);
    let tables = table.tables("match").into_iter();
    let groups = all(tables.map(|table| match_group(table, surfaces, &mut roles)));
    roles.check(table.faults());
    groups
}

/// Reads one `[[match]]`.
fn match_group(
    mut table: Reader<'_>,
    surfaces: &[Surface],
    roles: &mut Roles<'_>,
) -> Option<MatchGroup> {
    let reference = table.required::<String>("reference");
    let followers = table.required::<Vec<Spanned<String>>>("followers");
    let motion = table.required_choice("motion", &MOTIONS);
    let tolerance_deg = table.optional_number("tolerance_deg", TOLERANCE_LIMITS);
    roles.add(&table, reference.as_ref(), followers.as_ref());
    let chord_mm = reference.as_ref().and_then(|name| {
        let surface = surfaces.iter().find(|one| one.name == *name.get_ref())?;
        surface.chord_mm
    });
    let target = target(&mut table, chord_mm);
    let down_to_up = table.optional_number("down_to_up", DIFFERENTIAL_LIMITS);
    let compare = table.optional_choice("compare", &COMPARISONS);
    if let Some(share) = &down_to_up
        && (motion == Some(MatchMotion::Same) || compare == Some(Compare::UpWithDown))
    {
        table.fault(share, ModelFault::DifferentialUnused);
    }
    table.finish();
    Some(MatchGroup {
        reference: reference?.into_inner(),
        followers: followers?
            .into_inner()
            .into_iter()
            .map(Spanned::into_inner)
            .collect(),
        motion: motion?,
        tolerance_deg: tolerance_deg.map_or(DEFAULT_TOLERANCE_DEG, Spanned::into_inner),
        target: target?,
        compare: compare.unwrap_or_default(),
        down_to_up: down_to_up.map(Spanned::into_inner),
    })
}

/// The target of a group; throws in mm count on the reference's chord.
fn target(table: &mut Reader<'_>, chord_mm: Option<f64>) -> Option<Target> {
    let words = [
        ("reference", Word::Reference),
        ("straight", Word::Straight),
        ("throws", Word::Throws),
        ("smaller", Word::Smaller),
    ];
    let is_declared = table.has("target");
    let word = table.optional_choice("target", &words);
    let in_mm = table.optional_table("throws_mm");
    let in_deg = match (word, &in_mm) {
        (Some(Word::Throws), None) => table.required_table("throws_deg"),
        _ => table.optional_table("throws_deg"),
    };
    let throws = match (in_deg, in_mm) {
        (Some(throws), None) => Some(read_throws(throws, THROW_LIMITS, Some)),
        (None, Some(throws)) => Some(read_throws(throws, LENGTH_LIMITS, |mm| {
            // Throw = 2·c·sin(δ/2).
            let half = (mm / (2.0 * chord_mm?)).asin();
            half.is_finite().then(|| 2.0 * half.to_degrees())
        })),
        (Some(_), Some(second)) => {
            second.faults().push(second.span(), ModelFault::TwoThrows);
            Some(None)
        }
        (None, None) => None,
    };
    match (word, throws) {
        (Some(Word::Throws), throws) => throws.flatten(),
        (_, Some(_)) => {
            let fault = ModelFault::ThrowsWithoutTarget;
            table.faults().push(table.span(), fault);
            None
        }
        (Some(Word::Straight), None) => Some(Target::Straight),
        (Some(Word::Smaller), None) => Some(Target::Smaller),
        (Some(Word::Reference), None) => Some(Target::Reference),
        (None, None) => (!is_declared).then_some(Target::Reference),
    }
}

/// Both throws in degrees.
fn read_throws(
    mut table: Reader<'_>,
    limits: Limits,
    to_deg: impl Fn(f64) -> Option<f64>,
) -> Option<Target> {
    let up = table.required_number("up", limits);
    let down = table.required_number("down", limits);
    let throws = up.zip(down).and_then(|(up, down)| {
        let (up, down) = (up.into_inner(), down.into_inner());
        let degrees = to_deg(up).zip(to_deg(down));
        let fault = match degrees {
            None => Some(ModelFault::NoChord),
            Some(_) if up.max(down) > MOST_UNEQUAL * up.min(down) => {
                Some(ModelFault::UnequalThrows { up, down })
            }
            Some(_) => None,
        };
        match fault {
            Some(fault) => {
                table.faults().push(table.span(), fault);
                None
            }
            None => degrees,
        }
    });
    table.finish();
    throws.map(|(up_deg, down_deg)| Target::Throws { up_deg, down_deg })
}
