//! What must be true, written from the promises and not from the code: a plain map of what was delivered and what was
//! reported as mirrored. Never asks the program what is right.

use crate::medium::{Image, Junk};
use crate::will::{Departure, How, Knows, Pair, When, Will};
use counterfoil::model::{Digest, Identity};
use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

/// A promise that was broken.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Broken {
    /// Its name.
    pub(crate) promise: &'static str,
    /// What was observed.
    pub(crate) how: String,
}

pub(crate) type Checked = Result<(), Broken>;

pub(crate) fn broken<T>(promise: &'static str, how: impl Into<String>) -> Result<T, Broken> {
    Err(Broken { promise, how: how.into() })
}

pub(crate) const LOST: &str = "an acknowledged message is there, byte for byte";
pub(crate) const FALSE: &str = "nothing false is called good";
pub(crate) const AUDIT: &str = "audit and reality agree";
pub(crate) const RECORD: &str = "a drive never loses a record";
pub(crate) const TWICE: &str = "recovery twice gives the same as once";
pub(crate) const MAILBOX: &str = "the mailbox is written by restore only";
pub(crate) const OVER: &str = "restore never overwrites";
pub(crate) const WHOLE: &str = "the bag lists every copy once, with its hash";
pub(crate) const AGREE: &str = "no honest drive contradicts another, or the card";
pub(crate) const DEAD: &str = "nothing removed comes back from drives that were told";
pub(crate) const HEALED: &str = "once nothing is wrong any more, everything gets mirrored";
pub(crate) const CARD: &str = "nothing is written where the drive is not";
pub(crate) const PANIC: &str = "the program does not break down";

pub(crate) const HOME: &str = "counterfoil/pier-4/";

/// What the program has claimed about one path on one stick.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Claim {
    /// Where in the mailbox.
    pub(crate) path: String,
    /// Where in the bag.
    pub(crate) payload: String,
    pub(crate) identity: Identity,
    /// The audit calls the message safe there.
    pub(crate) is_safe: bool,
}

/// What was claimed of a stick, and what was seen on it.
#[derive(Debug, Clone, Default, Hash)]
pub(crate) struct Promised {
    /// Copies called good, by their path in the bag.
    copies: BTreeMap<String, (Digest, Arc<Vec<u8>>)>,
    /// Contents reported as mirrored.
    contents: BTreeSet<Digest>,
    /// Messages that the audit called safe on it, as of when.
    pairs: BTreeMap<Pair, When>,
    /// Messages of which it ever had a good copy.
    had: BTreeSet<Pair>,
    /// Those of which it lost none.
    holds: BTreeSet<Pair>,
    /// What it may give back though it was seen to leave: the card's memory was lost before the departure was recorded
    /// here.
    unrecorded: BTreeSet<Pair>,
    /// Departures recorded on it, each of a message that no stick asserts later than that.
    dead: BTreeSet<(Pair, u64)>,
    /// What a card that has read it may know, and what it knows for certain.
    pub(crate) knows: Knows,
    pub(crate) surely: Knows,
    /// Every copy ever durable on it, good or not.
    seen: BTreeMap<String, Vec<u8>>,
    /// The ledger as far as it was durable.
    ledger: Vec<u8>,
    /// Copies that somebody damaged: nothing is promised of them.
    pub(crate) excused: BTreeSet<String>,
    /// The same for its ledger, its manifest, its id.
    pub(crate) ledger_spoilt: bool,
    pub(crate) manifest_spoilt: bool,
    /// It lost or refused what it had reported durable; nothing is promised until it is read again.
    pub(crate) lied: bool,
    /// How often it did so.
    pub(crate) lies: u32,
}

/// Everything that was ever delivered, and what happened to it.
#[derive(Debug, Clone, Default)]
pub(crate) struct Oracle {
    /// Steps so far.
    pub(crate) step: u64,
    contents: BTreeMap<Digest, Arc<Vec<u8>>>,
    /// The contents that were ever at a path.
    ever: BTreeMap<String, BTreeSet<Digest>>,
    /// Contents that the card damaged: a restore gives the earlier version.
    damaged: BTreeSet<Digest>,
    /// Contents for which some path got a later version, by its owner's will and seen by the daemon.
    superseded: BTreeSet<Digest>,
    /// What happened to the mailbox of the card in use.
    pub(crate) will: Will,
    /// Everything that was ever seen to leave a path, on any card.
    departures: BTreeMap<Pair, Vec<Departure>>,
    lives: u64,
    /// The catalogue was lost or is an older one, or the card is another one: the previous place of a drive is not
    /// known.
    pub(crate) amnesia: bool,
}

impl Oracle {
    /// The number of a new life of a card.
    pub(crate) fn new_life(&mut self) -> u64 {
        self.lives += 1;
        self.lives
    }

    /// A content is at a path from now on, and was seen to replace whatever was there.
    pub(crate) fn put(&mut self, path: &str, bytes: &[u8]) {
        let digest = self.note(path, bytes);
        self.depart_from(path, How::Replaced(digest));
        self.find(path, digest);
        self.will.put(path, digest);
    }

    /// A content is at a path from now on, unseen: the previous content is missing, and should come back.
    pub(crate) fn put_unseen(&mut self, path: &str, bytes: &[u8]) {
        let digest = self.note(path, bytes);
        self.find(path, digest);
        self.will.put(path, digest);
        self.will.is_unseen(path);
    }

    /// A message grows at its end. Nobody saw that, and yet it is recognised as a later version of the previous
    /// content, which is its beginning. A version damaged by the card has no later version. `open`: it may change once
    /// more before any scan.
    pub(crate) fn grow(&mut self, path: &str, bytes: &[u8], open: bool) {
        match self.will.is_spoilt(path) {
            true => self.put_unseen(path, bytes),
            false => self.put(path, bytes),
        }
        if open {
            self.will.reopen(path);
        }
    }

    fn note(&mut self, path: &str, bytes: &[u8]) -> Digest {
        let digest = Digest::of(bytes);
        self.contents.entry(digest).or_insert_with(|| Arc::new(bytes.to_vec()));
        self.ever.entry(path.to_owned()).or_default().insert(digest);
        digest
    }

    /// A content missing elsewhere is missing only until it is in the mailbox again.
    fn find(&mut self, path: &str, digest: Digest) {
        for other in self.will.missing(digest) {
            if other != path {
                self.depart((other, digest), How::Moved(path.to_owned()), true);
            }
        }
    }

    /// The content of a path leaves it, seen by the daemon. Where that is damage, or nothing has been scanned yet, the
    /// daemon may take the previous content for what leaves now.
    fn depart_from(&mut self, path: &str, how: How) {
        let last = self.will.last(path);
        let unsure =
            self.will.is_unsure(path) || last.is_some_and(|last| self.damaged.contains(&last));
        let same = |digest: &Digest| how == How::Replaced(*digest);
        let leaving: Vec<Digest> = match unsure {
            true => self.will.contents_at(path).filter(|digest| !same(digest)).collect(),
            false => last.into_iter().filter(|digest| !same(digest)).collect(),
        };
        for digest in leaving {
            if matches!(how, How::Replaced(_)) {
                self.superseded.insert(digest);
            }
            self.depart((path.to_owned(), digest), how.clone(), unsure);
        }
    }

    fn depart(&mut self, pair: Pair, how: How, open: bool) {
        let number = self.departed() + 1;
        let (knew, surely) = (self.will.knows.clone(), self.will.surely.clone());
        self.will.depart(&pair, number, open);
        let departure = Departure { number, how, knew, surely };
        self.departures.entry(pair).or_default().push(departure);
    }

    /// How many departures there were.
    fn departed(&self) -> u64 {
        self.departures.values().map(Vec::len).sum::<usize>() as u64
    }

    /// The catalogue is lost: the card begins another life, without any memory.
    pub(crate) fn forget(&mut self) {
        self.turn_back_to(&Will::default());
    }

    /// The catalogue is that of an earlier day.
    pub(crate) fn turn_back_to(&mut self, then: &Will) {
        let (life, departed) = (self.new_life(), self.departed());
        self.will.turns_back_to(then, life, departed);
        self.amnesia = true;
    }

    /// Whether a content is the last one that was put at a path.
    pub(crate) fn is_last(&self, path: &str, bytes: &[u8]) -> bool {
        self.will.last(path) == Some(Digest::of(bytes))
    }

    /// A message is moved from a path to another that is free.
    pub(crate) fn rename(&mut self, from: &str, to: &str, bytes: &[u8]) {
        let last = self.will.last(from);
        if self.is_damaged(bytes) {
            // Its last good version should come back at the old path.
            let digest = self.note(to, bytes);
            self.will.put(to, digest);
        } else {
            self.put(to, bytes);
            if let Some(last) = last {
                let open = last != Digest::of(bytes) || self.will.is_spoilt(from);
                self.depart((from.to_owned(), last), How::Moved(to.to_owned()), open);
            }
        }
        self.will.leave(from);
    }

    /// A path becomes empty.
    pub(crate) fn remove(&mut self, path: &str, seen: bool) {
        if seen {
            self.depart_from(path, How::Deleted);
        }
        self.will.leave(path);
    }

    /// The content of a path is now a message that a failing card damaged.
    pub(crate) fn damage(&mut self, path: &str, bytes: &[u8]) {
        let digest = self.note(path, bytes);
        self.damaged.insert(digest);
        self.will.spoil(path);
    }

    /// Every path that ever had a message.
    pub(crate) fn paths(&self) -> impl Iterator<Item = &str> {
        self.ever.keys().map(String::as_str)
    }

    /// Every message that ever was.
    fn pairs(&self) -> impl Iterator<Item = Pair> {
        let each = |(path, all): (&String, &BTreeSet<Digest>)| {
            all.iter().map(|digest| (path.clone(), *digest)).collect::<Vec<_>>()
        };
        self.ever.iter().flat_map(each)
    }

    /// Messages that ever were at a path and were seen to leave it. None that is the beginning of another that was
    /// there: that would be taken for a truncated rest of it.
    pub(crate) fn left(&self) -> Vec<(String, Arc<Vec<u8>>)> {
        let is_beginning = |(path, digest): &Pair| {
            let mut others = self.ever[path].iter().filter(|other| *other != digest);
            others.any(|other| self.contents[other].starts_with(&self.contents[digest]))
        };
        let pairs = self.departures.keys().filter(|pair| !is_beginning(pair));
        pairs.map(|(path, digest)| (path.clone(), Arc::clone(&self.contents[digest]))).collect()
    }

    pub(crate) fn is_damaged(&self, bytes: &[u8]) -> bool {
        self.damaged.contains(&Digest::of(bytes))
    }

    /// The program claims that a stick has these messages.
    pub(crate) fn claim(
        &self,
        promised: &mut Promised,
        claims: &[Claim],
        image: &Image,
    ) -> Checked {
        for claim in claims {
            let Some(content) = self.contents.get(&claim.identity.digest) else {
                return broken(
                    FALSE,
                    format!("{}: never was {}", claim.path, claim.identity.digest),
                );
            };
            if !self.ever.get(&claim.path).is_some_and(|ever| ever.contains(&claim.identity.digest))
            {
                return broken(FALSE, format!("{}: was never at this path", claim.path));
            }
            if promised.excused.contains(&claim.payload) {
                continue;
            }
            let copy = (claim.identity.digest, Arc::clone(content));
            promised.copies.insert(claim.payload.clone(), copy);
            promised.contents.insert(claim.identity.digest);
            let pair = (claim.path.clone(), claim.identity.digest);
            if let Some(when) = self.will.put_at(&pair).filter(|_| claim.is_safe) {
                promised.pairs.insert(pair.clone(), when);
            }
            promised.had.insert(pair.clone());
            promised.holds.insert(pair);
        }
        self.still_there(promised, image)
    }

    /// A stick was read, and everything was recorded on it, by the card in use.
    pub(crate) fn record_all(&self, promised: &mut Promised, there: &BTreeMap<String, Vec<u8>>) {
        // The card knows these, and so does the stick: their departure will be recorded on it.
        for (path, bytes) in there {
            promised.unrecorded.remove(&(path.clone(), Digest::of(bytes)));
        }
    }

    /// Departures recorded on a stick just now, each of a message that no stick asserts as of later, and that no other
    /// card has: from here on no restore that includes that stick gives it back.
    pub(crate) fn record_departures(
        &self,
        slots: &mut [&mut Promised],
        at: usize,
        spares: &[&Will],
    ) {
        let mut dead = Vec::new();
        for pair in &slots[at].had {
            let Some(number) = self.will.known_departure(pair) else { continue };
            let departures = self.departures.get(pair).into_iter().flatten();
            let Some(departure) = departures.into_iter().find(|d| d.number == number) else {
                continue;
            };
            let knew = |other: &&mut Promised| {
                !other.had.contains(pair)
                    || departure.surely.has_all_of(&other.knows, self.will.life())
            };
            let elsewhere = spares.iter().any(|spare| spare.put_at(pair).is_some());
            if !elsewhere && slots.iter().all(knew) && self.is_followed(pair, slots[at]) {
                dead.push((pair.clone(), number));
            }
        }
        slots[at].dead.extend(dead);
    }

    /// Compares the promises with what is durable on the stick.
    pub(crate) fn still_there(&self, promised: &mut Promised, image: &Image) -> Checked {
        if promised.lied {
            return Ok(());
        }
        let file = |path: &str| image.file(&format!("{HOME}{path}"), Junk::Zeros);
        for (payload, (_, content)) in &promised.copies {
            if promised.excused.contains(payload) {
                continue;
            }
            match file(payload) {
                Some(bytes) if bytes == **content => {}
                Some(_) => return broken(LOST, format!("{payload} has other bytes")),
                None => return broken(LOST, format!("{payload} is not there")),
            }
        }
        let ledger = file("ledger.jsonl").unwrap_or_default();
        if !promised.ledger_spoilt && !ledger.starts_with(&promised.ledger) {
            let differ = ledger.iter().zip(&promised.ledger).position(|(is, was)| is != was);
            let (was, is) = (promised.ledger.len(), ledger.len());
            return broken(
                RECORD,
                format!("of {was} bytes the ledger has {is}, the first other at {differ:?}"),
            );
        }
        promised.ledger = ledger;
        for (payload, was) in &promised.seen {
            if !promised.excused.contains(payload) && file(payload).as_ref() != Some(was) {
                return broken(RECORD, format!("{payload} is not what it was"));
            }
        }
        let data = format!("{HOME}data/");
        let copies = image.all().filter(|(path, _)| path.starts_with(&data));
        promised.seen =
            copies.map(|(path, bytes)| (path[HOME.len()..].to_owned(), bytes)).collect();
        if !promised.manifest_spoilt {
            let listed = listed(&file("manifest-sha256.txt").unwrap_or_default());
            for (payload, (digest, _)) in &promised.copies {
                let right = listed.get(payload).is_some_and(|listed| **listed == [*digest]);
                if !right && !promised.excused.contains(payload) {
                    return broken(WHOLE, format!("{payload} is called good and not listed once"));
                }
            }
        }
        Ok(())
    }

    /// Checks what a restore from sticks gave, into an empty folder, with removed messages. `unsure`: some ledger is
    /// not whole.
    pub(crate) fn restored(
        &self,
        from: &[&Promised],
        got: &BTreeMap<String, Vec<u8>>,
        unsure: bool,
    ) -> Checked {
        let there = digests(got, |_| true);
        for promised in from.iter().filter(|promised| promised.counts()) {
            for digest in &promised.contents {
                let left = self.damaged.contains(digest) || self.superseded.contains(digest);
                if !left && promised.has_good(digest) && !there.contains(digest) {
                    return broken(
                        LOST,
                        format!("{digest} was called mirrored and is not restored"),
                    );
                }
            }
        }
        self.none_false(got, unsure)
    }

    /// The same without removed messages: what the audit called safe on one of these sticks is there, until its
    /// departure was seen by a card that knew of it; where a later version took its place, that or an earlier one is
    /// there.
    pub(crate) fn gave_back(
        &self,
        from: &[&Promised],
        got: &BTreeMap<String, Vec<u8>>,
        unsure: bool,
    ) -> Checked {
        for promised in from.iter().filter(|promised| promised.counts()) {
            // A message that comes back only under a number has lost its line: that is not enough for one that was
            // safe.
            let numbered = promised.ledger_spoilt || promised.lies > 0;
            let is_number =
                |name: &str| name.starts_with("recovered/") && !self.ever.contains_key(name);
            let there = digests(got, |name| numbered || !is_number(name));
            for (pair, when) in &promised.pairs {
                let (path, digest) = pair;
                // If a line is lost, a message that came back under a number may have left again.
                let left = numbered
                    && self
                        .departures
                        .keys()
                        .any(|of| of.1 == *digest && of.0.starts_with("recovered/"));
                if self.damaged.contains(digest) || !promised.has_good(digest) || left {
                    continue;
                }
                let Some(versions) = self.acceptable(pair, *when) else { continue };
                // If the copy of a later one has rotted, the version damaged by the card may be given instead.
                let rotted = versions.len() > 1 && from.iter().any(|p| !p.excused.is_empty());
                if versions.is_disjoint(&there) && !rotted {
                    let how = format!("{path}, {digest}, was called safe and is not restored");
                    return broken(LOST, how);
                }
            }
        }
        self.none_false(got, unsure)?;
        if unsure || from.iter().any(|promised| promised.is_spoilt()) {
            return Ok(());
        }
        for (pair, number) in from.iter().flat_map(|promised| &promised.dead) {
            // Except where it has come back since, or where damage is at the path: a card that has forgotten what left
            // takes the damage for the rest of it.
            if self.will.departure(pair) != Some(*number) || self.is_damage_at(&pair.0) {
                continue;
            }
            let back = |(path, bytes): &(&String, &Vec<u8>)| {
                self.is_of(path, &pair.0, bytes) && Digest::of(bytes) == pair.1
            };
            if let Some((path, _)) = got.iter().find(back) {
                return broken(DEAD, format!("{path}, which was removed and is told so"));
            }
        }
        Ok(())
    }

    fn is_damage_at(&self, path: &str) -> bool {
        self.will.is_spoilt(path)
            || self.will.last(path).is_some_and(|last| self.damaged.contains(&last))
    }

    /// The contents one of which has to come back for a message called safe as of a moment; `None` if a card that knew
    /// of it saw it deleted.
    fn acceptable(&self, pair: &Pair, when: When) -> Option<BTreeSet<Digest>> {
        let successors =
            self.successors(pair, |of, departure| of != pair || departure.knew.has(when))?;
        Some(successors.into_iter().chain([pair.clone()]).map(|(_, digest)| digest).collect())
    }

    /// Whether a recorded departure of a message holds: its successor is there too, or it was deleted in the end. As
    /// long as the stick has no later version, and no later location of it, it keeps what it has.
    fn is_followed(&self, pair: &Pair, promised: &Promised) -> bool {
        let successors = self.successors(pair, |of, departure| {
            self.will.departure(of) == Some(departure.number) && !self.will.is_open(of)
        });
        successors
            .is_none_or(|successors| successors.iter().any(|heir| promised.holds.contains(heir)))
    }

    /// The successors of a message that left, by the departures chosen; none if it was deleted in the end.
    fn successors(
        &self,
        pair: &Pair,
        chosen: impl Fn(&Pair, &Departure) -> bool,
    ) -> Option<BTreeSet<Pair>> {
        let mut successors = BTreeSet::new();
        let mut left = vec![pair.clone()];
        while let Some(of) = left.pop() {
            let all = self.departures.get(&of).into_iter().flatten();
            for departure in all.filter(|departure| chosen(&of, departure)) {
                let next = match &departure.how {
                    How::Deleted => return None,
                    How::Replaced(by) => (of.0.clone(), *by),
                    How::Moved(to) => (to.clone(), of.1),
                };
                if successors.insert(next.clone()) {
                    left.push(next);
                }
            }
        }
        Some(successors)
    }

    /// Whether a name is a path's own, or the conflict name of a content for that path.
    fn is_of(&self, name: &str, path: &str, bytes: &[u8]) -> bool {
        name == path || name == conflict_name(path, &Digest::of(bytes))
    }

    /// Whether a restored file is an earlier version of a message that has come to this name's path since.
    fn is_earlier_version(&self, name: &str, bytes: &[u8]) -> bool {
        let digest = Digest::of(bytes);
        let mut earlier = self.departures.keys().filter(|pair| pair.1 == digest);
        earlier.any(|pair| {
            let heirs = self.successors(pair, |_, _| true).unwrap_or_default();
            heirs.iter().any(|heir| self.is_of(name, &heir.0, bytes))
        })
    }

    /// Everything that a restore gave was once so.
    pub(crate) fn none_false(&self, got: &BTreeMap<String, Vec<u8>>, unsure: bool) -> Checked {
        // If a ledger is broken, nobody can distinguish a copy from the torn remains of one: both are restored under
        // their number.
        for (path, bytes) in
            got.iter().filter(|(path, _)| !unsure || !path.starts_with("recovered/"))
        {
            self.was(path, bytes)?;
        }
        Ok(())
    }

    /// A file that a restore gave was once so, or is the version before it of a message that has moved since. Two contents
    /// may belong at one path: then one has it, and the other gets a conflict name.
    fn was(&self, name: &str, bytes: &[u8]) -> Checked {
        let digest = Digest::of(bytes);
        let once = match name.starts_with("recovered/") {
            true => self.contents.contains_key(&digest),
            false => self.message(name, bytes).is_some() || self.is_earlier_version(name, bytes),
        };
        match once {
            true => Ok(()),
            false => broken(FALSE, format!("restore gave {name}, which never was so")),
        }
    }

    /// Which message a restored file is.
    fn message(&self, name: &str, bytes: &[u8]) -> Option<Pair> {
        let digest = Digest::of(bytes);
        let at = |(path, ever): &(&String, &BTreeSet<Digest>)| {
            ever.contains(&digest) && self.is_of(name, path, bytes)
        };
        self.ever.iter().find(at).map(|(path, _)| (path.clone(), digest))
    }

    /// After all faults were repaired, a restore from one stick, without removed messages, gives the mailbox, and what
    /// is missing from it: at its own path, or next to what is there now. A stick on which a departure is not recorded
    /// gives back what it knows. With several cards, the mail of the others comes back too, and none has a right to the
    /// path.
    pub(crate) fn same(
        &self,
        promised: &Promised,
        mailbox: &BTreeMap<String, Vec<u8>>,
        got: &BTreeMap<String, Vec<u8>>,
        alone: bool,
    ) -> Checked {
        for (path, bytes) in mailbox {
            match got.get(path) {
                Some(there) if there == bytes => {}
                Some(_) if self.is_damaged(bytes) => {}
                Some(_) if !alone && got.values().any(|there| there == bytes) => {}
                // It has the conflict name that another content gets for an occupied path.
                Some(there) if self.message(path, there).is_some_and(|pair| pair.0 != *path) => {}
                Some(_) => return broken(HEALED, format!("{path} is restored with other bytes")),
                None => return broken(HEALED, format!("{path} is not restored")),
            }
        }
        for (name, bytes) in got.iter().filter(|(name, _)| !name.starts_with("recovered/")) {
            if mailbox.get(name) == Some(bytes) {
                continue;
            }
            let may = |pair: &Pair| {
                !alone
                    || self.will.departure(pair).is_none()
                    || self.will.is_open(pair)
                    || promised.unrecorded.contains(pair)
                    || !self.is_followed(pair, promised)
            };
            // If the last version has rotted, the earlier one is given.
            let rotted = !promised.excused.is_empty();
            match self.message(name, bytes) {
                Some(pair) if may(&pair) || rotted => {}
                Some(_) => return broken(DEAD, format!("{name} was removed, and is restored")),
                None if rotted && self.is_earlier_version(name, bytes) => {}
                None => return broken(FALSE, format!("{name} is restored, and never was so")),
            }
        }
        Ok(())
    }
}

fn digests(files: &BTreeMap<String, Vec<u8>>, counts: impl Fn(&str) -> bool) -> BTreeSet<Digest> {
    let files = files.iter().filter(|(name, _)| counts(name));
    files.map(|(_, bytes)| Digest::of(bytes)).collect()
}

/// The conflict name of a content whose own path is occupied (DEVELOPERS.md, how a restore writes).
fn conflict_name(path: &str, digest: &Digest) -> String {
    format!("{path}.counterfoil-{}", &digest.to_string()[..8])
}

impl Promised {
    /// The stick lost what it had reported durable: only what is left of it is promised from here on.
    pub(crate) fn after_a_lie(&mut self, image: &Image) {
        let file = |path: &str| image.file(&format!("{HOME}{path}"), Junk::Zeros);
        self.lied = true;
        self.lies += 1;
        self.copies.retain(|payload, (_, was)| file(payload).as_ref() == Some(&**was));
        self.seen.retain(|payload, was| file(payload).as_ref() == Some(was));
        self.ledger = file("ledger.jsonl").unwrap_or_default();
        self.dead.clear();
        self.holds.clear();
        self.pairs.clear();
        self.surely = Knows::default();
    }

    /// The card lost its memory of what had been there, or had left: until it is recorded on this stick again, the
    /// stick may give all of it back.
    pub(crate) fn may_give_back_all(&mut self, oracle: &Oracle) {
        self.unrecorded.extend(oracle.pairs());
    }

    /// It gives nothing back that was seen to leave.
    pub(crate) fn is_all_recorded(&self) -> bool {
        self.unrecorded.is_empty()
    }

    /// The departures recorded on it are not in force any more.
    pub(crate) fn forget_departures(&mut self) {
        self.dead.clear();
    }

    /// If both logs are damaged, nothing defines what a copy should be.
    fn counts(&self) -> bool {
        !(self.lied || self.ledger_spoilt && self.manifest_spoilt)
    }

    /// A copy of a content was called good and nobody damaged it.
    fn has_good(&self, digest: &Digest) -> bool {
        let mut of = self.copies.iter().filter(|(_, copy)| copy.0 == *digest);
        of.any(|(payload, _)| !self.excused.contains(payload))
    }

    /// Nothing was ever claimed of it.
    pub(crate) fn is_new(&self) -> bool {
        self.copies.is_empty()
    }

    pub(crate) fn is_spoilt(&self) -> bool {
        self.ledger_spoilt || self.manifest_spoilt || self.lies > 0 || !self.excused.is_empty()
    }
}

/// Whether every line of a ledger follows the one before: `hash` is the SHA-256 of the hash of the line before, zeros
/// before the first, and the line's own text up to `,"hash":` (DEVELOPERS.md, the ledger's format).
pub(crate) fn is_chain(ledger: &[u8]) -> bool {
    let mut head = "0".repeat(64);
    for line in ledger.split_inclusive(|&byte| byte == b'\n') {
        let at = line.windows(9).rposition(|window| window == b",\"hash\":\"");
        let Some(text) = at.and_then(|at| line.get(..at)) else { return false };
        head = Digest::of(&[head.as_bytes(), text].concat()).to_string();
        if line[text.len()..] != *format!(",\"hash\":\"{head}\"}}\n").as_bytes() {
            return false;
        }
    }
    !ledger.is_empty()
}

/// The entries of a manifest, as RFC 8493 section 2.1.3 defines a line: a digest, blanks, a path.
pub(crate) fn listed(manifest: &[u8]) -> BTreeMap<String, Vec<Digest>> {
    let mut listed: BTreeMap<String, Vec<Digest>> = BTreeMap::new();
    for line in manifest.split(|&byte| byte == b'\n') {
        let Ok(line) = std::str::from_utf8(line) else { continue };
        let Some((digest, path)) = line.split_once(' ') else { continue };
        if let Ok(digest) = digest.parse() {
            listed.entry(path.trim_start().to_owned()).or_default().push(digest);
        }
    }
    listed
}
