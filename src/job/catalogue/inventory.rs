//! What a drive holds of a station, for somebody who sees it for the first time.
//! Never decides anything.

use super::row_ids::ReplicaRowId;
use super::{Catalogue, CopyState};
use crate::job::JobError;
use crate::model::Timestamp;

/// How the copies of a station on a drive stand.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct CopyCounts {
    /// Copies that were whole when they were last read.
    pub whole: u64,
    /// Bytes of them.
    pub bytes: u64,
    /// Of them those that were read again after they were made.
    pub reread: u64,
    /// The longest ago that one of them was last read, as claimed.
    pub oldest: Option<Timestamp>,
    /// Copies whose line stands behind a break: whole only if they are found to be.
    pub claimed: u64,
    /// Copies found damaged.
    pub damaged: u64,
    /// Copies that were not there any more.
    pub missing: u64,
    /// What looks like what a power failure left of a copy.
    pub debris: u64,
}

impl Catalogue {
    /// How the copies in a replica stand.
    pub fn copy_counts(&self, replica: ReplicaRowId) -> Result<CopyCounts, JobError> {
        let sql = "SELECT p.state, count(*), sum(c.bytes), sum(p.reread), min(p.proven) FROM payload p \
                   JOIN content c ON c.id = p.content WHERE p.replica = ?1 GROUP BY p.state";
        let mut counts = CopyCounts::default();
        let groups: Vec<(CopyState, u64, u64, u64, i64)> = self.rows(sql, [replica])?;
        for (state, copies, bytes, reread, seconds) in groups {
            match state {
                CopyState::Good | CopyState::Adopted => {
                    counts.whole += copies;
                    counts.bytes += bytes;
                    counts.reread += reread;
                    let earlier = counts.oldest.map_or(seconds, |o| o.seconds.min(seconds));
                    counts.oldest = Some(Timestamp { seconds: earlier, nanos: 0 });
                }
                CopyState::Claimed => counts.claimed += copies,
                CopyState::Damaged => counts.damaged += copies,
                CopyState::Missing => counts.missing += copies,
                CopyState::Debris => counts.debris += copies,
                CopyState::GivenUp | CopyState::Removed => {}
            }
        }
        Ok(counts)
    }
}
