//! What the Debian package is made of, before it is packed: packaging/check-deb looks at what came out.
//!
//! - `generated`: completions and manual pages of the commands against the one tree of arguments
//! - `manual`: every page is clean, and every key of the config is told
//! - `units`: the service is as confined as it says, and the service manager has no complaint
//! - `automount`: the script that meets what stands on a stick
//! - `purge`: what the removal of the package with all its settings removes
//! - `supply`: what the program is built from, and how
//! - `tools`: the programs asked; a missing one fails the test
#![allow(clippy::unwrap_used, clippy::expect_used, missing_docs)]

mod automount;
mod generated;
mod manual;
mod purge;
mod supply;
mod tools;
mod units;
