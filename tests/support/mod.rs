//! What several test binaries share: each says `#[path = "../support/mod.rs"] mod support;`.
//! Never judges: what must be true is said by the stories.

pub(crate) mod cases;
pub(crate) mod signal;
