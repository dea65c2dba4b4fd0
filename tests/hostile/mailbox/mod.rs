//! Mailboxes that somebody prepared.
mod crowds;
mod kinds;
mod races;
