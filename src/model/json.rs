//! How values of the model are written in JSON for scripts: as the text that they have everywhere else.
//! Not the ledger's form, which keeps every digit of a time: see `ledger/wire.rs`.

use super::digest::Digest;
use super::finding::{Reason, Suspicion};
use super::ids::DriveId;
use super::loss::DriveLoss;
use super::medium::Medium;
use super::names::{MailboxName, PayloadName, RelName, StationName};
use super::time::Timestamp;
use super::{escape, ledger::Departed};
use serde::{Deserialize, Deserializer, Serialize, Serializer};

macro_rules! as_text {
    ($($type:ty, $text:expr;)*) => {$(
        impl Serialize for $type {
            fn serialize<S: Serializer>(&self, to: S) -> Result<S::Ok, S::Error> {
                to.collect_str(&$text(self))
            }
        }
    )*};
}

as_text! {
    Digest, Digest::to_string;
    DriveId, DriveId::to_string;
    PayloadName, PayloadName::to_string;
    MailboxName, MailboxName::as_str;
    StationName, StationName::as_str;
    Reason, |reason: &Reason| reason.as_str();
    Suspicion, |suspicion: &Suspicion| suspicion.as_str();
    Departed, |why: &Departed| why.as_str();
    DriveLoss, |why: &DriveLoss| why.as_str();
    Medium, |medium: &Medium| medium.as_str();
    Timestamp, |time: &Timestamp| time.to_rfc3339();
}

macro_rules! from_text {
    ($($type:ty),*) => {$(
        impl<'de> Deserialize<'de> for $type {
            fn deserialize<D: Deserializer<'de>>(from: D) -> Result<Self, D::Error> {
                String::deserialize(from)?.parse().map_err(serde::de::Error::custom)
            }
        }
    )*};
}

// As a config has them.
from_text!(MailboxName, StationName);

/// A path as an object of JSON, to be flattened into that of what lies there: `path` is text that commands take too,
/// or null; `path_hex` is there where the path is not UTF-8.
#[derive(Serialize)]
pub struct PathJson {
    path: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    path_hex: Option<String>,
}

impl From<Option<&RelName>> for PathJson {
    fn from(path: Option<&RelName>) -> Self {
        let bytes = path.map(RelName::as_bytes);
        let odd = bytes.filter(|bytes| std::str::from_utf8(bytes).is_err());
        let hex = |bytes: &[u8]| bytes.iter().map(|byte| format!("{byte:02x}")).collect();
        Self { path: bytes.map(escape::exact), path_hex: odd.map(hex) }
    }
}

impl Serialize for RelName {
    fn serialize<S: Serializer>(&self, to: S) -> Result<S::Ok, S::Error> {
        PathJson::from(Some(self)).serialize(to)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_path_that_is_not_utf_8_is_given_in_hexadecimal_too() {
        let json =
            |path: &[u8]| serde_json::to_value(RelName::new(path.to_vec()).unwrap()).unwrap();
        assert_eq!(json(b"a\xff"), serde_json::json!({"path": "a\\xff", "path_hex": "61ff"}));
        assert_eq!(json("b\u{e4}".as_bytes()), serde_json::json!({"path": "b\u{e4}"}));
        let none = serde_json::to_value(PathJson::from(None)).unwrap();
        assert_eq!(none, serde_json::json!({"path": null}));
    }
}
