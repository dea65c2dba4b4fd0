//! Makes ledger lines of every kind, and damages files: what a writer may write, and what may become of it.
//! Never judges what is read.

use super::taker::Taker;
use counterfoil::model::ledger::{Assertion, Chain, Departed, Departure, Event, Location};
use counterfoil::model::limits::{COUNT_MAX, LINES_MAX};
use counterfoil::model::{
    Digest, DriveId, EventTime, Identity, MailboxName, PayloadName, Position, RelName, Suspicion,
    Timestamp, WriterId,
};

/// Who and when, chosen.
pub fn stamp(taker: &mut Taker<'_>) -> EventTime {
    EventTime { time: moment(taker), trusted: taker.byte() & 1 == 1, boot: taker.text(36) }
}

fn moment(taker: &mut Taker<'_>) -> Timestamp {
    let nanos = (taker.number(4) % 1_000_000_000) as u32;
    // Mostly years that a calendar holds.
    let seconds = match taker.byte() % 4 {
        0 => taker.number(8) as i64,
        _ => taker.number(4) as i64,
    };
    Timestamp { seconds, nanos }
}

fn identity(taker: &mut Taker<'_>) -> Identity {
    // A few contents, so that several lines tell of one.
    let mut identity = Identity::of(&[taker.byte() % 8]);
    if taker.byte() == 7 {
        identity.bytes = taker.number(8) % (COUNT_MAX + 1);
    }
    identity
}

fn payload(taker: &mut Taker<'_>) -> PayloadName {
    let number = match taker.byte() % 16 {
        0 => taker.number(4) as u32 % 99_999_999 + 1,
        n => u32::from(n),
    };
    let extension = ["EML", "B2F", "0"][taker.below(3)].parse().expect("an extension");
    let segment = if taker.byte() == 9 { taker.below(9_999) as u32 + 1 } else { 1 };
    PayloadName { segment, number, extension }
}

fn path(taker: &mut Taker<'_>) -> RelName {
    let raw = taker.piece(40);
    RelName::new(raw).unwrap_or_else(|_| RelName::new("inbox/a").expect("a path"))
}

fn mailbox(taker: &mut Taker<'_>) -> MailboxName {
    ["in", "out"][taker.below(2)].parse().expect("a name")
}

fn writer(taker: &mut Taker<'_>) -> WriterId {
    // A few, so that several lines are one writer's.
    WriterId::from_bits(match taker.byte() {
        3 => taker.number(8),
        few => u64::from(few % 4),
    })
}

fn position(taker: &mut Taker<'_>) -> Position {
    let writer = writer(taker);
    let n = match taker.byte() {
        3 => taker.number(8) % (COUNT_MAX + 1),
        _ => taker.number(1),
    };
    Position { writer, n }
}

fn location(taker: &mut Taker<'_>) -> Location {
    Location { mailbox: mailbox(taker), path: path(taker) }
}

fn assertion(taker: &mut Taker<'_>) -> Assertion {
    let suspect = match taker.byte() % 6 {
        0 => Some(Suspicion::Emptied),
        1 => Some(Suspicion::CutShort),
        2 => Some(Suspicion::NulFilled),
        _ => None,
    };
    Assertion {
        location: location(taker),
        modified: moment(taker),
        mode: taker.number(2) as u32 & 0o7777,
        first_seen: moment(taker),
        suspect,
        as_of: position(taker),
    }
}

fn departure(taker: &mut Taker<'_>) -> Departure {
    let to = (taker.byte() & 1 == 1).then(|| location(taker));
    let heir = (to.is_some() && taker.byte() & 1 == 1).then(|| identity(taker));
    Departure {
        identity: identity(taker),
        location: location(taker),
        position: position(taker),
        why: Departed::ALL[taker.below(Departed::ALL.len())],
        to,
        successor: heir,
        gaps: taker.number(1),
    }
}

/// An event of any kind.
pub fn event(taker: &mut Taker<'_>) -> Event {
    match taker.byte() % 18 {
        0 => Event::Opened { program: taker.text(20) },
        1 => Event::Mailbox { mailbox: mailbox(taker), root: taker.piece(40).to_vec() },
        2 | 14 => Event::Mirrored {
            payload: payload(taker),
            identity: identity(taker),
            assertion: assertion(taker),
            replaces: (taker.byte() & 1 == 1).then(|| payload(taker)),
        },
        3 => Event::Placed { identity: identity(taker), assertion: assertion(taker) },
        4 => Event::Missing { identity: identity(taker), assertion: assertion(taker) },
        5 | 6 => Event::Removed(departure(taker)),
        15 => Event::Writer {
            writer: writer(taker),
            links: (0..taker.below(4)).map(|_| position(taker)).collect(),
        },
        17 => Event::Witness {
            drive: DriveId::from_bits(taker.number(1)),
            // The first line of a ledger is line 1.
            line: taker.number(1).max(1),
            hash: Digest::of(&[taker.byte()]),
        },
        16 => Event::Mark {
            as_of: position(taker),
            mailboxes: (0..taker.below(3)).map(|_| mailbox(taker)).collect(),
        },
        7 => Event::Adopted { payload: payload(taker), identity: identity(taker) },
        8 => Event::Debris { payload: payload(taker), identity: identity(taker) },
        9 => Event::Damaged {
            payload: payload(taker),
            found: (taker.byte() & 1 == 1).then(|| Digest::of(&[taker.byte()])),
        },
        10 => Event::Absent { payload: payload(taker) },
        11 => Event::Sound { payload: payload(taker) },
        12 => Event::Verified {
            checked: taker.number(8),
            damaged: taker.number(8),
            absent: taker.number(8),
        },
        _ => Event::Recovered {
            from: taker.number(2),
            to: taker.number(2),
            whole_lines: taker.number(8),
            torn: taker.number(2),
        },
    }
}

/// A sound ledger of a few lines, from its beginning. Without lines that settle a break, if wanted.
pub fn ledger(taker: &mut Taker<'_>, with_recovered: bool) -> Vec<String> {
    let mut chain = Chain::default();
    if taker.byte() == 5 {
        chain.seq = LINES_MAX + 100 - taker.number(1);
    }
    let mut lines = Vec::new();
    for _ in 0..=taker.below(12) {
        let event = event(taker);
        if with_recovered || !matches!(event, Event::Recovered { .. }) {
            lines.push(chain.write(&stamp(taker), event));
        }
    }
    lines
}

/// Damages a file a few times: what a torn write, a rotten block, a repair tool or a person may do.
/// The byte before which nothing was changed.
pub fn damage(file: &mut Vec<u8>, taker: &mut Taker<'_>) -> usize {
    let mut untouched = file.len();
    for _ in 0..=taker.below(4) {
        let at = taker.below(file.len() + 1);
        let end = (at + taker.below(200)).min(file.len());
        match taker.byte() % 8 {
            0 => file.truncate(at),
            1 => drop(file.drain(at..end)),
            2 => file[at..end].fill(taker.byte()),
            3 => drop(file.splice(at..at, taker.piece(100).iter().copied())),
            4 => {
                let piece = taker.piece(100);
                let end = (at + piece.len()).min(file.len());
                file.splice(at..end, piece.iter().copied());
            }
            5 => {
                // A part of the file once more, elsewhere.
                let from = taker.below(file.len() + 1);
                let again = file[from..(from + taker.below(2_000)).min(file.len())].to_vec();
                file.splice(at..at, again);
            }
            6 => {
                // Two lines change places.
                let mut lines: Vec<Vec<u8>> =
                    file.split_inclusive(|&b| b == b'\n').map(<[u8]>::to_vec).collect();
                if lines.len() > 1 {
                    let (a, b) = (taker.below(lines.len()), taker.below(lines.len()));
                    lines.swap(a, b);
                    *file = lines.concat();
                    untouched = 0;
                }
            }
            _ => {
                if let Some(byte) = file.get_mut(at) {
                    *byte ^= 1 << (taker.byte() % 8);
                }
            }
        }
        untouched = untouched.min(at).min(file.len());
    }
    untouched
}
