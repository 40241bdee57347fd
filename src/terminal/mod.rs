//! F4: progress at the terminal.
