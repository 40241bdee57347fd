//! Which single fault explains what was read, and which conductor to look at.
//!
//! Place in the data's path: [`Evidence`] is taken from a run's state, [`diagnose`] compares it
//! with what every single fault of the grammar would show, and a report prints the outcome. The
//! model is the on/off pattern of drives, conductors and inputs; it shares nothing with the
//! simulator, so that a mistake in one shows against the other. It gives no probabilities: no
//! base rates of faults are known.

mod confirm;
mod evidence;
mod hypothesis;
mod pattern;

pub use evidence::{Evidence, ObservedStep, ValveEffect};
pub use hypothesis::{Conclusion, Diagnosis, Group, diagnose};
