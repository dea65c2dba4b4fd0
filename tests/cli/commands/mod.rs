//! One file a command: what it reports, how it ends, what its JSON is made of.

mod audit;
mod carry;
mod config_check;
mod drives;
mod figures;
mod mirror;
mod repair;
mod restore;
mod status;
mod traffic;
mod usage;
mod verify;
