//! F2: sans-I/O codecs, both directions.
