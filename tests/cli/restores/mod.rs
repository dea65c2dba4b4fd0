//! Restores that are not simple: a fresh card, another operator's box, what months and accidents leave of a stick.

mod drives;
mod fresh;
mod handover;
mod mailboxes;
