//! The facts of the program and the rules on them: names, digests, ledger lines, the bag, findings. Pure: no file
//! system, no clock, no randomness, and nothing of any other layer.

pub mod airtime;
pub mod bag;
pub mod digest;
pub mod dtg;
pub mod escape;
pub mod finding;
pub mod ids;
pub mod json;
pub mod ledger;
pub mod limits;
pub mod loss;
pub mod medium;
pub mod message;
pub mod mountinfo;
pub mod names;
pub mod position;
pub mod preservation_rules;
pub mod time;
pub mod wear;
pub mod writers;

pub use digest::{Digest, Hasher, Identity};
pub use finding::{Finding, KnownDrive, Reason, Suspicion};
pub use ids::{DriveId, WriterId};
pub use loss::DriveLoss;
pub use medium::Medium;
pub use names::{Extension, MailboxName, PayloadName, RelName, StationName};
pub use position::Position;
pub use time::{Clock, EventTime, Timestamp, WallTime};
pub use wear::{Reserve, Wear};
pub use writers::Writers;
