//! The reference model: what audit, rehearsal and restore must answer after any history of a station's cards and
//! sticks. Owns the rules. Shares no code with the program, and never knows what happened: only what a card saw and
//! what the ledgers say.

mod card;
mod ledger;
mod pass;
mod restore;

pub(crate) use card::{Card, Catalogue, Pass};
pub(crate) use ledger::{
    Content, Key, Line, Location, Mail, Path, Position, Stick, Writers, instead_of,
};
pub(crate) use restore::{Given, How, Restored, restore};
