//! How much is written to the card, by everybody and by this program, and how worn it says it is.
//! Decides nothing about mail.

use crate::disk::device_use;
use crate::disk::mounts::{CardKind, DeviceUse, System};
use crate::model::Wear;
use serde::Serialize;
use std::path::Path;

/// The use of the device that the first mailbox lies on.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize)]
pub struct CardUse {
    /// Bytes written to it since boot, by everybody, if known.
    pub written_since_boot: Option<u64>,
    /// Bytes written to the file system since it was made, by everybody, if known.
    pub written_ever: Option<u64>,
    /// Bytes that the service has written to any device since it was started, sticks among them; without a service
    /// what this command has. If known.
    pub written_by_program: Option<u64>,
    /// Its kind: `emmc`, `sd`, or anything else.
    #[serde(serialize_with = "kind_in_words")]
    pub kind: Option<CardKind>,
    /// What it says of its wear.
    #[serde(flatten)]
    pub wear: Wear,
    /// Whether it should be replaced soon.
    #[serde(rename = "worn")]
    pub is_worn: bool,
}

impl CardUse {
    /// Asks the kernel about the device beneath a mailbox. `by_service`: what the service has written, if one answered.
    pub fn of(mailbox: &Path, by_service: Option<u64>) -> Self {
        let by_program = by_service.or_else(written_by_this_process);
        Self::from_facts(&device_use(mailbox), by_program)
    }

    fn from_facts(device: &DeviceUse, written_by_program: Option<u64>) -> Self {
        Self {
            written_since_boot: device.written,
            written_ever: device.written_ever,
            written_by_program,
            kind: device.kind,
            wear: device.wear,
            is_worn: device.wear.is_worn(),
        }
    }
}

/// Bytes that this process has written to any device, if the kernel counts that.
pub fn written_by_this_process() -> Option<u64> {
    System::host().written_by_this_process()
}

fn kind_in_words<S: serde::Serializer>(
    kind: &Option<CardKind>,
    serializer: S,
) -> Result<S::Ok, S::Error> {
    let word = kind.map(|kind| match kind {
        CardKind::Emmc => "emmc",
        CardKind::Sd => "sd",
    });
    word.serialize(serializer)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::model::Reserve;

    #[test]
    fn the_json_has_a_null_for_what_is_not_known() {
        let nothing = CardUse::from_facts(&DeviceUse::default(), None);
        let json = serde_json::to_value(nothing).unwrap();
        let expected = serde_json::json!({
            "written_since_boot": null, "written_ever": null, "written_by_program": null,
            "kind": null, "life_tenths": null, "reserve": null, "worn": false,
        });
        assert_eq!(json, expected);
        let wear = Wear { tenths: Some(9), reserve: Some(Reserve::Warning) };
        let (kind, written_ever) = (Some(CardKind::Emmc), Some(2048));
        let device = DeviceUse { written: Some(512), written_ever, kind, wear };
        let json = serde_json::to_value(CardUse::from_facts(&device, Some(7))).unwrap();
        let expected = serde_json::json!({
            "written_since_boot": 512, "written_ever": 2048, "written_by_program": 7,
            "kind": "emmc", "life_tenths": 9, "reserve": "warning", "worn": true,
        });
        assert_eq!(json, expected);
    }
}
