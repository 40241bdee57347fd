//! F4: the journal on disk.
