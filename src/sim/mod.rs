//! F3: the simulated bench, at the byte level.
