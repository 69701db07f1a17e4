//! Looks through a clip for views of the board.

use std::collections::BTreeMap;

use rayon::prelude::*;

use super::board::{Board, CharucoLayout};
use super::candidate::Candidate;
use super::diagnosis::diagnose;
use super::error::CalibrationError;
use super::sighting::{BoardFinder, BoardSighting, NoView};
use crate::clip::{Clip, ClipWarning, Frame, drop_damaged};
use crate::progress::Progress;

/// Time between two looks into a clip: hands hardly move the board to a new view in less.
const LOOK_INTERVAL_S: f64 = 0.2;
/// Most looks into one clip; one in ten of them is used in the end.
const MOST_LOOKS: u64 = 400;
/// Pictures without a board that are kept for the diagnosis.
const KEPT_PICTURES: usize = 5;

/// The views of a board in a clip.
#[derive(Debug, Clone, PartialEq)]
pub struct Survey {
    /// Width and height of the pictures.
    pub size_px: (usize, usize),
    /// Views of the board, in the order of the clip.
    pub candidates: Vec<Candidate>,
    /// Pictures that gave no view, and why.
    pub no_view: Vec<(String, NoView)>,
    /// The layout of the markers, if they determine it.
    pub layout: Option<CharucoLayout>,
}

/// Looks for a board in the frames of a clip.
///
/// # Errors
/// The clip cannot be read, or no picture shows the board.
pub fn survey(
    clip: Clip,
    board: Board,
    progress: &dyn Progress,
    warnings: &mut Vec<ClipWarning>,
) -> Result<Survey, CalibrationError> {
    let names = clip.still_names();
    let info = clip.info().clone();
    let mut looks = Looks {
        board,
        names,
        sightings: Vec::new(),
        no_view: Vec::new(),
        pictures: Vec::new(),
    };
    let mut finders = (0..rayon::current_num_threads())
        .map(|_| BoardFinder::new(board))
        .collect::<Result<Vec<_>, _>>()?;
    let step = info.claimed_frames.unwrap_or(0).div_ceil(MOST_LOOKS).max(1);
    let mut last_look_s = f64::NEG_INFINITY;
    let mut batch = Vec::new();
    let mut frames = clip.into_stream()?;
    for frame in &mut frames {
        let frame = frame?;
        progress.advance(
            "looking for the board",
            frame.index as u64,
            info.claimed_frames,
        );
        let due = frame.time_s - last_look_s >= LOOK_INTERVAL_S;
        if due && (frame.index as u64).is_multiple_of(step) {
            last_look_s = frame.time_s;
            batch.push(frame);
        }
        if batch.len() == finders.len() {
            looks.look(&mut finders, std::mem::take(&mut batch))?;
        }
    }
    looks.look(&mut finders, batch)?;
    let doubts = frames.finish();
    drop_damaged(&mut looks.sightings, |&(_, time_s)| time_s, &doubts);
    warnings.extend(doubts);
    looks.finish((info.width_px, info.height_px))
}

struct Looks {
    board: Board,
    names: Vec<String>,
    /// Each with the time of its frame, s.
    sightings: Vec<(BoardSighting, f64)>,
    no_view: Vec<(String, NoView)>,
    /// The first pictures without a board, as long as none shows it.
    pictures: Vec<(String, Frame)>,
}

impl Looks {
    /// Looks into a few frames at once, each with its own finder.
    fn look(
        &mut self,
        finders: &mut [BoardFinder],
        frames: Vec<Frame>,
    ) -> Result<(), CalibrationError> {
        let named: Vec<(String, Frame)> = frames
            .into_iter()
            .map(|frame| (self.name_of(&frame), frame))
            .collect();
        let seen: Vec<_> = finders
            .par_iter_mut()
            .zip(&named)
            .map(|(finder, (name, frame))| finder.look(name, &frame.image))
            .collect();
        for (seen, (name, frame)) in seen.into_iter().zip(named) {
            match seen? {
                Ok(sighting) => {
                    self.sightings.push((sighting, frame.time_s));
                    self.pictures.clear();
                }
                Err(no_view) => {
                    self.no_view.push((name.clone(), no_view));
                    if self.sightings.is_empty() && self.pictures.len() < KEPT_PICTURES {
                        self.pictures.push((name, frame));
                    }
                }
            }
        }
        Ok(())
    }

    fn name_of(&self, frame: &Frame) -> String {
        match self.names.get(frame.index) {
            Some(name) => name.clone(),
            None => format!("frame {} ({:.2} s)", frame.index, frame.time_s),
        }
    }

    fn finish(self, size_px: (usize, usize)) -> Result<Survey, CalibrationError> {
        if self.sightings.is_empty() {
            return Err(CalibrationError::NoBoard {
                board: self.board.words(),
                pictures: self.no_view.len(),
                seen: diagnose(&self.board, &self.no_view, &self.pictures)?,
            });
        }
        let is_film = self.names.is_empty();
        let mut layouts: BTreeMap<CharucoLayout, usize> = BTreeMap::new();
        for layout in self.sightings.iter().filter_map(|(seen, _)| seen.layout) {
            *layouts.entry(layout).or_insert(0) += 1;
        }
        let layout = layouts
            .into_iter()
            .max_by_key(|&(_, count)| count)
            .map(|(layout, _)| layout);
        let candidates = self
            .sightings
            .into_iter()
            .filter(|(seen, _)| seen.layout == layout)
            .map(|(seen, time_s)| Candidate {
                view: seen.view,
                // Stills have no times of their own.
                time_s: is_film.then_some(time_s),
            })
            .collect();
        Ok(Survey {
            size_px,
            candidates,
            no_view: self.no_view,
            layout,
        })
    }
}
