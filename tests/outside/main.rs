//! The main job held against references from outside, each named where it is used. Nothing here
//! trusts what the program says of itself alone.
//!
//! - `hashes`: SHA-256 against the vectors of NIST, and coreutils
//! - `bags`: what is on a drive against RFC 8493, coreutils and a validator written by others
//! - `corpus`: message files collected by others, there and back, against `diff` and their times
//! - `headers`: dates and subjects against the examples of RFC 5322 and RFC 2047
//! - `post`: a station with its drives, in the words of its operator
//! - `inspector`: the strict look at a bag
//! - `weight`: what messages are made of, against Python's standard library
//! - `tools`: the programs from outside; a missing one fails the test
#![allow(clippy::unwrap_used, clippy::expect_used, missing_docs)]

mod bags;
mod corpus;
mod hashes;
mod headers;
mod inspector;
mod post;
mod tools;
mod weight;
