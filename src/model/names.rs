//! Every kind of name that the program handles: message paths, stations, mailboxes, drives, payloads. None can be made
//! that could leave the folder it is used in.

use super::escape;
use super::limits::{NAME_BYTES_MAX, NAME_PART_BYTES, NUMBER_MAX, PATH_BYTES_MAX, SEGMENT_MAX};
use std::ffi::OsStr;
use std::fmt;
use std::os::unix::ffi::OsStrExt as _;
use std::path::Path;
use std::str::FromStr;

/// Why a text is not a name of the required kind, and what would be.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{what} {shown:?} cannot be used: {why}")]
pub struct BadName {
    what: &'static str,
    shown: String,
    why: &'static str,
}

pub(super) fn bad(what: &'static str, raw: &[u8], why: &'static str) -> BadName {
    let end = raw.len().min(80);
    BadName { what, shown: escape::shown(&raw[..end]), why }
}

/// A path below some folder: at least one component, none of them empty, `.` or `..`, no NUL; otherwise any bytes, as
/// Linux allows. The only kind of path used below `cli`.
#[derive(Clone, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct RelName(Vec<u8>);

impl RelName {
    /// Checks the bytes of a path.
    pub fn new(raw: impl Into<Vec<u8>>) -> Result<Self, BadName> {
        let raw = raw.into();
        if raw.len() > PATH_BYTES_MAX {
            return Err(bad("path", &raw, "it is longer than 4095 octets"));
        }
        if raw.contains(&0) {
            return Err(bad("path", &raw, "it contains a NUL"));
        }
        for part in raw.split(|&b| b == b'/') {
            match part {
                b"" => return Err(bad("path", &raw, "it is absolute or has an empty part")),
                b"." | b".." => return Err(bad("path", &raw, "it has a part . or ..")),
                part if part.len() > NAME_PART_BYTES => {
                    return Err(bad("path", &raw, "a part is longer than 255 octets"));
                }
                _ => {}
            }
        }
        Ok(Self(raw))
    }

    /// A name from our own code, known to be valid.
    pub(crate) fn fixed(text: &str) -> Self {
        debug_assert!(Self::new(text).is_ok(), "{text}");
        Self(text.as_bytes().to_vec())
    }

    /// This name with another one below it.
    pub fn join(&self, below: &RelName) -> Self {
        let mut raw = self.0.clone();
        raw.push(b'/');
        raw.extend_from_slice(&below.0);
        Self(raw)
    }

    /// The raw bytes of the path.
    pub fn as_bytes(&self) -> &[u8] {
        &self.0
    }

    /// The path for system calls that also take the handle of a folder.
    pub fn as_path(&self) -> &Path {
        Path::new(OsStr::from_bytes(&self.0))
    }

    /// The components, first to last.
    pub fn parts(&self) -> impl DoubleEndedIterator<Item = &[u8]> {
        self.0.split(|&b| b == b'/')
    }

    /// The last component.
    pub fn last(&self) -> &[u8] {
        self.0.rsplit(|&b| b == b'/').next().unwrap_or(&self.0)
    }

    /// The last component as a name of its own.
    pub fn last_name(&self) -> Self {
        Self(self.last().to_vec())
    }

    /// The folder it lies in, or `None` at the top.
    pub fn parent(&self) -> Option<Self> {
        let at = self.0.iter().rposition(|&b| b == b'/')?;
        Some(Self(self.0[..at].to_vec()))
    }

    /// The same path with NUL for `/`: these keys sort in the order of a walk that sorts each folder,
    /// since NUL is in no name and comes before every other byte.
    pub fn key(&self) -> Vec<u8> {
        self.0.iter().map(|&b| if b == b'/' { 0 } else { b }).collect()
    }

    /// Reads a [`key`](Self::key) back.
    pub fn from_key(key: &[u8]) -> Result<Self, BadName> {
        Self::new(key.iter().map(|&b| if b == 0 { b'/' } else { b }).collect::<Vec<_>>())
    }

    /// The form in the ledger; see [`escape::to_text`].
    pub fn to_text(&self) -> String {
        escape::to_text(&self.0)
    }

    /// Reads [`to_text`](Self::to_text) back, and refuses whatever could lead out of a folder.
    pub fn from_text(text: &str) -> Result<Self, BadName> {
        match escape::from_text(text) {
            Some(raw) => Self::new(raw),
            None => Err(bad("path", text.as_bytes(), "a % is not followed by two hex digits")),
        }
    }
}

impl fmt::Display for RelName {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&escape::shown_exact(&self.0))
    }
}

impl fmt::Debug for RelName {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{self}")
    }
}

macro_rules! plain_name {
    ($(#[$doc:meta])* $name:ident, $what:literal) => {
        $(#[$doc])*
        #[derive(Clone, PartialEq, Eq, PartialOrd, Ord, Hash)]
        pub struct $name(String);

        impl $name {
            /// The name itself: ASCII letters, digits, `.`, `-` and `_`.
            pub fn as_str(&self) -> &str {
                &self.0
            }
        }

        impl FromStr for $name {
            type Err = BadName;
            fn from_str(text: &str) -> Result<Self, BadName> {
                plain($what, text).map(|()| Self(text.to_owned()))
            }
        }

        impl fmt::Display for $name {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.pad(&self.0)
            }
        }

        impl fmt::Debug for $name {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str(&self.0)
            }
        }
    };
}

plain_name!(
    /// The name of a station, under which its copies are stored on a drive; a folder name there.
    StationName, "station name"
);
plain_name!(
    /// The name of a mailbox within a station; in the ledger, and a folder name in `restore --into`.
    MailboxName, "mailbox name"
);

/// Names that are folders on a drive: legal on every file system that a stick may carry.
fn plain(what: &'static str, text: &str) -> Result<(), BadName> {
    let raw = text.as_bytes();
    let stem = text.split('.').next().unwrap_or(text).to_ascii_uppercase();
    let numbered = |prefix| {
        stem.strip_prefix(prefix)
            .is_some_and(|n: &str| n.len() == 1 && n.as_bytes()[0].is_ascii_digit())
    };
    if text.is_empty() || raw.len() > NAME_BYTES_MAX {
        Err(bad(what, raw, "it must have 1 to 64 characters"))
    } else if !raw.iter().all(|b| b.is_ascii_alphanumeric() || b"-_.".contains(b)) {
        Err(bad(what, raw, "use only ASCII letters, digits, dot, dash and underscore"))
    } else if !raw[0].is_ascii_alphanumeric() || raw.ends_with(b".") {
        Err(bad(what, raw, "it must begin with a letter or digit and not end with a dot"))
    } else if ["CON", "PRN", "AUX", "NUL"].contains(&stem.as_str())
        || numbered("COM")
        || numbered("LPT")
    {
        Err(bad(what, raw, "desktop systems reserve this name for a device"))
    } else {
        Ok(())
    }
}

/// The extension of a payload: one to three of `A-Z0-9`.
#[derive(Clone, Copy, PartialEq, Eq, Hash)]
pub struct Extension([u8; 3], u8);

impl Extension {
    /// The extension for a message whose name has none.
    pub const NONE: Self = Self(*b"EML", 3);

    /// The extension under which a message is stored: its own if that is one to three ASCII letters or digits, `BIN`
    /// for any other, `EML` if there is none. The dots of a name in a Maildir's `cur` or `new` belong to its unique
    /// part: such a file is mail without extension.
    pub fn of(path: &RelName) -> Self {
        let name = path.last();
        let folder = path.parts().rev().nth(1);
        if matches!(folder, Some(b"cur" | b"new")) {
            return Self::NONE;
        }
        // A leading dot begins a hidden name, not an extension.
        let dot = name.iter().rposition(|&b| b == b'.').filter(|&at| at > 0);
        let raw = match dot {
            None => return Self::NONE,
            Some(at) => &name[at + 1..],
        };
        Self::from_bytes(&raw.to_ascii_uppercase()).unwrap_or(Self(*b"BIN", 3))
    }

    fn from_bytes(raw: &[u8]) -> Option<Self> {
        let fits = (1..=3).contains(&raw.len())
            && raw.iter().all(|b| b.is_ascii_uppercase() || b.is_ascii_digit());
        let mut out = [0; 3];
        fits.then(|| out[..raw.len()].copy_from_slice(raw))?;
        Some(Self(out, raw.len() as u8))
    }

    /// The extension itself, one to three characters.
    pub fn as_str(&self) -> &str {
        std::str::from_utf8(&self.0[..usize::from(self.1)]).unwrap_or("BIN")
    }
}

impl FromStr for Extension {
    type Err = BadName;
    fn from_str(text: &str) -> Result<Self, BadName> {
        Self::from_bytes(text.as_bytes()).ok_or_else(|| {
            bad("extension", text.as_bytes(), "one to three of A-Z and 0-9 are needed")
        })
    }
}

/// The name of a copy below the station's folder: `data/0001/00000042.EML`.
#[derive(Clone, Copy, PartialEq, Eq, Hash)]
pub struct PayloadName {
    /// Folder number, 1 to 9,999.
    pub segment: u32,
    /// Running number over all segments, 1 to 99,999,999; never used twice.
    pub number: u32,
    /// Extension.
    pub extension: Extension,
}

impl PayloadName {
    /// The path from the station's folder.
    pub fn to_rel(self) -> RelName {
        RelName::fixed(&self.to_string())
    }

    /// The folder of a segment.
    pub fn segment_dir(segment: u32) -> RelName {
        RelName::fixed(&format!("data/{segment:04}"))
    }

    /// Reads a file name (without folder) found in a segment's folder.
    pub fn from_file(segment: u32, name: &[u8]) -> Option<Self> {
        let name = std::str::from_utf8(name).ok()?;
        format!("data/{segment:04}/{name}").parse().ok()
    }

    /// Reads the name of a folder below `data`.
    pub fn segment_of(name: &[u8]) -> Option<u32> {
        digits(std::str::from_utf8(name).ok()?, 4, SEGMENT_MAX)
    }
}

impl fmt::Display for PayloadName {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "data/{:04}/{:08}.{}", self.segment, self.number, self.extension.as_str())
    }
}

impl fmt::Debug for PayloadName {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{self}")
    }
}

impl FromStr for PayloadName {
    type Err = BadName;

    /// Accepts only the exact form, so that nothing read from a drive can lead elsewhere.
    fn from_str(text: &str) -> Result<Self, BadName> {
        let read = || {
            let (segment, file) = text.strip_prefix("data/")?.split_once('/')?;
            let (number, extension) = file.split_once('.')?;
            Some(Self {
                segment: digits(segment, 4, SEGMENT_MAX)?,
                number: digits(number, 8, NUMBER_MAX)?,
                extension: extension.parse().ok()?,
            })
        };
        read().ok_or_else(|| {
            bad("payload name", text.as_bytes(), "the form is data/0001/00000001.EML")
        })
    }
}

fn digits(text: &str, width: usize, max: u32) -> Option<u32> {
    let fits = text.len() == width && text.bytes().all(|b| b.is_ascii_digit());
    let value = text.parse().ok().filter(|v| (1..=max).contains(v))?;
    fits.then_some(value)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn rel(text: &str) -> RelName {
        RelName::new(text).unwrap()
    }

    /// RFC 8493, section 5.1: no listed path may lead out of the bag (check value 16).
    #[test]
    fn paths_that_lead_out_are_refused() {
        for path in ["", "/etc/x", "../x", "data/../../x", "a//b", "a/", "./a", "a\0b"] {
            assert!(RelName::new(path).is_err(), "{path:?}");
            assert!(path.parse::<PayloadName>().is_err(), "{path:?}");
        }
        for path in [
            "~u/x",
            "data/1/00000001.EML",
            "data/0001/1.EML",
            "data/0001/00000001.eml",
            "data/0000/00000001.EML",
        ] {
            assert!(path.parse::<PayloadName>().is_err(), "{path:?}");
        }
    }

    #[test]
    fn extensions_are_kept_where_they_are_short_and_plain() {
        let cases = [
            ("a.mime", "BIN"),
            ("a.b2f", "B2F"),
            ("in/a.txt", "TXT"),
            ("plain", "EML"),
            (".hidden", "EML"),
            ("cur/1700000000.M1P2.pier:2,S", "EML"),
            ("a:b.c:d", "BIN"),
            ("trailing.", "BIN"),
            ("x.é", "BIN"),
            ("CON.eml", "EML"),
        ];
        for (path, expected) in cases {
            assert_eq!(Extension::of(&rel(path)).as_str(), expected, "{path}");
        }
    }

    /// Naming rules of desktop systems: device names are reserved, also with an extension (check value 49).
    #[test]
    fn station_names_are_legal_on_every_stick() {
        for name in ["", "CON", "nul.x", "com1", "a.", ".a", "a b", "a/b", "é", "..", "x:y"] {
            assert!(name.parse::<StationName>().is_err(), "{name:?}");
        }
        for name in ["pier-4", "Q0AAA", "console", "com10", "a.b"] {
            assert!(name.parse::<StationName>().is_ok(), "{name:?}");
        }
    }

    #[test]
    fn keys_sort_as_a_sorted_walk_visits() {
        let walk = ["a", "a/x", "a/x/y", "a.b", "a0"];
        let keys: Vec<_> = walk.iter().map(|p| rel(p).key()).collect();
        assert!(keys.is_sorted());
        assert_eq!(RelName::from_key(&keys[2]).unwrap(), rel("a/x/y"));
    }

    #[test]
    fn payload_names_are_one_fat_entry_and_read_back() {
        let name: PayloadName = "data/0001/00000042.EML".parse().unwrap();
        assert_eq!((name.segment, name.number), (1, 42));
        assert_eq!(name.to_rel().as_bytes(), b"data/0001/00000042.EML");
    }
}
