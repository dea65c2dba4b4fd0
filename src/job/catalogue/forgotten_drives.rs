//! The operator's statements that a drive is gone: kept in the catalogue, and in a file of their own next to it, since
//! nothing on a card or a drive records them. Never taken back but by the operator.

use super::Catalogue;
use super::drives::{DriveRow, Forgotten};
use super::row_ids::DriveRowId;
use crate::disk::host;
use crate::job::JobError;
use crate::model::{DriveId, DriveLoss, Timestamp};
use rusqlite::params;
use serde::{Deserialize, Serialize};
use std::path::Path;

/// The file next to the catalogue: a line of JSON for each drive given up.
pub(super) const FORGOTTEN: &str = "forgotten-drives";

/// A line of the file.
#[derive(Serialize, Deserialize)]
struct ForgottenRecord {
    id: String,
    label: String,
    /// Serial number of its file system, by which one that was refused is known whatever it says of itself.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    serial: Option<String>,
    since: String,
    why: String,
    #[serde(rename = "where", default, skip_serializing_if = "Option::is_none")]
    place: Option<String>,
}

impl Catalogue {
    /// From now on the copies of a drive count for nothing, and it takes no mail. Said once more of one that is given
    /// up already, it changes why and where, and not since when.
    pub fn forget_drive(
        &self,
        drive: DriveRowId,
        why: DriveLoss,
        place: Option<&str>,
        now: Timestamp,
    ) -> Result<(), JobError> {
        self.write_transaction(|| {
            self.db.execute(
                "UPDATE drive SET forgotten = coalesce(forgotten, ?2), forgotten_why = ?3, \
                 forgotten_place = ?4, away = NULL WHERE id = ?1",
                params![drive, now.to_text(), why.as_str(), place],
            )?;
            self.note_history(drive, now, "forgotten", Some(why.as_str()), place)?;
            // Taken back, it is ours because the operator takes it back.
            self.make_unknown(drive)?;
            self.end_contradictions(drive)?;
            self.recompute_counts(drive)
        })?;
        self.keep_forgotten();
        // Otherwise a power failure could undo it.
        self.make_durable()
    }

    /// The operator has a drive back that was given up; whether it was.
    pub(super) fn reinstate(&self, drive: DriveRowId, now: Timestamp) -> Result<bool, JobError> {
        let changed = self.db.execute(
            "UPDATE drive SET forgotten = NULL, forgotten_why = NULL, forgotten_place = NULL, \
             state = CASE state WHEN 'forgotten' THEN '' ELSE state END, detail = '' \
             WHERE id = ?1 AND forgotten IS NOT NULL",
            [drive],
        )?;
        if changed > 0 {
            self.note_history(drive, now, "taken-back", None, None)?;
        }
        Ok(changed > 0)
    }

    /// Writes the file of the drives given up anew. Where it cannot be written the catalogue alone has them.
    pub(super) fn keep_forgotten(&self) {
        let Some(state) = self.state() else { return };
        let keep = || -> Result<(), JobError> {
            let path = state.join(FORGOTTEN);
            let lines: Vec<String> = self.drives()?.iter().filter_map(line).collect();
            if lines.is_empty() && !host::exists(&path) {
                return Ok(());
            }
            host::write_whole(&path, lines.concat().as_bytes())?;
            Ok(host::give_to_owner_of_folder(&path)?)
        };
        if let Err(error) = keep() {
            tracing::warn!(%error, "which drives were given up is known to the catalogue alone");
        }
    }

    /// Takes over into a new catalogue which drives were given up, as the file in the state folder says.
    pub fn recall_forgotten(&self, state: &Path) -> Result<(), JobError> {
        let known = host::read_text(&state.join(FORGOTTEN)).unwrap_or_else(|error| {
            // On a card that fails, going on without is better than not copying at all.
            tracing::warn!(%error, "which drives were given up is not known any more");
            None
        });
        for line in known.unwrap_or_default().lines() {
            let Ok(kept) = serde_json::from_str::<ForgottenRecord>(line) else { continue };
            let (Ok(id), Some(why)) = (kept.id.parse::<DriveId>(), DriveLoss::from_text(&kept.why))
            else {
                continue;
            };
            let since = Timestamp::from_text(&kept.since).unwrap_or_default();
            self.db.execute(
                "INSERT OR IGNORE INTO drive (uuid, label, found_at, state, detail, medium, forgotten, \
                 forgotten_why, forgotten_place, serial) VALUES (?1, ?2, x'', '', '', 'other', ?3, ?4, ?5, ?6)",
                params![
                    id.to_string(),
                    kept.label,
                    since.to_text(),
                    why.as_str(),
                    kept.place,
                    kept.serial,
                ],
            )?;
            let row = DriveRowId::of_inserted(&self.db);
            self.note_history(row, since, "forgotten", Some(why.as_str()), kept.place.as_deref())?;
        }
        Ok(())
    }
}

fn line(drive: &DriveRow) -> Option<String> {
    let Forgotten { since, why, place } = drive.forgotten.as_ref()?;
    let kept = ForgottenRecord {
        id: drive.id.to_string(),
        label: drive.label.clone(),
        serial: drive.serial.clone(),
        since: since.to_text(),
        why: why.as_str().to_owned(),
        place: place.clone(),
    };
    Some(serde_json::to_string(&kept).ok()? + "\n")
}
