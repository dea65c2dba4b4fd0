//! Rules left out, one at a time. Each that is kept in the program must be one that the exhaustive part misses.

use crate::model::{Key, Line, Position, Stick, Writers};
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
    UnknownCoversNothing,
    MissingUnsettled,
    EarlierReplaces,
    DamageInPlace,
}

/// Whether a rule is left out on this thread.
pub(crate) fn broken(rule: Break) -> bool {
    BROKEN.get() == Some(rule)
}

/// Leaves a rule out on this thread.
pub(crate) fn leave_out(rule: Option<Break>) {
    BROKEN.set(rule);
}

pub(crate) const ALL: [Break; 32] = [
    Break::AbsenceWithholds,
    Break::DepartureFirst,
    Break::MoveBySameContent,
    Break::UnseenIsSeen,
    Break::WriterKept,
    Break::OldLineWillDo,
    Break::MarkFirst,
    Break::SafeWithoutCopy,
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
    Break::UnknownCoversNothing,
    Break::MissingUnsettled,
    Break::EarlierReplaces,
    Break::DamageInPlace,
];

/// The rule that this model does not have: what the latest ledger does not say is gone.
pub(crate) fn absent(sticks: &[&Stick], writers: &Writers, key: &Key, stamps: &[Position]) -> bool {
    let marks = sticks.iter().flat_map(|stick| {
        let all = stick.ledger.lines.iter();
        all.filter_map(move |line| match line {
            Line::Mark { as_of, .. } => Some((*as_of, stick)),
            _ => None,
        })
    });
    let marks: Vec<_> = marks.collect();
    let top = marks.iter().find(|(mark, _)| {
        !marks.iter().any(|(other, _)| other != mark && writers.covers(*other, *mark))
    });
    top.is_some_and(|(mark, stick)| {
        !stick.ledger.stands(key) && stamps.iter().any(|t| writers.covers(*mark, *t))
    })
}
