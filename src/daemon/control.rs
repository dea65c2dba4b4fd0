//! What a running daemon can be asked: how its drives are, to let one go, to give one up. One line of JSON there, one
//! back, over a socket in the state folder, which only its owner can reach.
//! Never carries anything of a message.

use crate::disk::{DiskError, host};
use crate::model::limits::{ANSWER_BYTES, ANSWER_TEXT_CHARS, DRIVES_MAX};
use crate::model::{DriveId, escape};
use serde::{Deserialize, Serialize};
use std::io::{BufRead as _, BufReader, Read as _, Write as _};
use std::path::Path;
use std::time::Duration;
use tokio::sync::oneshot;

/// The longest path of the host, in bytes (Linux, PATH_MAX).
const HOST_PATH_BYTES: usize = 4096;

/// Where the answer goes.
pub(super) type ReplyTo = oneshot::Sender<Answer>;

/// What is asked.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Request {
    /// How the drives are.
    Drives,
    /// To look again which drives are here.
    Look,
    /// The same, and to begin afresh with the drive of this id: its operator made it ours, or ours again.
    Afresh(String),
    /// To give up a drive: its copies count for nothing from now on, and it takes no mail.
    Forget {
        /// Its id.
        id: String,
        /// Why: a word of [`DriveLoss`](crate::model::DriveLoss).
        why: String,
        /// Where it went, as its operator says.
        place: Option<String>,
    },
    /// To let the next new stick in.
    LetNextIn {
        /// If it comes within so many seconds.
        seconds: u64,
        /// The mounts that were there before.
        before: Vec<String>,
    },
    /// To finish what is being written to a drive and not to touch it again until it is mounted anew. The
    /// drive by its label, its id or its path.
    Release(String),
}

/// What is answered.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Answer {
    /// The drives that are served.
    Drives(Vec<DriveStatus>),
    /// The drive is let go.
    Released(DriveStatus),
    /// It was not done, and why.
    Refused(String),
}

/// A drive as the daemon sees it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct DriveStatus {
    /// How it is called.
    pub label: String,
    /// Where it is, raw.
    pub at: Vec<u8>,
    /// Its id, once it was read.
    pub id: Option<String>,
    /// The word for its state.
    pub state: String,
    /// It is at work and gets nowhere, since so many seconds.
    pub stalled_seconds: Option<u64>,
}

/// Asks the daemon that works in a state folder; `None` if none answers there.
pub fn ask(
    state: &Path,
    request: &Request,
    patience: Duration,
) -> Result<Option<Answer>, DiskError> {
    let Some(mut stream) = host::connect(state, patience)? else { return Ok(None) };
    let mut line = serde_json::to_vec(request).unwrap_or_default();
    line.push(b'\n');
    let answer = || -> std::io::Result<Vec<u8>> {
        stream.write_all(&line)?;
        let mut answer = Vec::new();
        BufReader::new(stream.take(ANSWER_BYTES)).read_until(b'\n', &mut answer)?;
        Ok(answer)
    };
    // One that ends in the middle of it, or takes too long, has not answered.
    let answer = answer().ok().and_then(|answer| serde_json::from_slice(&answer).ok());
    Ok(answer.map(Answer::made_harmless))
}

impl Answer {
    /// Whatever a process says that listens there: nothing in it moves a cursor, and none of it is long.
    fn made_harmless(self) -> Self {
        match self {
            Self::Drives(mut drives) => {
                // The named folders, and as many removable drives.
                drives.truncate(2 * DRIVES_MAX);
                Self::Drives(drives.into_iter().map(DriveStatus::made_harmless).collect())
            }
            Self::Released(drive) => Self::Released(drive.made_harmless()),
            Self::Refused(why) => Self::Refused(harmless(&why)),
        }
    }
}

impl DriveStatus {
    fn made_harmless(self) -> Self {
        // No path of the host is longer, and each is from its root.
        let is_path = self.at.first() == Some(&b'/')
            && self.at.len() <= HOST_PATH_BYTES
            && !self.at.contains(&0);
        Self {
            label: harmless(&self.label),
            at: if is_path { self.at } else { Vec::new() },
            id: self.id.filter(|id| id.parse::<DriveId>().is_ok()),
            state: harmless(&self.state),
            stalled_seconds: self.stalled_seconds,
        }
    }
}

fn harmless(text: &str) -> String {
    let short: String = text.chars().take(ANSWER_TEXT_CHARS).collect();
    escape::shown(short.as_bytes())
}
