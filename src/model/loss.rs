//! Owns the reasons for which an operator gives a drive up, or will have none of it. Never more than what was said.

use std::fmt;

/// Why a drive is given up.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum DriveLoss {
    /// Nobody knows where it is, or nobody can get at it.
    Lost,
    /// Somebody else has it now.
    GivenAway,
    /// What was on it was deleted.
    Reformatted,
    /// Everything of ours on it was deleted and written over, by this program.
    Wiped,
    /// It is not the operator's: nothing of his is to be on it.
    Refused,
    /// It does not work any more. Also whatever a later version of the program has a word for.
    Broken,
}

impl DriveLoss {
    /// Every reason.
    pub const ALL: [Self; 6] =
        [Self::Lost, Self::GivenAway, Self::Reformatted, Self::Wiped, Self::Refused, Self::Broken];

    /// The word on the command line, in JSON and in the catalogue.
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Lost => "lost",
            Self::GivenAway => "given-away",
            Self::Reformatted => "reformatted",
            Self::Wiped => "wiped",
            Self::Refused => "refused",
            Self::Broken => "broken",
        }
    }

    /// What the operator has done with the drive.
    pub fn given_up(self) -> &'static str {
        if self == Self::Refused { "refused" } else { "forgotten" }
    }

    /// Reads [`as_str`](Self::as_str) back.
    pub fn from_text(text: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|loss| loss.as_str() == text)
    }
}

impl fmt::Display for DriveLoss {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Lost => "lost",
            Self::GivenAway => "given away",
            Self::Reformatted => "reformatted",
            Self::Wiped => "wiped",
            Self::Refused => "refused",
            Self::Broken => "broken",
        })
    }
}
