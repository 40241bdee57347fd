//! What the equipment is and which rules it follows.
//!
//! Place in the data's path: `config` reads a [`ProfileDraft`] from a file, [`Profile::new`]
//! makes a profile of it or says everything that is wrong with it, and the truth table follows
//! from the profile alone. Nothing here knows a bench.
//!
//! Read `words` and `draft` for what a file can say, `rules` and `line_rules` for what is refused,
//! `definition` and `roles` for what the rest of the program asks, `effective` for what `check`
//! shows.

mod definition;
mod draft;
mod effective;
mod line_rules;
mod roles;
mod rules;
mod words;

#[cfg(test)]
mod tests;

pub use definition::{Profile, terminal_named};
pub use draft::{Accessory, ProfileDraft, ProfileProblem};
pub use effective::{EffectiveKey, Origin};
pub use roles::LineRole;
pub(crate) use words::file_words;
pub use words::{
    Active, Arrangement, Auxiliary, Changeover, ChangeoverAtRest, Direction, FanInHeat, Heat,
    Interface, Kind,
};
