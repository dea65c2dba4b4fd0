//! Owns what kinds of media there are, as far as keeping copies on more than one kind goes.
//! Never more than what the kernel says a device hangs on.

use std::fmt;

/// What a device hangs on.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Default)]
pub enum Medium {
    /// USB: sticks, disks, card readers.
    Usb,
    /// A slot for memory cards.
    Card,
    /// Anything else: a disk, the network, memory; or it is not known.
    #[default]
    Other,
}

impl Medium {
    /// The word kept in the catalogue.
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Usb => "usb",
            Self::Card => "card",
            Self::Other => "other",
        }
    }

    /// Reads [`as_str`](Self::as_str) back; what is not known is something else.
    pub fn from_text(text: &str) -> Self {
        match text {
            "usb" => Self::Usb,
            "card" => Self::Card,
            _ => Self::Other,
        }
    }
}

impl fmt::Display for Medium {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.as_str())
    }
}
