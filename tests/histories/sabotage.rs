//! Rules left out, one at a time. Each that is kept in the program must be one that the exhaustive part misses.

use std::cell::Cell;

thread_local! {
    static BROKEN: Cell<Option<Break>> = const { Cell::new(None) };
}

/// A rule of the model that can be left out.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub(crate) enum Break {
    AbsenceWithholds,
    DepartureFirst,
    MoveBySameContent,
    UnseenIsSeen,
    WriterKept,
    OldLineWillDo,
    MarkFirst,
    SafeWithoutCopy,
    MovesUnbacked,
    GapsPass,
    GapsAfterPass,
    GapsKnownLater,
    GapsPassElsewhere,
    DepartureAtPresent,
    DepartureOfEverything,
    MarkOverOthers,
    MarkSaysAll,
    ReplacedDoesNotWait,
    ReplacedWaitsHere,
    MoveDoesNotWait,
    WitnessByOldLine,
    ChainUnknown,
    FullDoesNotWait,
    DamageDeparts,
    AcknowledgedAtOnce,
    ForgetIgnored,
    OthersUnheard,
    ReadingForgotten,
    DropsWhatTheCardLacks,
}

/// Whether a rule is left out on this thread.
pub(crate) fn broken(rule: Break) -> bool {
    BROKEN.get() == Some(rule)
}

/// Leaves a rule out on this thread.
pub(crate) fn leave_out(rule: Option<Break>) {
    BROKEN.set(rule);
}

pub(crate) const ALL: [Break; 29] = [
    Break::AbsenceWithholds,
    Break::DepartureFirst,
    Break::MoveBySameContent,
    Break::UnseenIsSeen,
    Break::WriterKept,
    Break::OldLineWillDo,
    Break::MarkFirst,
    Break::SafeWithoutCopy,
    Break::MovesUnbacked,
    Break::GapsPass,
    Break::GapsAfterPass,
    Break::GapsKnownLater,
    Break::GapsPassElsewhere,
    Break::DepartureAtPresent,
    Break::DepartureOfEverything,
    Break::MarkOverOthers,
    Break::MarkSaysAll,
    Break::ReplacedDoesNotWait,
    Break::ReplacedWaitsHere,
    Break::MoveDoesNotWait,
    Break::WitnessByOldLine,
    Break::ChainUnknown,
    Break::FullDoesNotWait,
    Break::DamageDeparts,
    Break::AcknowledgedAtOnce,
    Break::ForgetIgnored,
    Break::OthersUnheard,
    Break::ReadingForgotten,
    Break::DropsWhatTheCardLacks,
];
