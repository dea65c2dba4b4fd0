//! How quick the drives are, before a restore reads everything.
//! Never reads more than a few copies, or longer than a person notices.

use super::RestoreSources;
use crate::disk::ReadFrom;
use crate::job::JobError;
use crate::model::Clock;
use crate::model::limits::COPY_BUFFER_BYTES;
use std::time::Duration;

/// Copies read to see how quick the drives are.
const PACED_BY: usize = 32;
/// Not for longer than this.
const PACED_FOR: Duration = Duration::from_millis(500);

/// How long reading everything takes, by the pace of a few copies read from the medium; none if there are too few
/// to tell.
pub fn pace(
    sources: &RestoreSources,
    messages: u64,
    clock: &dyn Clock,
) -> Result<Option<Duration>, JobError> {
    let begun = clock.since_boot();
    let mut read: u32 = 0;
    for drive in &sources.drives {
        let copies = sources.catalogue.payloads_after(drive.state.row, 0, PACED_BY as u32)?;
        for copy in copies {
            if read as usize >= PACED_BY || clock.since_boot() - begun > PACED_FOR {
                break;
            }
            let at = drive.dir.join(&copy.name.to_rel());
            let Ok(mut source) = drive.volume.read(&at, 0, ReadFrom::Medium) else { continue };
            let mut buffer = vec![0; COPY_BUFFER_BYTES];
            // One that cannot be read takes its time all the same.
            while source.read(&mut buffer).is_ok_and(|got| got > 0) {}
            read += 1;
        }
    }
    let took = clock.since_boot() - begun;
    let whole = u32::try_from(messages).unwrap_or(u32::MAX);
    Ok((read > 0).then(|| took.saturating_mul(whole) / read))
}
