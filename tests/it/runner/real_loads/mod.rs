//! Real loads, rule by rule, against a house whose machines show every harm.
//!
//! The house has no protection of its own. Every number here is the rule's, not the program's:
//! minimum-off from the profile, minimum-on 180 s, blower hold 90 s after electric heat, air within
//! 15 s (all from memory, common practice, no source).

mod arming;
mod crossed_wires;
mod currents;
mod defrost;
mod house;
mod lifted;
mod meters;
mod order;
mod planning;
mod stops;
mod timers;
