//! Which pose to ask for next.

use super::super::calibration::{ALIKE_SHARE, BoardPoint, BoardView, Objection, distance_px};
use super::knowledge::Knowledge;
use super::outlines::{self, Asked};
use super::placing::in_space;
use super::session::Guidance;
use super::standing::Phase;

/// Crossings nearer to the edge of the picture than this, over its width, cannot be counted on: their
/// windows are cut off.
const EDGE_MARGIN_SHARE: f64 = 0.01;

/// A pose with the view that it would give.
struct Choice {
    asked: Asked,
    view: BoardView,
}

/// The pose to ask for next: the one that lowers the variance most, and while the check is taken the one
/// that is farthest from all kept views.
pub(super) fn next(
    guidance: &Guidance,
    knowledge: &Knowledge,
    size_px: (usize, usize),
) -> Option<Asked> {
    let phase = guidance.phase();
    if phase == Phase::Done {
        return None;
    }
    let choices = choices(guidance, knowledge, size_px);
    let wanted = wanted_objection(guidance);
    let cures = |choice: &Choice| match wanted {
        Some(Objection::EdgeNotReached { edge, .. }) => choice.asked.reaches(edge, size_px),
        _ => true,
    };
    let any_cures = choices.iter().any(cures);
    let scored = choices
        .into_iter()
        .filter(|choice| !any_cures || cures(choice));
    let best = scored.map(|mut choice| {
        let points = choice.view.points.iter().map(|point| point.on_board_mm);
        let added = knowledge.of_view(&choice.asked.camera_from_board, points);
        choice.asked.gain = added
            .and_then(|added| knowledge.gain(&added))
            .unwrap_or(0.0);
        let score = match phase {
            Phase::Check => nearest_px(guidance, &choice.view),
            Phase::Fit | Phase::Done => choice.asked.gain,
        };
        (score, choice.asked)
    });
    // Of equal ones the first.
    best.reduce(|best, other| if other.0 > best.0 { other } else { best })
        .map(|(_, asked)| asked)
}

/// The objection that poses can cure, once the uncertainty is small enough.
fn wanted_objection(guidance: &Guidance) -> Option<Objection> {
    let Some(Ok(fit)) = &guidance.fit else {
        return None;
    };
    let objections = &fit.verdict.objections;
    let adds = |objection: &Objection| matches!(objection, Objection::AddsToAngle { .. });
    let is_place = |objection: &&Objection| matches!(objection, Objection::EdgeNotReached { .. });
    match objections.iter().any(adds) {
        true => None,
        false => objections.iter().find(is_place).copied(),
    }
}

/// All poses whose views would not be alike one that is kept.
fn choices(guidance: &Guidance, knowledge: &Knowledge, size_px: (usize, usize)) -> Vec<Choice> {
    let alike_px = ALIKE_SHARE * size_px.0 as f64;
    let all = outlines::all(&guidance.board, &knowledge.camera, size_px).into_iter();
    let with_views = all.map(|asked| Choice {
        view: shown(guidance, knowledge, &asked, size_px),
        asked,
    });
    with_views
        .filter(|choice| nearest_px(guidance, &choice.view) >= alike_px)
        .collect()
}

/// The crossings that a pose would show.
fn shown(
    guidance: &Guidance,
    knowledge: &Knowledge,
    asked: &Asked,
    (width_px, height_px): (usize, usize),
) -> BoardView {
    let board = &guidance.board;
    let (columns, rows) = board.crossings();
    let margin_px = EDGE_MARGIN_SHARE * width_px as f64;
    let (right, bottom) = (width_px as f64 - margin_px, height_px as f64 - margin_px);
    let places = (0..rows).flat_map(|row| (0..columns).map(move |column| (column, row)));
    let points = places.filter_map(|(column, row)| {
        let on_board_mm = board.crossing_mm(column, row);
        let in_camera = asked.camera_from_board * in_space(on_board_mm);
        let in_image_px = knowledge.camera.project(&in_camera)?;
        let is_inside = (margin_px..right).contains(&in_image_px.x)
            && (margin_px..bottom).contains(&in_image_px.y);
        is_inside.then_some(BoardPoint {
            column,
            row,
            on_board_mm,
            in_image_px,
            sd_px: 1.0,
        })
    });
    BoardView {
        name: String::new(),
        points: points.collect(),
        blur_px: 0.0,
    }
}

/// Distance to the nearest of the kept views, px.
fn nearest_px(guidance: &Guidance, view: &BoardView) -> f64 {
    let kept = guidance.kept.iter();
    let distances_px = kept.filter_map(|kept| distance_px(&kept.view, view));
    distances_px.fold(f64::INFINITY, f64::min)
}
