//! The daemon as its operator runs it: the built binary, real folders, real signals.
//!
//! - `post`: the fixture: a card, sticks, a running daemon, and waiting for what must become true
//! - `mail`: messages that arrive, move, change and vanish while it watches
//! - `mailboxes`: several mailboxes, and one that is away, unmounted or back
//! - `sticks`: drives that are plugged in, pulled, and leave an empty mount point
//! - `given_up`: drives that do not count
//! - `card`: a card that is full, or becomes full
//! - `floods`: sticks whose ledgers name more than there is
//! - `kept`: what an idle daemon does for the copies there are
//! - `service`: signals, the service manager, idling, being killed
#![allow(clippy::unwrap_used, clippy::expect_used, missing_docs, unreachable_pub)]

mod card;
mod floods;
mod given_up;
mod kept;
mod mail;
mod mailboxes;
mod post;
mod service;
mod sticks;
// One vocabulary for all tests; what only others need is not used here.
#[allow(dead_code, unused_macros)]
#[macro_use]
#[path = "../support/mod.rs"]
mod support;
