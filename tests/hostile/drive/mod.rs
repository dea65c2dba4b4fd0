//! A drive that somebody prepared, or that a repair tool has been at.
mod answers;
mod configs;
mod contradictions;
mod crowds;
mod doubts;
mod lies;
mod mixups;
mod parts;
mod rooms;
mod sizes;
mod strangers;
mod targets;
