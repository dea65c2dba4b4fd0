//! What must hold of the files by which a drive is known again, whatever stands in them.

use super::medium::{Medium, Still};
use crate::support::memory::MemoryDrive;
use counterfoil::job::JobError;
use counterfoil::job::replica::{drive_id, make_drive};
use counterfoil::model::DriveId;
use counterfoil::model::limits::DRIVE_FILE_BYTES;
use serde::de::{Deserialize, Deserializer, IgnoredAny, MapAccess, Visitor};
use std::fmt;

const FIRST: &str = "counterfoil/drive.json";
const SECOND: &str = "counterfoil/drive-2.json";

/// Holds the reader against one input. An even first byte: the rest is the drive's only file; an odd one:
/// it is the second, beside a sound first one.
pub fn hold(input: &[u8]) {
    let (first, bytes) = input.split_first().map_or((0, input), |(first, rest)| (*first, rest));
    let drive = MemoryDrive::default();
    let at = match first & 1 {
        0 => FIRST,
        _ => {
            drive.put(FIRST, br#"{"format":1,"id":"00000000000000aa"}"#);
            SECOND
        }
    };
    drive.put(at, bytes);
    let before = drive.file(FIRST);
    let medium = Medium::open(&drive, usize::from(first) + 1);
    let id = drive_id(&medium).expect("memory does not fail");
    if let Some(id) = id {
        assert_eq!(written_id(bytes), Some(id), "an id that is not written there");
        assert!(bytes.len() as u64 <= DRIVE_FILE_BYTES);
    }
    let made = make_drive(&medium, &Still("b"));
    let after = drive.file(at).expect("no file is removed");
    match (made, id) {
        (Ok(made), Some(id)) => {
            assert_eq!(made, id, "a drive that has an id keeps it");
            assert_eq!(after, bytes, "and its file");
        }
        (Ok(made), None) => {
            assert_eq!(drive_id(&medium).expect("memory does not fail"), Some(made));
            assert_eq!(written_id(&after), Some(made));
            assert!(after.len() >= bytes.len(), "nothing is cut off on FAT");
        }
        (Err(JobError::NewerFormat { format, .. }), _) => {
            assert!(format > 1);
            assert_eq!(after, bytes, "a later format is not touched");
        }
        (Err(JobError::Broken(_)), None) => {
            assert!(bytes.len() as u64 > DRIVE_FILE_BYTES);
            assert_eq!(after, bytes, "a file that is not ours is not touched");
        }
        (Err(error), _) => panic!("{error}"),
    }
    assert!(at == FIRST || drive.file(FIRST) == before, "the first file is not touched");
}

/// The member `id` of an object. Others are passed over unread: in a field that is none of ours there may be bytes
/// that are no text, or half of a surrogate pair, and the id counts all the same.
struct Members(Option<serde_json::Value>);

impl<'de> Deserialize<'de> for Members {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        struct Object;
        impl<'de> Visitor<'de> for Object {
            type Value = Members;

            fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str("an object")
            }

            fn visit_map<A: MapAccess<'de>>(self, mut members: A) -> Result<Members, A::Error> {
                let mut found = None;
                while let Some(name) = members.next_key::<String>()? {
                    match name.as_str() {
                        "id" => found = Some(members.next_value()?),
                        _ => drop(members.next_value::<IgnoredAny>()?),
                    }
                }
                Ok(Members(found))
            }
        }
        deserializer.deserialize_map(Object)
    }
}

/// The id in a file, read a second way: an object, its member `id`, 16 hexadecimal digits.
fn written_id(bytes: &[u8]) -> Option<DriveId> {
    let Members(id) = serde_json::from_slice(bytes).ok()?;
    let text = id?.as_str()?.to_owned();
    let right = text.len() == 16 && text.bytes().all(|b| b.is_ascii_hexdigit());
    right.then(|| text.parse().ok()).flatten()
}
