//! The main job compared with references from outside, each named where it is used. Nothing here relies on the
//! program's own reports alone.
//!
//! - `hashes`: SHA-256 against the vectors of NIST, and coreutils
//! - `bags`: the files on a drive against RFC 8493, coreutils and a validator written by others
//! - `corpus`: message files collected by others, mirrored and restored, against `diff` and their times
//! - `headers`: dates and subjects against the examples of RFC 5322 and RFC 2047
//! - `post`: a station with its drives, used as its operator does
//! - `inspector`: the strict check of a bag
//! - `weight`: the parts of a message, against Python's standard library
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
