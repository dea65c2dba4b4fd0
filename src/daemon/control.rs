//! The control protocol: requests to a running daemon and its answers, one line of JSON each, over a socket in the
//! state folder that only the folder's owner can reach. Never carries anything of a message.

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

/// Where the answer to a request goes.
pub(super) type ReplyTo = oneshot::Sender<Answer>;

/// One line of JSON that a command sends to the daemon.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Request {
    /// For the status of the drives.
    Drives,
    /// For how much the daemon has written.
    Written,
    /// To trust the drive with this id again, and to find the removable drives anew: its operator made it ours, or ours
    /// again.
    Trust(String),
    /// To give up a drive: from then on its copies do not count, and no mail is written to it.
    Forget {
        /// The drive's id.
        id: String,
        /// Why: one of the words of [`DriveLoss`](crate::model::DriveLoss).
        why: String,
        /// Where the drive is now, in the operator's words.
        place: Option<String>,
    },
    /// To let the next new stick in.
    LetNextIn {
        /// For how long the next one is let in, in seconds.
        seconds: u64,
        /// What was mounted before: none of these is the new stick.
        before: Vec<String>,
    },
    /// To finish what is being written to a drive and not to touch it again until it is mounted anew. The drive is
    /// given by its label, its id or its path.
    Release(String),
}

/// What an answer that cannot be read most likely means.
const ANOTHER_VERSION: &str = "the daemon's answer cannot be read. It may be another version of the program, as after \
                               an upgrade: restart it, then try again";

/// The answer to a request.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Answer {
    /// The status of all drives.
    Drives(Vec<DriveStatus>),
    /// Bytes that the daemon has written to any device, if the kernel counts that.
    Written(Option<u64>),
    /// The drive is released.
    Released(DriveStatus),
    /// The request was refused; the reason, for a person.
    Refused(String),
}

/// A drive as the daemon sees it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct DriveStatus {
    /// Its name for a person.
    pub label: String,
    /// Its path, in raw bytes.
    pub path: Vec<u8>,
    /// Its id, once a worker has read it.
    pub id: Option<String>,
    /// Its state ([`DriveState::as_str`](super::DriveState::as_str)).
    pub state: String,
    /// For how many seconds its worker has made no progress; `None` if it has, or does nothing.
    pub stalled_seconds: Option<u64>,
}

/// Sends a request to the daemon of a state folder; `None` if none answers within `patience`.
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
    // A daemon that ends in the middle of its answer, or takes too long, has not answered.
    let answer = answer().ok().filter(|answer| answer.ends_with(b"\n"));
    Ok(answer.map(|answer| match serde_json::from_slice::<Answer>(&answer) {
        Ok(answer) => answer.made_harmless(),
        Err(_) => Answer::Refused(ANOTHER_VERSION.to_owned()),
    }))
}

impl Answer {
    /// Makes harmless whatever process may have answered: nothing moves a cursor, and nothing is long.
    fn made_harmless(self) -> Self {
        match self {
            Self::Drives(mut drives) => {
                // The named folders, and as many removable drives.
                drives.truncate(2 * DRIVES_MAX);
                Self::Drives(drives.into_iter().map(DriveStatus::made_harmless).collect())
            }
            Self::Written(bytes) => Self::Written(bytes),
            Self::Released(drive) => Self::Released(drive.made_harmless()),
            Self::Refused(why) => Self::Refused(harmless(&why)),
        }
    }
}

impl DriveStatus {
    fn made_harmless(self) -> Self {
        // No path of a host is longer, and each begins at the root.
        let is_path = self.path.first() == Some(&b'/')
            && self.path.len() <= HOST_PATH_BYTES
            && !self.path.contains(&0);
        Self {
            label: harmless(&self.label),
            path: if is_path { self.path } else { Vec::new() },
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
