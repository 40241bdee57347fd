//! F5: the command line.
