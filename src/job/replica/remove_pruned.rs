//! Removes copies that the ledger has given up. Can be interrupted anywhere and run again: what is given up stays given
//! up.

use super::manifest;
use super::station_bag::StationBag;
use crate::disk::ErrorKind;
use crate::job::JobError;
use crate::job::catalogue::ReplicaState;

/// Takes every copy that a `pruned` line gives up out of the manifest, then off the drive. The line is durable before
/// this begins. The manifest comes first: a checker of hashes accepts a file that is not listed, but no listed one that
/// is missing. A copy whose content the ledger still asserts anywhere stays, whatever a line says.
pub(crate) fn finish_pruning(bag: StationBag<'_>, replica: &ReplicaState) -> Result<(), JobError> {
    let StationBag { catalogue, volume, dir } = bag;
    let mut copies = Vec::new();
    for copy in catalogue.given_up(replica.row)? {
        if !catalogue.is_placed(replica.row, copy.content)? {
            copies.push(copy);
        }
    }
    if copies.is_empty() {
        return Ok(());
    }
    volume.present()?;
    let names: Vec<_> = copies.iter().map(|copy| copy.name).collect();
    manifest::blank_lines(volume, dir, &names)?;
    let mut gone = Vec::with_capacity(copies.len());
    for copy in copies {
        match volume.remove(&dir.join(&copy.name.to_rel())) {
            Err(error) if error.trouble == ErrorKind::Gone => volume.present()?,
            // Something else has the name now, or a second name leads to the file: it is nobody's, and does no harm.
            Err(error) if matches!(error.trouble, ErrorKind::Refused | ErrorKind::Denied) => {
                continue;
            }
            removed => removed?,
        }
        gone.push(copy);
    }
    volume.sync_all().map_err(JobError::NotSynced)?;
    // On FAT only this flushes the device. Nothing new is written until both the folder and the chain of clusters are
    // on the medium: a power failure between the two must not give an old name to the clusters of a new copy.
    manifest::flush(volume, dir)?;
    catalogue.removed(replica.row, &gone)
}
