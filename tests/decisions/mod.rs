//! Decisions judged on hundreds of invented aircraft: exact linkages, forged measurements with a
//! known covariance, the truth at 401 stick positions. No film is needed, so all of it takes a minute.

#![allow(clippy::unwrap_used)]

mod ailerons;
mod alike;
mod causes;
mod ends;
mod fleet;
mod neutral;
mod not_matched;
mod promises;
mod radio;
mod throws;
