//! What is reported: values that the cli formats and a script gets as JSON.
//! Holds no sentences, and writes nothing anywhere.

pub mod audit;
pub mod card_use;
pub mod inventory;
pub mod statistics;
pub mod traffic;
pub mod verdict;

pub(super) mod size_breakdown;
