//! The record: chain, replay, reports and progress, from hand-made events.

mod fixture;
mod formats;
mod json;
mod live_table;
mod progress;
mod store;
mod text;
