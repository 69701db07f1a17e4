//! States of the layered graph that the best curve is searched in: which values the points about a
//! place have.

/// The states of all layers.
///
/// Layer `i` is between pieces `i − 1` and `i`. With straight joins it knows the value of the
/// point there; with smooth joins those of its neighbours too. Layers outside the curve and
/// neighbours that do not exist have the single value 0.
pub(super) struct States {
    /// Indices of the values of the points before, at and after.
    pub layers: Vec<Vec<[usize; 3]>>,
    neighbours: bool,
}

impl States {
    pub fn single(windows: &[Vec<f64>]) -> Self {
        Self::build(windows, false)
    }

    pub fn with_neighbours(windows: &[Vec<f64>]) -> Self {
        Self::build(windows, true)
    }

    fn build(windows: &[Vec<f64>], neighbours: bool) -> Self {
        // Layer 0 is before the first piece, the last one after the last piece.
        let size = |layer: usize| {
            layer
                .checked_sub(1)
                .and_then(|point| windows.get(point))
                .map_or(1, Vec::len)
        };
        let outer = |layer: usize| if neighbours { size(layer) } else { 1 };
        let layers = (0..windows.len() + 2)
            .map(|layer| {
                let before = if layer == 0 { 1 } else { outer(layer - 1) };
                let mut states = Vec::new();
                for a in 0..before {
                    for b in 0..size(layer) {
                        for c in 0..outer(layer + 1) {
                            states.push([a, b, c]);
                        }
                    }
                }
                states
            })
            .collect();
        Self { layers, neighbours }
    }

    pub fn sizes(&self) -> Vec<usize> {
        self.layers.iter().map(Vec::len).collect()
    }

    /// States that may follow over a piece, each with the values of the four points about it.
    pub fn next(
        &self,
        piece: usize,
        from: usize,
    ) -> impl Iterator<Item = (usize, [usize; 4])> + '_ {
        let before = self.layers[piece][from];
        let next = &self.layers[piece + 1];
        let span = if self.neighbours {
            let agrees = |state: &[usize; 3]| [state[0], state[1]] < [before[1], before[2]];
            let first = next.partition_point(agrees);
            let count = next[first..]
                .iter()
                .take_while(|state| [state[0], state[1]] == [before[1], before[2]])
                .count();
            first..first + count
        } else {
            0..next.len()
        };
        span.map(move |to| (to, [before[0], before[1], next[to][1], next[to][2]]))
    }

    /// The points' values along a path.
    pub fn values(&self, path: &[usize]) -> Vec<usize> {
        let inner = 1..path.len() - 1;
        inner
            .map(|layer| self.layers[layer][path[layer]][1])
            .collect()
    }
}
