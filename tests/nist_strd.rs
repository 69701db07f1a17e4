//! The solver against the NIST Statistical Reference Datasets for nonlinear regression
//! (<https://www.itl.nist.gov/div898/strd/>, public domain; `tests/data/nist`): certified
//! parameters and standard deviations, from both published starts.

#![allow(clippy::unwrap_used)]

use std::path::Path;

use hingewise::solver::{Loss, Problem, SolverError, SolverOptions, solve};
use nalgebra::{DMatrix, DVector};

type Model = fn(&[f64], &[f64]) -> f64;

/// A data set as published.
struct DataSet {
    starts: [Vec<f64>; 2],
    certified: Vec<f64>,
    certified_sd: Vec<f64>,
    observed: Vec<f64>,
    predictors: Vec<Vec<f64>>,
}

impl DataSet {
    fn read(name: &str) -> Self {
        let path =
            Path::new(env!("CARGO_MANIFEST_DIR")).join(format!("tests/data/nist/{name}.dat"));
        let text = std::fs::read_to_string(&path).unwrap();
        let numbers = |line: &str| -> Vec<f64> {
            line.split_whitespace()
                .filter_map(|word| word.parse().ok())
                .collect()
        };
        let mut set = Self {
            starts: [vec![], vec![]],
            certified: vec![],
            certified_sd: vec![],
            observed: vec![],
            predictors: vec![],
        };
        let lines: Vec<&str> = text.lines().collect();
        let data_from = lines
            .iter()
            .rposition(|line| line.starts_with("Data:"))
            .unwrap();
        for line in &lines[..data_from] {
            if let Some((label, values)) = line.split_once('=')
                && label.trim().starts_with('b')
                && label.trim()[1..].parse::<usize>().is_ok()
            {
                let values = numbers(values);
                assert_eq!(values.len(), 4, "{name}: {line}");
                set.starts[0].push(values[0]);
                set.starts[1].push(values[1]);
                set.certified.push(values[2]);
                set.certified_sd.push(values[3]);
            }
        }
        for line in lines[data_from + 1..].iter().map(|line| numbers(line)) {
            if let [observed, predictors @ ..] = line.as_slice() {
                set.observed.push(*observed);
                set.predictors.push(predictors.to_vec());
            }
        }
        assert!(set.certified.len() >= 2 && set.observed.len() > set.certified.len());
        set
    }
}

struct Regression<'a> {
    model: Model,
    set: &'a DataSet,
}

impl Problem for Regression<'_> {
    fn parameter_count(&self) -> usize {
        self.set.certified.len()
    }

    fn residuals(&self, parameters: &DVector<f64>) -> Option<DVector<f64>> {
        let predicted = self
            .set
            .predictors
            .iter()
            .map(|x| (self.model)(parameters.as_slice(), x));
        let residuals = predicted.zip(&self.set.observed).map(|(f, y)| f - y);
        Some(DVector::from_iterator(self.set.observed.len(), residuals))
    }
}

fn exponential_saturation(b: &[f64], x: &[f64]) -> f64 {
    b[0] * (1.0 - (-b[1] * x[0]).exp())
}
fn chwirut(b: &[f64], x: &[f64]) -> f64 {
    (-b[0] * x[0]).exp() / (b[1] + b[2] * x[0])
}
fn gauss(b: &[f64], x: &[f64]) -> f64 {
    let bell = |height: f64, at: f64, width: f64| height * (-((x[0] - at) / width).powi(2)).exp();
    b[0] * (-b[1] * x[0]).exp() + bell(b[2], b[3], b[4]) + bell(b[5], b[6], b[7])
}
fn lanczos(b: &[f64], x: &[f64]) -> f64 {
    (0..3)
        .map(|i| b[2 * i] * (-b[2 * i + 1] * x[0]).exp())
        .sum()
}
fn cubic_over_cubic(b: &[f64], x: &[f64]) -> f64 {
    let x = x[0];
    (b[0] + x * (b[1] + x * (b[2] + x * b[3]))) / (1.0 + x * (b[4] + x * (b[5] + x * b[6])))
}
fn enso(b: &[f64], x: &[f64]) -> f64 {
    let turn = 2.0 * std::f64::consts::PI * x[0];
    let wave = |period: f64, c: f64, s: f64| c * (turn / period).cos() + s * (turn / period).sin();
    b[0] + wave(12.0, b[1], b[2]) + wave(b[3], b[4], b[5]) + wave(b[6], b[7], b[8])
}

/// Every nonlinear regression set but Nelson, which is fitted in the logarithm (below).
const MODELS: &[(&str, Model)] = &[
    ("Misra1a", exponential_saturation),
    ("BoxBOD", exponential_saturation),
    ("Misra1b", |b, x| {
        b[0] * (1.0 - (1.0 + b[1] * x[0] / 2.0).powi(-2))
    }),
    ("Misra1c", |b, x| {
        b[0] * (1.0 - (1.0 + 2.0 * b[1] * x[0]).powf(-0.5))
    }),
    ("Misra1d", |b, x| b[0] * b[1] * x[0] / (1.0 + b[1] * x[0])),
    ("Chwirut1", chwirut),
    ("Chwirut2", chwirut),
    ("DanWood", |b, x| b[0] * x[0].powf(b[1])),
    ("Lanczos1", lanczos),
    ("Lanczos2", lanczos),
    ("Lanczos3", lanczos),
    ("Gauss1", gauss),
    ("Gauss2", gauss),
    ("Gauss3", gauss),
    ("ENSO", enso),
    ("Hahn1", cubic_over_cubic),
    ("Thurber", cubic_over_cubic),
    ("Kirby2", |b, x| {
        (b[0] + x[0] * (b[1] + x[0] * b[2])) / (1.0 + x[0] * (b[3] + x[0] * b[4]))
    }),
    ("MGH09", |b, x| {
        b[0] * (x[0] * x[0] + x[0] * b[1]) / (x[0] * x[0] + x[0] * b[2] + b[3])
    }),
    ("MGH10", |b, x| b[0] * (b[1] / (x[0] + b[2])).exp()),
    ("MGH17", |b, x| {
        b[0] + b[1] * (-x[0] * b[3]).exp() + b[2] * (-x[0] * b[4]).exp()
    }),
    ("Rat42", |b, x| b[0] / (1.0 + (b[1] - b[2] * x[0]).exp())),
    ("Rat43", |b, x| {
        b[0] / (1.0 + (b[1] - b[2] * x[0]).exp()).powf(1.0 / b[3])
    }),
    ("Roszman1", |b, x| {
        b[0] - b[1] * x[0] - (b[2] / (x[0] - b[3])).atan() / std::f64::consts::PI
    }),
    ("Eckerle4", |b, x| {
        b[0] / b[1] * (-0.5 * ((x[0] - b[2]) / b[1]).powi(2)).exp()
    }),
    ("Bennett5", |b, x| b[0] * (b[1] + x[0]).powf(-1.0 / b[2])),
];

/// Digits in which two numbers agree.
fn digits(found: f64, certified: f64) -> f64 {
    -((found - certified) / certified)
        .abs()
        .max(f64::EPSILON)
        .log10()
}

fn check(name: &str, model: Model, set: &DataSet) -> Vec<String> {
    let problem = Regression { model, set };
    let mut failures = vec![];
    for (number, start) in set.starts.iter().enumerate() {
        let start = DVector::from_column_slice(start);
        let (solution, reason) = match solve(&problem, start, &SolverOptions::default()) {
            Ok(found) => found,
            Err(error) => {
                failures.push(format!("{name}, start {}: {error}", number + 1));
                continue;
            }
        };
        let variance = solution.residual_variance();
        let Some(covariance) = solution.covariance() else {
            failures.push(format!("{name}, start {}: undetermined", number + 1));
            continue;
        };
        let found_sd = (covariance.diagonal() * variance).map(f64::sqrt);
        let worst = |found: &[f64], certified: &[f64]| {
            let agree = found.iter().zip(certified).map(|(f, c)| digits(*f, *c));
            agree.fold(f64::INFINITY, f64::min)
        };
        let parameter_digits = worst(solution.parameters.as_slice(), &set.certified);
        let sd_digits = worst(found_sd.as_slice(), &set.certified_sd);
        let line = format!(
            "{name}, start {}: parameters {parameter_digits:.1} digits, sd {sd_digits:.1} digits, \
             {} iterations, {reason:?}",
            number + 1,
            solution.iterations
        );
        println!("{line}");
        // Lanczos1 was made without noise: its residuals, hence its standard deviations, are
        // nothing but rounding of the published data.
        let sd_wanted = if name == "Lanczos1" { 0.0 } else { 5.0 };
        if parameter_digits < 6.0 || sd_digits < sd_wanted {
            failures.push(line);
        }
    }
    failures
}

#[test]
fn reaches_the_certified_values_of_every_set_from_both_starts() {
    let mut failures = vec![];
    for (name, model) in MODELS {
        failures.extend(check(name, *model, &DataSet::read(name)));
    }
    let mut nelson = DataSet::read("Nelson");
    nelson
        .observed
        .iter_mut()
        .for_each(|value| *value = value.ln());
    let model: Model = |b, x| b[0] - b[1] * x[0] * (-b[2] * x[1]).exp();
    failures.extend(check("Nelson", model, &nelson));
    assert!(failures.is_empty(), "\n{}", failures.join("\n"));
}

/// The oracle: `levenberg-marquardt` 0.15, a port of MINPACK's `lmder`.
#[test]
fn agrees_with_a_minpack_port() {
    use levenberg_marquardt::{LeastSquaresProblem, LevenbergMarquardt};
    use nalgebra::{Dyn, Owned};

    struct Oracle<'a>(Regression<'a>, DVector<f64>);
    impl LeastSquaresProblem<f64, Dyn, Dyn> for Oracle<'_> {
        type ParameterStorage = Owned<f64, Dyn>;
        type ResidualStorage = Owned<f64, Dyn>;
        type JacobianStorage = Owned<f64, Dyn, Dyn>;
        fn set_params(&mut self, parameters: &DVector<f64>) {
            self.1.copy_from(parameters);
        }
        fn params(&self) -> DVector<f64> {
            self.1.clone()
        }
        fn residuals(&self) -> Option<DVector<f64>> {
            self.0.residuals(&self.1)
        }
        fn jacobian(&self) -> Option<DMatrix<f64>> {
            self.0.jacobian(&self.1)
        }
    }

    for name in ["Misra1a", "Rat42", "Thurber", "Gauss3", "ENSO"] {
        let model = MODELS.iter().find(|(known, _)| *known == name).unwrap().1;
        let set = DataSet::read(name);
        let start = DVector::from_column_slice(&set.starts[1]);
        let oracle = Oracle(Regression { model, set: &set }, start.clone());
        let (oracle, report) = LevenbergMarquardt::new().minimize(oracle);
        assert!(report.termination.was_successful(), "{name}");
        let problem = Regression { model, set: &set };
        let (solution, _) = solve(&problem, start, &SolverOptions::default()).unwrap();
        assert!(
            solution.cost <= report.objective_function * (1.0 + 1e-10),
            "{name}"
        );
        for (found, reference) in solution.parameters.iter().zip(oracle.1.iter()) {
            assert!(
                digits(*found, *reference) > 5.0,
                "{name}: {found} {reference}"
            );
        }
    }
}

/// What an exhausted search hands back is no worse than its start.
#[test]
fn hands_back_the_best_point_when_it_gives_up() {
    let set = DataSet::read("MGH17");
    let model = MODELS.iter().find(|(name, _)| *name == "MGH17").unwrap().1;
    let problem = Regression { model, set: &set };
    let start = DVector::from_column_slice(&set.starts[0]);
    let cost_at_start = 0.5 * problem.residuals(&start).unwrap().norm_squared();
    let few = SolverOptions {
        iterations: 3,
        ..SolverOptions::default()
    };
    match solve(&problem, start, &few) {
        Err(SolverError::IterationsExhausted { best }) => assert!(best.cost < cost_at_start),
        other => panic!("{other:?}"),
    }
    let beyond = DVector::from_element(5, f64::NAN);
    assert!(matches!(
        solve(&problem, beyond, &few),
        Err(SolverError::NoValueAtStart)
    ));
}

/// A straight line through exact points with gross errors in a tenth of them; the bound is the
/// influence that a Cauchy loss leaves an error, common practice, no source.
#[test]
fn a_heavy_tailed_loss_sees_through_gross_errors() {
    let predictors: Vec<Vec<f64>> = (0..40).map(|i| vec![i as f64]).collect();
    let observed = predictors
        .iter()
        .enumerate()
        .map(|(i, x)| 3.0 + 0.5 * x[0] + if i % 10 == 3 { 200.0 } else { 0.0 })
        .collect();
    let set = DataSet {
        starts: [vec![0.0, 0.0], vec![0.0, 0.0]],
        certified: vec![3.0, 0.5],
        certified_sd: vec![],
        observed,
        predictors,
    };
    let problem = Regression {
        model: |b, x| b[0] + b[1] * x[0],
        set: &set,
    };
    let start = DVector::from_vec(vec![0.0, 0.0]);
    let robust = SolverOptions {
        loss: Loss::Cauchy { width: 2.0 },
        ..SolverOptions::default()
    };
    let plain = SolverOptions::default();
    let (with_loss, _) = solve(&problem, start.clone(), &robust).unwrap();
    let (without, _) = solve(&problem, start, &plain).unwrap();
    assert!((with_loss.parameters[0] - 3.0).abs() < 0.02);
    assert!((with_loss.parameters[1] - 0.5).abs() < 0.001);
    assert!((without.parameters[0] - 3.0).abs() > 5.0);
}
