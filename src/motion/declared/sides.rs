//! Compares the declared sides with the picture.
//!
//! The camera is behind the aircraft, so a left surface is on the left of the picture. If it is on the right,
//! sides are exchanged or the phone was upside down. The tags' printed tops do not decide between the two:
//! programs draw the tags of this family in two ways, half a turn apart. They do show a quarter turn.

use nalgebra::Vector2;

use crate::geometry::quadrilateral::centre;
use crate::model_file::{ModelFile, Side, Surface};
use crate::motion::{DeclarationWarning, MotionWarning};
use crate::statistics::median;
use crate::tags::{Sighting, Sightings};

/// A picture is judged by tags only if this many of them agree.
const FEWEST_TAGS: usize = 2;
/// Two surfaces are compared only if their tags are this many edges apart: nearer ones may be above
/// one another.
const FEWEST_EDGES_APART: f64 = 1.0;
/// Frames that show both tags of a pair, at least: less could be a wrong sighting.
const FEWEST_FRAMES: usize = 3;

/// How far the picture is turned clockwise from upright.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum QuarterTurn {
    /// Upright.
    None,
    /// What should be at the top is at the right.
    Clockwise,
    /// Upside down.
    Half,
    /// What should be at the top is at the left.
    Anticlockwise,
}

impl QuarterTurn {
    /// Of a direction that points along `upright` in an upright picture.
    fn of(direction: Vector2<f64>, upright: Vector2<f64>) -> Self {
        // y points down, so this turns clockwise.
        let right = Vector2::new(-upright.y, upright.x);
        let (along, across) = (direction.dot(&upright), direction.dot(&right));
        match (along.abs() > across.abs(), along > 0.0, across > 0.0) {
            (true, true, _) => Self::None,
            (true, false, _) => Self::Half,
            (false, _, true) => Self::Clockwise,
            (false, _, false) => Self::Anticlockwise,
        }
    }
}

/// Warns of sides that are exchanged, and of a picture on its side.
pub(in crate::motion) fn judge(
    sightings: &Sightings,
    model: &ModelFile,
    warnings: &mut Vec<MotionWarning>,
) {
    warnings.extend(doubts(sightings, model).map(MotionWarning::Declaration));
}

fn doubts(sightings: &Sightings, model: &ModelFile) -> Option<DeclarationWarning> {
    let pairs = pairs(model);
    let placed: Vec<(&[&Surface; 2], QuarterTurn)> = pairs
        .iter()
        .filter_map(|pair| Some((pair, turn_of_pair(sightings, pair)?)))
        .collect();
    let exchanged = placed.iter().find(|(_, turn)| *turn == QuarterTurn::Half);
    if let Some(([left, right], _)) = exchanged {
        return Some(DeclarationWarning::SidesExchanged {
            left: (left.name.clone(), left.tag_id),
            right: (right.name.clone(), right.tag_id),
        });
    }
    let turn = common(placed.iter().map(|(_, turn)| *turn))?;
    let by_tags = turn_of_tags(sightings, model)?;
    let on_its_side = |turn| matches!(turn, QuarterTurn::Clockwise | QuarterTurn::Anticlockwise);
    (on_its_side(turn) && on_its_side(by_tags))
        .then_some(DeclarationWarning::PictureTurned { turn })
}

/// A left and a right surface each: those of one match group, or all if there is no group.
fn pairs(model: &ModelFile) -> Vec<[&Surface; 2]> {
    let in_one_group = |a: &Surface, b: &Surface| {
        let mut groups = model.matches.iter();
        let has = |names: &[&String], one: &Surface| names.contains(&&one.name);
        model.matches.is_empty()
            || groups.any(|group| {
                let names: Vec<&String> =
                    group.followers.iter().chain([&group.reference]).collect();
                has(&names, a) && has(&names, b)
            })
    };
    let on = |side: Side| model.surfaces.iter().filter(move |s| s.side == side);
    on(Side::Left)
        .flat_map(|left| on(Side::Right).map(move |right| [left, right]))
        .filter(|[left, right]| in_one_group(left, right))
        .collect()
}

/// How the direction from a left to a right surface is turned in the picture: through the median of the frames
/// that show both.
fn turn_of_pair(sightings: &Sightings, [left, right]: &[&Surface; 2]) -> Option<QuarterTurn> {
    let mut ways = vec![];
    for frame in &sightings.frames {
        if let (Some(left), Some(right)) =
            (frame.sighting(left.tag_id), frame.sighting(right.tag_id))
        {
            let way = centre(&right.corners_px) - centre(&left.corners_px);
            ways.push(way / printed_up(left).norm().max(1.0));
        }
    }
    if ways.len() < FEWEST_FRAMES {
        return None;
    }
    let along = |axis: usize| median(ways.iter().map(|way| way[axis]));
    let way = Vector2::new(along(0)?, along(1)?);
    (way.norm() > FEWEST_EDGES_APART).then(|| QuarterTurn::of(way, Vector2::x()))
}

/// How the printed tops of all surface and airframe tags are turned in the picture; `None` if they disagree.
fn turn_of_tags(sightings: &Sightings, model: &ModelFile) -> Option<QuarterTurn> {
    let surfaces = model.surfaces.iter().map(|surface| surface.tag_id);
    let tags = surfaces.chain(model.airframe_tags.iter().map(|tag| tag.id));
    let turns: Vec<QuarterTurn> = tags.filter_map(|id| turn_of_tag(sightings, id)).collect();
    common(turns.iter().copied()).filter(|_| turns.len() >= FEWEST_TAGS)
}

fn turn_of_tag(sightings: &Sightings, tag_id: u32) -> Option<QuarterTurn> {
    let seen = sightings
        .frames
        .iter()
        .filter_map(|frame| frame.sighting(tag_id));
    let ups: Vec<Vector2<f64>> = seen.map(printed_up).collect();
    let along = |axis: usize| median(ups.iter().map(|up| up[axis]));
    Some(QuarterTurn::of(
        Vector2::new(along(0)?, along(1)?),
        -Vector2::y(),
    ))
}

/// The value of all of them, if they agree.
fn common(mut turns: impl Iterator<Item = QuarterTurn>) -> Option<QuarterTurn> {
    let first = turns.next()?;
    turns.all(|turn| turn == first).then_some(first)
}

/// From the middle of the printed tag's lower edge to that of its upper edge, px.
fn printed_up(sighting: &Sighting) -> Vector2<f64> {
    let [a, b, c, d] = &sighting.corners_px;
    (a.coords + b.coords - c.coords - d.coords) / 2.0
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_quarter_turn_takes_the_top_to_the_right() {
        let up = -Vector2::y();
        assert_eq!(QuarterTurn::of(up, up), QuarterTurn::None);
        assert_eq!(QuarterTurn::of(Vector2::x(), up), QuarterTurn::Clockwise);
        assert_eq!(QuarterTurn::of(-up, up), QuarterTurn::Half);
        assert_eq!(
            QuarterTurn::of(-Vector2::x(), up),
            QuarterTurn::Anticlockwise
        );
        // The same turn takes the right to the bottom, where y grows.
        let right = Vector2::x();
        assert_eq!(QuarterTurn::of(Vector2::y(), right), QuarterTurn::Clockwise);
    }
}
