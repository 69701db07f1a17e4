//! The best path through a layered graph: least worst edge first, then least sum.

use super::constants::WORST_QUANTUM_DEG;
/// A way from a state of one layer to a state of the next.
#[derive(Debug, Clone, Copy)]
pub(super) struct Edge {
    pub from: usize,
    pub to: usize,
    /// Largest |mismatch| on the way.
    pub worst: f64,
    /// Sum of squares on the way.
    pub squares: f64,
}

/// A path from the first to the last layer.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Path {
    /// State in each layer.
    pub states: Vec<usize>,
    /// Largest |mismatch|.
    pub worst: f64,
    /// Sum of squares.
    pub squares: f64,
}

/// The path with the least sum of squares among those whose worst edge is at most `allowed`, or as
/// small as possible up to [`WORST_QUANTUM_DEG`] if that is more. Exact, by dynamic programming in two
/// passes; ties go to the lowest states.
///
/// `edges[i]` lead from layer `i` to layer `i + 1`; `sizes` has one entry more than `edges`.
pub(super) fn best_path(sizes: &[usize], edges: &[Vec<Edge>], allowed: f64) -> Option<Path> {
    let least_worst = least_worst(sizes, edges)?;
    let least_allowed = (least_worst / WORST_QUANTUM_DEG).ceil() * WORST_QUANTUM_DEG + 1e-12;
    let allowed = allowed.max(least_allowed);
    let mut sums = vec![0.0; *sizes.first()?];
    let mut came_from = Vec::with_capacity(edges.len());
    for (layer, &size) in edges.iter().zip(&sizes[1..]) {
        let mut next = vec![f64::INFINITY; size];
        let mut from = vec![usize::MAX; size];
        for edge in layer.iter().filter(|edge| edge.worst <= allowed) {
            let sum = sums[edge.from] + edge.squares;
            if sum < next[edge.to] {
                next[edge.to] = sum;
                from[edge.to] = edge.from;
            }
        }
        sums = next;
        came_from.push(from);
    }
    let mut state = (0..sums.len()).min_by(|&a, &b| sums[a].total_cmp(&sums[b]))?;
    if !sums[state].is_finite() {
        return None;
    }
    let squares = sums[state];
    let mut states = vec![state];
    for from in came_from.iter().rev() {
        state = from[state];
        states.push(state);
    }
    states.reverse();
    let worst = worst_along(&states, edges);
    Some(Path {
        states,
        worst,
        squares,
    })
}

/// The least possible worst edge of any path.
fn least_worst(sizes: &[usize], edges: &[Vec<Edge>]) -> Option<f64> {
    let mut worst = vec![0.0; *sizes.first()?];
    for (layer, &size) in edges.iter().zip(&sizes[1..]) {
        let mut next = vec![f64::INFINITY; size];
        for edge in layer {
            let through = edge.worst.max(worst[edge.from]);
            if through < next[edge.to] {
                next[edge.to] = through;
            }
        }
        worst = next;
    }
    worst
        .into_iter()
        .min_by(f64::total_cmp)
        .filter(|least| least.is_finite())
}

fn worst_along(states: &[usize], edges: &[Vec<Edge>]) -> f64 {
    edges
        .iter()
        .zip(states.windows(2))
        .filter_map(|(layer, pair)| {
            layer
                .iter()
                .filter(|edge| edge.from == pair[0] && edge.to == pair[1])
                .map(|edge| edge.worst)
                .min_by(f64::total_cmp)
        })
        .fold(0.0, f64::max)
}
