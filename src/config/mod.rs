//! F2: files to validated domain values, every problem at once.
