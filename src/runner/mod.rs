//! F3: makes the calls, reads, judges, and leaves everything open.
