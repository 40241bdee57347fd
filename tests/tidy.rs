//! The project's own rules as tests.
