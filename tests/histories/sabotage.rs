//! Rules left out, one at a time. Each rule must be one that some short history needs.

use crate::model::{Key, Line, Position, Stick, Writers};
use std::cell::Cell;

thread_local! {
    static BROKEN: Cell<Option<Break>> = const { Cell::new(None) };
}

macro_rules! breaks {
    ($($name:ident: $words:literal,)*) => {
        /// A rule of the model that can be left out.
        #[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
        pub(crate) enum Break {
            $(#[doc = $words] $name,)*
        }

        impl Break {
            pub(crate) const ALL: &[Self] = &[$(Self::$name,)*];

            /// What is done instead.
            pub(crate) fn words(self) -> &'static str {
                match self {
                    $(Self::$name => $words,)*
                }
            }
        }
    };
}

breaks! {
    AbsenceWithholds: "what the latest ledger does not say is gone",
    DepartureFirst: "departures are written before what arrived, and wait for nothing",
    MoveBySameContent: "the same content anywhere is where a message went, new there or not",
    UnseenIsSeen: "what nobody saw go was deleted",
    WriterKept: "a new process goes on as the writer that it finds in its catalogue",
    OldLineWillDo: "a line from before the location's last change makes it safe",
    MarkFirst: "the mark is written before the rest of the pass",
    SafeWithoutCopy: "a line alone makes it safe",
    GapsPass: "departures count whatever line cannot be read",
    GapsAfterPass: "departures count though a line after them cannot be read",
    GapsKnownLater: "a departure speaks for lines that became unreadable after what it saw",
    DepartureAtPresent: "a departure carries the present position, not that of the change it saw",
    DepartureOfEverything: "a departure is written though nothing stands",
    MarkOverOthers: "a mark is written though something else stands",
    MarkSaysAll: "a mark renews the mailboxes that it does not name",
    ReplacedDoesNotWait: "what was replaced departs before what replaced it is told",
    ReplacedWaitsHere: "what was replaced waits only for what is at its location now",
    MoveDoesNotWait: "what was moved departs before it is told where it is",
    WitnessByOldLine: "any line of the new place will do for a move's departure",
    ChainUnknown: "what moved, and was deleted there, waits to be told there",
    FullDoesNotWait: "departures do not wait for room",
    DamageDeparts: "damage on the card makes the good version depart",
    AcknowledgedAtOnce: "an acknowledgement is no change, and has no position of its own",
    ForgetIgnored: "a stick that was declared lost goes on counting",
    OthersUnheard: "what another card saw go, and this one has, is not said anew",
    ReadingForgotten: "a new writer does not name what its process read",
    DropsWhatTheCardLacks: "copies are dropped for room that the mailbox lacks",
    UnknownCoversNothing: "a departure by a writer of unknown descent is taken to speak of nothing here",
    MissingUnsettled: "what is missing here stays so though another card saw it go",
    EarlierReplaces: "an earlier version that turns up at the path replaces the later one",
    StrangersPass: "the word of one stick alone leaves out what another one holds",
    DamageInPlace: "what looks damaged may come in place of the good version",
}

/// Kept though no promise is known to need them: an arrival that finds no room is mostly recorded through its
/// predecessor; and a line that one stick withdraws from another comes back all the same, but not at its location.
pub(crate) const NOT_NEEDED: &[Break] = &[Break::FullDoesNotWait, Break::WitnessByOldLine];

/// Whether a rule is left out on this thread.
pub(crate) fn broken(rule: Break) -> bool {
    BROKEN.get() == Some(rule)
}

/// Leaves a rule out on this thread.
pub(crate) fn leave_out(rule: Option<Break>) {
    BROKEN.set(rule);
}

/// The rule of that name.
pub(crate) fn named(name: &str) -> Break {
    let found = Break::ALL.iter().find(|rule| format!("{rule:?}") == name);
    *found.unwrap_or_else(|| panic!("no rule {name}; there are {:?}", Break::ALL))
}

/// A rule that this model does not have: a content that the latest ledger does not assert is gone.
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
