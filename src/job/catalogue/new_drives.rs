//! Sticks that come for the first time: which was let in by `drives add --next`, and which are still announced.
//! Both run by the clock that counts from the boot; no time of day is compared.

use super::{Catalogue, millis};
use crate::job::JobError;
use crate::model::limits::NEW_DRIVE_ANNOUNCED;
use crate::model::{Clock, DriveId};
use rusqlite::params;
use serde::{Deserialize, Serialize};
use std::time::Duration;

/// The operator's leave for the next new stick.
#[derive(Serialize, Deserialize)]
struct NewDrivePermission {
    /// In this boot only.
    boot: String,
    /// Until then, in milliseconds of it.
    until: i64,
    /// The mounts that were there before: each came unasked.
    before: Vec<String>,
    /// The one mount that took it. It may be tried again; no other is let in.
    #[serde(default)]
    taken: Option<String>,
}

const LEAVE: &str = "next_drive";

impl Catalogue {
    /// The next new stick is to be let in, if it comes within that time. `before` are the mounts that are here.
    pub fn let_next_in(
        &self,
        within: Duration,
        before: Vec<String>,
        clock: &dyn Clock,
    ) -> Result<(), JobError> {
        let within = i64::try_from(within.as_millis()).unwrap_or(i64::MAX / 4);
        let (boot, until) = (clock.event_time().boot, millis(clock).saturating_add(within));
        self.save_permission(&NewDrivePermission { boot, until, before, taken: None })
    }

    /// For how long the next new stick is still let in; `None`: it is not.
    pub fn next_let_in(&self, clock: &dyn Clock) -> Result<Option<Duration>, JobError> {
        let permission = self.permission(clock)?.filter(|permission| permission.taken.is_none());
        let left =
            permission.and_then(|permission| u64::try_from(permission.until - millis(clock)).ok());
        Ok(left.map(Duration::from_millis))
    }

    /// Whether the stick of a mount is the one that is let in. The first that asks is.
    pub fn use_permission(&self, mount: &str, clock: &dyn Clock) -> Result<bool, JobError> {
        self.write_transaction(|| {
            let Some(mut permission) = self.permission(clock)? else { return Ok(false) };
            match &permission.taken {
                Some(taken) => Ok(taken == mount),
                None if permission.before.iter().any(|before| before == mount) => Ok(false),
                None => {
                    permission.taken = Some(mount.to_owned());
                    self.save_permission(&permission)?;
                    Ok(true)
                }
            }
        })
    }

    /// The stick that was let in is one of ours.
    pub fn end_permission(&self) -> Result<(), JobError> {
        self.db.execute("DELETE FROM meta WHERE name = ?1", [LEAVE])?;
        Ok(())
    }

    fn permission(&self, clock: &dyn Clock) -> Result<Option<NewDrivePermission>, JobError> {
        let kept = self
            .meta(LEAVE)?
            .and_then(|text| serde_json::from_str::<NewDrivePermission>(&text).ok());
        let boot = clock.event_time().boot;
        Ok(kept.filter(|l| !boot.is_empty() && l.boot == boot && millis(clock) < l.until))
    }

    fn save_permission(&self, permission: &NewDrivePermission) -> Result<(), JobError> {
        self.set_meta(LEAVE, &serde_json::to_string(permission).unwrap_or_default())
    }

    /// Announces a drive that was never seen before, once; `false` of one that is known here, or was announced. One
    /// with the id of a known drive on another file system is another one.
    pub fn announce(
        &self,
        id: DriveId,
        serial: Option<&str>,
        clock: &dyn Clock,
    ) -> Result<bool, JobError> {
        let was = "SELECT 1 FROM new_drive WHERE uuid = ?1 AND serial IS ?2";
        let was = self.has_row(was, params![id.to_string(), serial])?;
        if was || self.is_known_drive(id, serial)? {
            return Ok(false);
        }
        self.db.execute(
            "INSERT OR REPLACE INTO new_drive VALUES (?1, ?2, ?3, ?4)",
            params![id.to_string(), serial, clock.event_time().boot, millis(clock)],
        )?;
        Ok(true)
    }

    /// Whether a drive is still announced as new: until its operator says whose it is, or this card has been on for
    /// so long since. After a boot the time begins anew, so that nobody ends it by pulling the plug.
    pub fn is_announced(&self, id: DriveId, clock: &dyn Clock) -> Result<bool, JobError> {
        let sql = "SELECT boot, at FROM new_drive WHERE uuid = ?1 AND boot IS NOT NULL";
        let since: Option<(String, i64)> = self.first_row(sql, [id.to_string()])?;
        let boot = clock.event_time().boot;
        Ok(since.is_some_and(|(of, at)| {
            let at = if of == boot { at } else { 0 };
            millis(clock).saturating_sub(at) < announced_for()
        }))
    }

    /// Ends what has been announced for long enough, so that a later boot does not begin it anew.
    pub fn end_announcements(&self, clock: &dyn Clock) -> Result<(), JobError> {
        let (now, boot) = (millis(clock), clock.event_time().boot);
        let over = "boot IS NOT NULL AND ?1 - (CASE boot WHEN ?2 THEN at ELSE 0 END) >= ?3";
        let over_now = params![now, boot, announced_for()];
        let sql = format!("SELECT 1 FROM new_drive WHERE {over}");
        if self.has_row(&sql, over_now)? {
            self.db.execute(&format!("UPDATE new_drive SET boot = NULL WHERE {over}"), over_now)?;
        }
        Ok(())
    }

    /// Its operator has said whose a drive is.
    pub(crate) fn end_announcement(&self, id: DriveId) -> Result<(), JobError> {
        let sql = "UPDATE new_drive SET boot = NULL WHERE uuid = ?1";
        self.db.execute(sql, [id.to_string()])?;
        Ok(())
    }
}

fn announced_for() -> i64 {
    i64::try_from(NEW_DRIVE_ANNOUNCED.as_millis()).unwrap_or(i64::MAX)
}
