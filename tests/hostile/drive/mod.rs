//! A drive that somebody prepared, or that a repair tool has been at.
mod configs;
mod contradictions;
mod lies;
mod mixups;
mod parts;
mod rooms;
mod sizes;
mod strangers;
mod targets;
