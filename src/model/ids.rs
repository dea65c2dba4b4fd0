//! The random ids of drives and of writers. Gives out none twice, as far as 64 random bits go.

use super::names::{BadName, bad};
use std::fmt;
use std::str::FromStr;

macro_rules! random_id {
    ($(#[$doc:meta])* $name:ident, $what:literal) => {
        $(#[$doc])*
        #[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
        pub struct $name(u64);

        impl $name {
            /// From 64 random bits.
            pub fn from_bits(bits: u64) -> Self {
                Self(bits)
            }

            /// The 64 random bits.
            pub fn bits(self) -> u64 {
                self.0
            }
        }

        impl fmt::Display for $name {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                write!(f, "{:016x}", self.0)
            }
        }

        impl fmt::Debug for $name {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                write!(f, "{self}")
            }
        }

        impl FromStr for $name {
            type Err = BadName;
            fn from_str(text: &str) -> Result<Self, BadName> {
                let ok = text.len() == 16 && text.bytes().all(|b| b.is_ascii_hexdigit());
                match u64::from_str_radix(text, 16) {
                    Ok(bits) if ok => Ok(Self(bits)),
                    _ => Err(bad($what, text.as_bytes(), "it must be 16 hexadecimal digits")),
                }
            }
        }
    };
}

random_id!(
    /// The random number in a drive's `drive.json`, 16 hexadecimal digits, by which the drive is recognised.
    DriveId, "drive id"
);
impl DriveId {
    /// The nil id, as RFC 9562 has one for UUIDs: the drive's id is not known. No drive has it in its file.
    pub const NIL: Self = Self(0);
}

random_id!(
    /// The random number of one run of a program that changes something: 16 hexadecimal digits.
    WriterId, "writer id"
);
