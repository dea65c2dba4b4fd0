//! The kinds of media, as far as keeping copies on more than one kind requires. Knows no more than what the kernel says
//! of how a device is attached.

use std::fmt;

/// How a device is attached.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Default)]
pub enum Medium {
    /// USB: sticks, disks, card readers.
    Usb,
    /// A slot for memory cards.
    Card,
    /// Anything else: a disk, the network, memory; or unknown.
    #[default]
    Other,
}

impl Medium {
    /// The word stored in the catalogue.
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Usb => "usb",
            Self::Card => "card",
            Self::Other => "other",
        }
    }

    /// Reads [`as_str`](Self::as_str) back; an unknown word means something else.
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
