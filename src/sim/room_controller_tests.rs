//! The simulated room controller by itself: timers, stages and both conventions.
