//! The largest deflections since they were cleared.

use std::collections::BTreeMap;

use super::learner::rest_figures;
use crate::motion::{Figures, HeldFit};
use crate::tags::SightedFrame;

/// The frames with the least and the greatest deflection of each surface. A deflection counts when two frames in a
/// row reach it, so that one bad frame makes no peak.
#[derive(Debug, Clone, Default)]
pub(super) struct Peaks {
    /// By the surface's position in the fit: least, greatest.
    of_surfaces: BTreeMap<usize, [Extreme; 2]>,
    before: Option<(SightedFrame, Figures)>,
}

#[derive(Debug, Clone)]
pub(super) struct Extreme {
    frame: SightedFrame,
    pub figures: Figures,
}

impl Extreme {
    fn new(frame: &SightedFrame, figures: &Figures) -> Self {
        Self {
            frame: frame.clone(),
            figures: figures.clone(),
        }
    }
}

impl Peaks {
    /// Notes the newest frame.
    pub fn note(&mut self, frame: &SightedFrame, figures: &Figures, surfaces: &[usize]) {
        let now = (frame.clone(), figures.clone());
        let Some(before) = self.before.replace(now) else {
            return;
        };
        for &surface in surfaces {
            let earlier = before.1.angle_rad(surface);
            let Some((now, earlier)) = figures.angle_rad(surface).zip(earlier) else {
                continue;
            };
            // Of two frames the one nearer to the middle.
            let places = [now > earlier, now < earlier];
            let extreme = |is_now: bool| match is_now {
                true => Extreme::new(frame, figures),
                false => Extreme::new(&before.0, &before.1),
            };
            let Some([least, most]) = self.of_surfaces.get_mut(&surface) else {
                self.of_surfaces.insert(surface, places.map(extreme));
                continue;
            };
            let angle = |extreme: &Extreme| extreme.figures.angle_rad(surface).unwrap_or(0.0);
            if now.max(earlier) < angle(least) {
                *least = extreme(places[0]);
            }
            if now.min(earlier) > angle(most) {
                *most = extreme(places[1]);
            }
        }
    }

    /// Least and greatest deflection of a surface, by its position in the fit.
    pub fn of(&self, surface: usize) -> Option<&[Extreme; 2]> {
        self.of_surfaces.get(&surface)
    }

    /// The same by the constants of another fit; its surfaces have other positions where some were learned since.
    pub fn by_other_constants(&mut self, held: &HeldFit, place: impl Fn(usize) -> Option<usize>) {
        self.before = None;
        let of_surfaces = std::mem::take(&mut self.of_surfaces);
        for (surface, extremes) in of_surfaces {
            let Some(now) = place(surface) else { continue };
            let [least, most] = extremes.map(|extreme| {
                let figures = rest_figures(held, std::slice::from_ref(&extreme.frame))?;
                Some(Extreme { figures, ..extreme })
            });
            if let (Some(least), Some(most)) = (least, most) {
                self.of_surfaces.insert(now, [least, most]);
            }
        }
    }
}
