//! Which constants a fit has, and which column of the normal equations belongs to which of them.

use std::ops::Range;

use nalgebra::{DMatrix, DMatrixView, SMatrix};

use super::blocks::{Block, RESIDUAL};
use super::observation::Target;
use super::parameters::{SURFACE_CONSTANTS, TAG_CONSTANTS, VIEW_UNKNOWNS};

/// What was chosen for a fit; the blocks of constants and their columns follow from it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(in crate::motion) struct Layout {
    pub surfaces: usize,
    pub airframe_tags: usize,
    pub camera_moves: bool,
    /// The picture moves against the lens: [`super::picture_motion`].
    pub picture_moves: bool,
    pub edge_shift: bool,
    pub readout: bool,
    pub lens: bool,
    pub bows: bool,
    pub rocking: bool,
    pub landmarks: usize,
    /// Lasting errors of corners are asked for; no step moves them.
    pub corner_errors: bool,
}

/// Columns of a linearised sighting and the constants that they belong to; the residual is the last. In the
/// order of the constants, since products are summed below the diagonal only.
pub(in crate::motion) type Slots = Vec<(usize, usize)>;

impl Layout {
    /// Whether frames have unknowns of their own beside their deflections.
    pub fn view_moves(&self) -> bool {
        self.camera_moves || self.picture_moves
    }

    /// The unknowns of a frame's view that are fitted, among all [`VIEW_UNKNOWNS`].
    pub fn view(&self) -> Range<usize> {
        let first = if self.camera_moves { 0 } else { TAG_CONSTANTS };
        let end = if self.picture_moves {
            VIEW_UNKNOWNS
        } else {
            TAG_CONSTANTS
        };
        first..end
    }

    /// The blocks of constants, in the order of their columns.
    pub fn blocks(&self) -> impl Iterator<Item = Block> {
        Block::possible(self).filter(|block| block.is_in(self))
    }

    /// The blocks with their columns.
    pub fn columns(&self) -> impl Iterator<Item = (Block, Range<usize>)> {
        self.blocks().scan(0, |next, block| {
            let first = *next;
            *next += block.count();
            Some((block, first..*next))
        })
    }

    /// First column of a block; `None` if the fit does not have it.
    pub fn column(&self, block: Block) -> Option<usize> {
        let mut columns = self.columns();
        let own = columns.find(|(other, _)| *other == block);
        own.map(|(_, columns)| columns.start)
    }

    /// The part of a covariance of the constants that belongs to a block.
    pub fn own_covariance<'a>(
        &self,
        block: Block,
        covariance: &'a DMatrix<f64>,
    ) -> Option<DMatrixView<'a, f64>> {
        let first = self.column(block)?;
        Some(covariance.view((first, first), (block.count(), block.count())))
    }

    /// The part of a covariance of the constants that belongs to a surface.
    pub fn surface_covariance(
        &self,
        surface: usize,
        covariance: &DMatrix<f64>,
    ) -> Option<SMatrix<f64, SURFACE_CONSTANTS, SURFACE_CONSTANTS>> {
        let own = self.own_covariance(Block::Surface(surface), covariance)?;
        Some(
            own.fixed_view::<SURFACE_CONSTANTS, SURFACE_CONSTANTS>(0, 0)
                .into_owned(),
        )
    }

    /// How many constants the fit moves.
    pub fn fitted(&self) -> usize {
        let fitted = self.blocks().filter(|block| block.is_fitted());
        fitted.map(Block::count).sum()
    }

    /// How many constants there are.
    pub fn constants(&self) -> usize {
        self.blocks().map(Block::count).sum()
    }

    /// The constants that a linearised sighting follows, by the first column of each block's derivatives.
    pub fn slots(&self, column_of: impl Fn(Block) -> Option<usize>) -> Slots {
        let mut slots = vec![];
        for (block, constants) in self.columns() {
            if let Some(first) = column_of(block) {
                slots.extend((first..).zip(constants));
            }
        }
        slots.push((RESIDUAL, self.constants()));
        slots
    }

    /// Position among all tags, surfaces first.
    pub fn tag(&self, target: Target) -> usize {
        match target {
            Target::Surface(surface) => surface,
            Target::Airframe(tag) => self.surfaces + tag,
        }
    }

    /// All tags, surfaces first.
    pub fn targets(&self) -> impl Iterator<Item = Target> + use<> {
        let surfaces = (0..self.surfaces).map(Target::Surface);
        surfaces.chain((0..self.airframe_tags).map(Target::Airframe))
    }
}
