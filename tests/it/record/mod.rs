//! The record: chain, replay, reports and progress, from hand-made events.

mod fixture;
mod json;
mod progress;
mod store;
mod text;
