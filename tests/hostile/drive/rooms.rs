//! A ledger for which the card's room does not last: found out half way, none of it is kept.

use crate::card::{Card, station};
use crate::flood::Flood;
use crate::station::Mounted;
use counterfoil::disk::{Access, Door, FolderDoor, StoppableDoor};
use counterfoil::job::catalogue::Catalogue;
use counterfoil::job::drive::{Begin, Claims};
use counterfoil::job::{DriveRef, JobError, round};
use std::fs;
use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::{AtomicU32, Ordering};

/// A door behind which, at a question of a reading, something happens once.
fn at_question(
    stick: &Path,
    question: u32,
    what: impl Fn() + Send + Sync + 'static,
) -> Arc<dyn Door> {
    let asked = AtomicU32::new(0);
    let stop = move || {
        if asked.fetch_add(1, Ordering::Relaxed) == question {
            what();
        }
        false
    };
    Arc::new(StoppableDoor::new(Arc::new(FolderDoor::new(stick)), Arc::new(stop)))
}

#[test]
fn of_a_ledger_that_finds_no_room_half_way_nothing_is_kept() {
    let around = tempfile::tempdir_in("/dev/shm").unwrap();
    let (stick, state) = (around.path().join("stick"), around.path().join("state"));
    let small = Mounted::small(&state, "size=100m");
    Flood { copies: 1_000, mailboxes: true, ..Flood::of(40_000) }.make(&stick, "pier-4");
    let catalogue = Catalogue::open(&state).unwrap().0;
    let contents = catalogue.pages().unwrap();
    let filler = state.join("filler");
    // All but what is left for mail is gone.
    let fill = {
        let filler = filler.clone();
        move || {
            let mut file = fs::File::create(&filler).unwrap();
            while free(filler.parent().unwrap()) > 7 << 20 {
                std::io::Write::write_all(&mut file, &[b'x'; 64 << 10]).unwrap();
            }
        }
    };
    let card = Card::new();
    let door = at_question(&stick, 20, fill);
    let drive =
        DriveRef { door, label: "flood".into(), at: b"flood".to_vec(), begin: Begin::InFolder };
    let claims = Claims::default();
    let looked = round::open(&catalogue, &station(), &drive, Access::Read, &claims, &card.clock);
    let Err(error @ JobError::NoRoomForLedger { .. }) = looked.map(drop) else {
        panic!("there was room")
    };
    assert!(error.to_string().contains("Make room on the card"), "{error}");
    let after = catalogue.pages().unwrap();
    assert!(after <= contents + 8, "{after} pages, {contents} before");
    // There is room for mail, and once there is more the ledger is read.
    assert!(free(small.path()) > 4 << 20);
    fs::remove_file(filler).unwrap();
    round::open(&catalogue, &station(), &drive, Access::Read, &claims, &card.clock).unwrap();
    assert!(catalogue.pages().unwrap() > after + 1_000);
}

fn free(folder: &Path) -> u64 {
    counterfoil::disk::host::room(folder).unwrap()
}
