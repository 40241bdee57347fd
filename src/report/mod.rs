//! F4: what a run came to, in every format.

pub mod expected_table;
