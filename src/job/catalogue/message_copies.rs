//! Every message with every copy of it, in one pass over two sorted lists: for reports to a person. Never changes
//! anything, and holds one message at a time.

use super::Catalogue;
use super::row_ids::{ContentRowId, DriveRowId, MailboxRowId};
use super::rows::{Columns, FromRow, read};
use crate::job::JobError;
use crate::model::message::SizeBreakdown;
use crate::model::{StationName, Timestamp, WallTime};
use rusqlite::params;

/// A path of the mailbox that has or had a message, and what is known of its content.
#[derive(Debug, Clone)]
pub struct TrackedMessage {
    /// Its row in the table of mailboxes.
    pub mailbox: MailboxRowId,
    /// Path, as its sorting key.
    pub key: Vec<u8>,
    /// Whether it is there.
    pub is_there: bool,
    /// Length in bytes.
    pub bytes: u64,
    /// When it was first seen on this card.
    pub first_seen: WallTime,
    /// Its content, if it was ever read.
    pub content: Option<ContentRowId>,
    /// Who sent it.
    pub sender: String,
    /// What it is made of, if it was read on this card.
    pub size_breakdown: Option<SizeBreakdown>,
    /// By the drives' ledgers: when it was first proven, and for how many seconds it had no proven copy.
    pub proven: Option<(WallTime, i64)>,
}

/// A good copy of a content.
#[derive(Debug, Clone, Copy)]
pub struct Proof {
    /// Its row in the table of contents: a SHA-256 and a length.
    content: ContentRowId,
    /// The drive's row.
    pub drive: DriveRowId,
    /// The last time it was read and was right, as claimed.
    pub time: Timestamp,
    /// In a later look than the one that made it.
    pub read_again: bool,
    /// The drive was declared to be elsewhere.
    pub away: bool,
}

const PASSAGES: &str = "SELECT f.mailbox, f.key, f.is_there, f.bytes, f.first_seen, f.clock, f.content, \
                        c.sender, c.body, c.quoted, c.attached, c.proven, c.exposure, c.clock \
                        FROM file f INDEXED BY file_by_content LEFT JOIN content c ON c.id = f.content";

const PROOFS: &str = "SELECT p.content, b.drive, p.proven, p.reread, d.away IS NOT NULL \
                      FROM payload p INDEXED BY payload_by_content \
                      CROSS JOIN replica b ON b.id = p.replica AND b.station = ?1 AND b.trusted \
                      CROSS JOIN drive d ON d.id = b.drive WHERE p.is_good ORDER BY p.content";

impl Catalogue {
    /// Goes through all messages of the mailboxes in force, those with one content one after the other, each with
    /// the good copies of it.
    pub fn each_tracked(
        &self,
        station: &StationName,
        mut each: impl FnMut(TrackedMessage, &[Proof]) -> Result<(), JobError>,
    ) -> Result<(), JobError> {
        let in_force = self.in_force();
        let order = "ORDER BY f.content, f.state, f.change_no";
        let sql = format!("{PASSAGES} WHERE true{in_force} {order}");
        let mut passages = self.db.prepare_cached(&sql)?;
        let mut passages = passages.query([])?;
        let mut proofs = self.db.prepare_cached(PROOFS)?;
        let mut proofs = proofs.query_map(params![station.as_str()], read::<Proof>)?;
        let mut next = proofs.next().transpose()?;
        let mut held: Vec<Proof> = Vec::new();
        while let Some(row) = passages.next()? {
            let tracked: TrackedMessage = read(row)?;
            // What is not known to be any content sorts first, and has no copies.
            held.retain(|proof| Some(proof.content) == tracked.content);
            while let Some(proof) = next.filter(|proof| Some(proof.content) <= tracked.content) {
                if Some(proof.content) == tracked.content {
                    held.push(proof);
                }
                next = proofs.next().transpose()?;
            }
            each(tracked, &held)?;
        }
        Ok(())
    }
}

impl FromRow for Proof {
    fn read(columns: &mut Columns<'_, '_>) -> rusqlite::Result<Self> {
        Ok(Self {
            content: columns.read()?,
            drive: columns.read()?,
            time: columns.seconds()?,
            read_again: columns.read()?,
            away: columns.read()?,
        })
    }
}

impl FromRow for TrackedMessage {
    fn read(columns: &mut Columns<'_, '_>) -> rusqlite::Result<Self> {
        Ok(Self {
            mailbox: columns.read()?,
            key: columns.read()?,
            is_there: columns.read()?,
            bytes: columns.read()?,
            first_seen: columns.read()?,
            content: columns.read()?,
            sender: columns.read::<Option<String>>()?.unwrap_or_default(),
            size_breakdown: match (columns.read()?, columns.read()?, columns.read()?) {
                (Some(body), Some(quoted), Some(attached)) => {
                    let [body, quoted, attached]: [i64; 3] = [body, quoted, attached];
                    Some(SizeBreakdown {
                        body: body as u64,
                        quoted: quoted as u64,
                        attached: attached as u64,
                    })
                }
                _ => None,
            },
            proven: match (columns.read()?, columns.read()?, columns.read::<Option<bool>>()?) {
                (Some(seconds), Some(exposure), trusted) => {
                    let time = Timestamp { seconds, nanos: 0 };
                    Some((WallTime { time, trusted: trusted == Some(true) }, exposure))
                }
                _ => None,
            },
        })
    }
}
