//! F4: a run at the terminal, as it happens.
//!
//! Place in the data's path: takes the same events that the journal holds, after they are written,
//! and shows them on a writer that it is given. It never changes a run; a person's wishes reach
//! one as typed commands.

mod keyboard;
mod live_table;
mod narration;
mod progress;

pub use keyboard::read_lines;
pub use live_table::LiveTable;
pub use progress::Progress;
