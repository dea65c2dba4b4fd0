//! A drive that somebody prepared, or that a repair tool has been at.
mod answers;
mod configs;
mod crowds;
mod lies;
mod mixups;
mod parts;
mod rooms;
mod sizes;
mod strangers;
mod targets;
