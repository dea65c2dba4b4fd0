//! Removes copies that the ledger has given up: the only place where anything on a drive is deleted.
//! Can be cut anywhere and run again: what is given up is given up, and never comes back.

use super::manifest;
use super::station_bag::StationBag;
use crate::disk::Trouble;
use crate::job::JobError;
use crate::job::catalogue::ReplicaState;

/// Takes every copy that a `pruned` line gives up out of the manifest, then off the drive. The line is durable before
/// this begins. The manifest comes first: a file that is not listed fails no check of the hashes, one that is listed
/// and not there does. What the ledger still gives a place is not touched, whatever a line says.
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
            Err(error) if error.trouble == Trouble::Gone => volume.present()?,
            // Something else stands there now, or a second name leads to it: it is nobody's, and harms nobody.
            Err(error) if matches!(error.trouble, Trouble::Refused | Trouble::Denied) => continue,
            removed => removed?,
        }
        gone.push(copy);
    }
    volume.sync_all().map_err(JobError::NotSynced)?;
    // On FAT only this flushes the device. Until folder and chain of clusters are both on the medium nothing new is
    // written: a power failure between the two must not leave an old name for the clusters of a new copy.
    manifest::flush(volume, dir)?;
    catalogue.removed(replica.row, &gone)
}
