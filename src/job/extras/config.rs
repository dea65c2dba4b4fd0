//! The station's config on a drive: with its own hash at its head, so that one that was torn is never taken for a
//! whole one. Never decides whether it is put back.

use crate::disk::{ReadFrom, Volume, read_full};
use crate::job::JobError;
use crate::model::limits::EXTRAS_CONFIG_BYTES;
use crate::model::{Digest, RelName, StationName, bag};

/// A config as it stands on a drive.
pub(super) fn signed(config: &str) -> String {
    let body = config.trim_end();
    format!("{SIGNATURE}{}\n{body}\n", Digest::of(body.as_bytes()))
}

const SIGNATURE: &str = "# A station's settings, kept by counterfoil. SHA-256 of what follows: ";

/// The config that a drive carries for a station, if there is a whole one.
pub fn carried_config(
    volume: &dyn Volume,
    station: &StationName,
) -> Result<Option<String>, JobError> {
    let at = bag::station_dir(station).join(&RelName::fixed(bag::CONFIG));
    let Some(length) = volume.length(&at)?.filter(|length| *length <= EXTRAS_CONFIG_BYTES) else {
        return Ok(None);
    };
    let mut bytes = vec![0; length as usize];
    let mut source = volume.read(&at, 0, ReadFrom::Anywhere)?;
    let got = read_full(&mut *source, &mut bytes)?;
    let text = String::from_utf8_lossy(&bytes[..got]);
    let read = text.strip_prefix(SIGNATURE).and_then(|rest| rest.split_once('\n'));
    let whole = read.map(|(digest, body)| (digest, body.trim_end())).filter(|(digest, body)| {
        digest.parse().is_ok_and(|digest: Digest| digest == Digest::of(body.as_bytes()))
    });
    Ok(whole.map(|(_, body)| format!("{body}\n")))
}
