//! Monotone regression by pooling adjacent violators.

use std::ops::Range;

/// Runs of neighbours that share one value in the weighted least-squares fit of a sequence that
/// never falls (pool adjacent violators; Barlow et al., 1972).
///
/// `weights` are positive, one a value.
pub(crate) fn pools(values: &[f64], weights: &[f64]) -> Vec<Range<usize>> {
    struct Pool {
        span: Range<usize>,
        mean: f64,
        weight: f64,
    }
    let mut pools: Vec<Pool> = Vec::new();
    for (index, (&value, &weight)) in values.iter().zip(weights).enumerate() {
        let mut pool = Pool {
            span: index..index + 1,
            mean: value,
            weight,
        };
        while let Some(before) = pools.pop_if(|before| before.mean >= pool.mean) {
            let weight = before.weight + pool.weight;
            pool = Pool {
                span: before.span.start..pool.span.end,
                mean: (before.mean * before.weight + pool.mean * pool.weight) / weight,
                weight,
            };
        }
        pools.push(pool);
    }
    pools.into_iter().map(|pool| pool.span).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_published_sequence_is_pooled() {
        // Isotonic regression of 1 0 4 3 3 5 4 2 0 is .5 .5 3 3 3 3 3 3 3 (example of the
        // SciPy documentation of `isotonic_regression`).
        let values = [1.0, 0.0, 4.0, 3.0, 3.0, 5.0, 4.0, 2.0, 0.0];
        let fitted: Vec<f64> = pools(&values, &[1.0; 9])
            .into_iter()
            .flat_map(|span| {
                let mean = values[span.clone()].iter().sum::<f64>() / span.len() as f64;
                vec![mean; span.len()]
            })
            .collect();
        assert_eq!(fitted, [0.5, 0.5, 3.0, 3.0, 3.0, 3.0, 3.0, 3.0, 3.0]);
    }

    #[test]
    fn the_heavier_value_pulls_the_pool() {
        // 3, then 0 with three times the weight: one pool.
        assert_eq!(pools(&[3.0, 0.0, 1.0], &[1.0, 3.0, 1.0]), vec![0..2, 2..3]);
    }
}
