//! The reasons for which an operator gives a drive up, or refuses it.

use std::fmt;

/// Why a drive is given up.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum DriveLoss {
    /// Nobody knows where it is, or nobody can reach it.
    Lost,
    /// Somebody else has it now.
    GivenAway,
    /// Its contents were deleted.
    Reformatted,
    /// This program deleted and overwrote everything of ours on it.
    Wiped,
    /// It is not the operator's: nothing of his may be on it.
    Refused,
    /// It does not work any more. Also stands for a reason of a later version of the program.
    Broken,
}

impl DriveLoss {
    /// Every reason.
    pub const ALL: [Self; 6] =
        [Self::Lost, Self::GivenAway, Self::Reformatted, Self::Wiped, Self::Refused, Self::Broken];

    /// The word for it on the command line, in JSON and in the catalogue.
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

    /// What the operator has done with the drive, as a phrase.
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
