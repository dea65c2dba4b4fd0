//! One file a command: set up, run a round of `job`, report. No work is done here.

pub(super) mod acknowledge;
pub(super) mod audit;
mod choice;
pub(super) mod config_check;
pub(super) mod demo;
pub(super) mod drives;
mod forget;
mod holdings;
pub(super) mod mirror;
mod rehearse;
mod release;
mod repair;
pub(super) mod restore;
mod state;
pub(super) mod status;
mod survey;
pub(super) mod traffic;
pub(super) mod verify;
pub(super) mod watch;
mod whereabouts;
