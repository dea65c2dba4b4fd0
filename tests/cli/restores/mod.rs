//! Restores that are not simple. `drives`: what accidents leave of a stick; `mailboxes`: what is already where the mail
//! goes; `fresh`: a new card and nothing set up; `handover`: a box that changes hands; `together`: two at once; `room`:
//! a card that is full; `owners`: whose the files are; `flags`: a Maildir that went on living; `replaced`: names that
//! changed between message and folder; `rehearsals`: yes and no of a rehearsal, `unlike`: by what one message differs;
//! `ended`: what ended commands leave.

mod drives;
mod ended;
mod flags;
mod fresh;
mod handover;
mod mailboxes;
mod owners;
mod rehearsals;
mod replaced;
mod room;
mod together;
mod unlike;
