//! Least squares: the damped Gauss–Newton method under the joint fit, the calibration and the
//! linkage fit.
