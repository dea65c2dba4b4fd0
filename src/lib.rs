//! Keeps a proven second copy of every message of an off-grid radio mail station.
//!
//! Layers, each using only those before it: [`model`] (pure facts and rules), `disk` (the only
//! file system access), `job` (one-shot work), `daemon` (time and events), `cli` (words).
#![forbid(unsafe_code)]

pub mod cli;
pub mod daemon;
pub mod disk;
pub mod job;
pub mod model;
