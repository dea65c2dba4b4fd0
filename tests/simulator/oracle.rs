//! What must be true, written from the promises and not from the code: a plain map of what was delivered and
//! what was called mirrored. Never asks the program what is right.

use crate::medium::{Image, Junk};
use counterfoil::model::{Digest, Identity};
use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

/// A promise that was broken.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Broken {
    /// Which.
    pub(crate) promise: &'static str,
    /// How it shows.
    pub(crate) how: String,
}

pub(crate) type Held = Result<(), Broken>;

pub(crate) fn broken<T>(promise: &'static str, how: impl Into<String>) -> Result<T, Broken> {
    Err(Broken { promise, how: how.into() })
}

pub(crate) const LOST: &str = "an acknowledged message is there, octet for octet";
pub(crate) const FALSE: &str = "nothing false is called good";
pub(crate) const AUDIT: &str = "audit and reality agree";
pub(crate) const RECORD: &str = "a drive never loses a record";
pub(crate) const TWICE: &str = "recovery twice gives the same as once";
pub(crate) const MAILBOX: &str = "the mailbox is written by restore only";
pub(crate) const OVER: &str = "restore never overwrites";
pub(crate) const WHOLE: &str = "the bag lists every copy once, with its hash";
pub(crate) const HEALED: &str = "once nothing is wrong any more, everything gets mirrored";
pub(crate) const CARD: &str = "nothing is written where the drive is not";
pub(crate) const PANIC: &str = "the program does not break down";

pub(crate) const HOME: &str = "counterfoil/pier-4/";

/// What the program has said of one path on one stick.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Claim {
    /// Where in the mailbox.
    pub(crate) path: String,
    /// Where in the bag.
    pub(crate) payload: String,
    pub(crate) identity: Identity,
}

/// What a stick was called to hold, and what was seen on it.
#[derive(Debug, Clone, Default, Hash)]
pub(crate) struct Promised {
    /// Copies called good, by their place in the bag.
    copies: BTreeMap<String, Arc<Vec<u8>>>,
    /// Contents called mirrored, and when last.
    contents: BTreeSet<Digest>,
    /// Every copy ever durable on it, good or not.
    seen: BTreeMap<String, Vec<u8>>,
    /// The ledger as far as it was durable.
    ledger: Vec<u8>,
    /// Copies that somebody damaged: nothing is promised of them.
    pub(crate) excused: BTreeSet<String>,
    /// The same for its ledger, its manifest, its id.
    pub(crate) ledger_spoilt: bool,
    pub(crate) manifest_spoilt: bool,
    /// It lost or refused what it had called durable; until it was looked at again nothing is promised.
    pub(crate) lied: bool,
    /// How often it did so.
    pub(crate) lies: u32,
}

/// All that was ever delivered, and what became of it.
#[derive(Debug, Clone, Default)]
pub(crate) struct Oracle {
    /// Steps so far.
    pub(crate) step: u64,
    contents: BTreeMap<Digest, Arc<Vec<u8>>>,
    /// What ever lay at a path.
    ever: BTreeMap<String, BTreeSet<Digest>>,
    /// Contents that the card damaged: a restore gives the version before.
    damaged: BTreeSet<Digest>,
    /// Contents of which some path got a later version, by its owner's will.
    superseded: BTreeSet<Digest>,
    /// What last lay at a path by its owner's will.
    last: BTreeMap<String, Digest>,
    /// Paths from which a message ever vanished: wanted back, by a stick that knows no better.
    pub(crate) vanished: BTreeSet<String>,
    /// The catalogue was lost or is older than it was: who removed what is not known any more.
    pub(crate) amnesia: bool,
}

impl Oracle {
    /// A content is at a path from now on: what was there before, if anything, is an older version now.
    pub(crate) fn put(&mut self, path: &str, octets: &[u8]) {
        let digest = self.note(path, octets);
        match self.last.insert(path.to_owned(), digest) {
            Some(last) if last != digest => drop(self.superseded.insert(last)),
            _ => {}
        }
    }

    fn note(&mut self, path: &str, octets: &[u8]) -> Digest {
        let digest = Digest::of(octets);
        self.contents.entry(digest).or_insert_with(|| Arc::new(octets.to_vec()));
        self.ever.entry(path.to_owned()).or_default().insert(digest);
        digest
    }

    /// Whatever was at a path has left it for something else, by its owner's will.
    pub(crate) fn supersede(&mut self, path: &str) {
        self.superseded.extend(self.last.get(path));
    }

    /// What is at a path now is what a failing card made of a message.
    pub(crate) fn damage(&mut self, path: &str, octets: &[u8]) {
        let digest = self.note(path, octets);
        self.damaged.insert(digest);
    }

    /// Every path that ever had a message.
    pub(crate) fn paths(&self) -> impl Iterator<Item = &str> {
        self.ever.keys().map(String::as_str)
    }

    pub(crate) fn is_damaged(&self, octets: &[u8]) -> bool {
        self.damaged.contains(&Digest::of(octets))
    }

    /// The program says of a stick that it holds these.
    pub(crate) fn told(&self, promised: &mut Promised, claims: &[Claim], image: &Image) -> Held {
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
            promised.copies.insert(claim.payload.clone(), Arc::clone(content));
            promised.contents.insert(claim.identity.digest);
        }
        self.still_there(promised, image)
    }

    /// Held against what is durable on the stick.
    pub(crate) fn still_there(&self, promised: &mut Promised, image: &Image) -> Held {
        if promised.lied {
            return Ok(());
        }
        let file = |path: &str| image.file(&format!("{HOME}{path}"), Junk::Zeros);
        for (payload, content) in &promised.copies {
            if promised.excused.contains(payload) {
                continue;
            }
            match file(payload) {
                Some(octets) if octets == **content => {}
                Some(_) => return broken(LOST, format!("{payload} has other octets")),
                None => return broken(LOST, format!("{payload} is not there")),
            }
        }
        let ledger = file("ledger.jsonl").unwrap_or_default();
        if !promised.ledger_spoilt && !ledger.starts_with(&promised.ledger) {
            let differ = ledger.iter().zip(&promised.ledger).position(|(is, was)| is != was);
            let (was, is) = (promised.ledger.len(), ledger.len());
            return broken(
                RECORD,
                format!("of {was} octets the ledger has {is}, the first other at {differ:?}"),
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
            copies.map(|(path, octets)| (path[HOME.len()..].to_owned(), octets)).collect();
        if !promised.manifest_spoilt {
            let listed = listed(&file("manifest-sha256.txt").unwrap_or_default());
            for (payload, content) in &promised.copies {
                let right = listed.get(payload) == Some(&vec![Digest::of(content)]);
                if !right && !promised.excused.contains(payload) {
                    return broken(WHOLE, format!("{payload} is called good and not listed once"));
                }
            }
        }
        Ok(())
    }

    /// What a restore from sticks gave, into an empty folder, with removed messages.
    /// `unsure`: some ledger is not whole.
    pub(crate) fn restored(
        &self,
        from: &[&Promised],
        got: &BTreeMap<String, Vec<u8>>,
        unsure: bool,
    ) -> Held {
        let there: BTreeSet<Digest> = got.values().map(|octets| Digest::of(octets)).collect();
        // Where both logs are spoilt nothing tells what a copy should be.
        let told = |p: &&&Promised| !(p.lied || p.ledger_spoilt && p.manifest_spoilt);
        for promised in from.iter().filter(told) {
            let good = |digest: &Digest| {
                let whole = |(payload, content): (&String, &Arc<Vec<u8>>)| {
                    Digest::of(content) == *digest && !promised.excused.contains(payload)
                };
                promised.copies.iter().any(whole)
            };
            for digest in &promised.contents {
                let left = self.damaged.contains(digest) || self.superseded.contains(digest);
                if !left && good(digest) && !there.contains(digest) {
                    return broken(
                        LOST,
                        format!("{digest} was called mirrored and is not restored"),
                    );
                }
            }
        }
        self.none_false(got, unsure)
    }

    /// Nothing that a restore gave is other than it once was.
    pub(crate) fn none_false(&self, got: &BTreeMap<String, Vec<u8>>, unsure: bool) -> Held {
        // Where a ledger is broken nobody can tell what a cut left of a copy from a copy: both are handed out
        // under their number.
        for (path, octets) in
            got.iter().filter(|(path, _)| !unsure || !path.starts_with("recovered/"))
        {
            self.was(path, octets)?;
        }
        Ok(())
    }

    /// A file that a restore gave was once so.
    fn was(&self, path: &str, octets: &[u8]) -> Held {
        let digest = Digest::of(octets);
        let once = match path.starts_with("recovered/") {
            true => self.contents.contains_key(&digest),
            false => self.ever.get(path).is_some_and(|ever| ever.contains(&digest)),
        };
        match once {
            true => Ok(()),
            false => broken(FALSE, format!("restore gave {path}, which never was so")),
        }
    }

    /// After everything was mended, a restore from one stick, without removed messages, is the mailbox.
    pub(crate) fn same(
        &self,
        mailbox: &BTreeMap<String, Vec<u8>>,
        got: &BTreeMap<String, Vec<u8>>,
    ) -> Held {
        for (path, octets) in mailbox {
            match got.get(path) {
                Some(there) if there == octets => {}
                Some(_) if self.is_damaged(octets) => {}
                Some(_) => return broken(HEALED, format!("{path} is restored with other octets")),
                None => return broken(HEALED, format!("{path} is not restored")),
            }
        }
        let surplus = got.keys().find(|path| {
            !mailbox.contains_key(*path)
                && !self.amnesia
                && !self.vanished.contains(*path)
                && !path.starts_with("recovered/")
        });
        match surplus {
            Some(path) => broken(FALSE, format!("{path} was removed, and is restored")),
            None => Ok(()),
        }
    }
}

impl Promised {
    /// The stick lost what it had called durable: only what is left of it is promised from here on.
    pub(crate) fn after_a_lie(&mut self, image: &Image) {
        let file = |path: &str| image.file(&format!("{HOME}{path}"), Junk::Zeros);
        self.lied = true;
        self.lies += 1;
        self.copies.retain(|payload, was| file(payload).as_ref() == Some(&**was));
        self.seen.retain(|payload, was| file(payload).as_ref() == Some(was));
        self.ledger = file("ledger.jsonl").unwrap_or_default();
    }

    /// Nothing was ever said of it.
    pub(crate) fn is_new(&self) -> bool {
        self.copies.is_empty()
    }

    pub(crate) fn is_spoilt(&self) -> bool {
        self.ledger_spoilt || self.manifest_spoilt || self.lies > 0 || !self.excused.is_empty()
    }
}

/// Whether every line of a ledger follows the one before: `hash` is the SHA-256 of the hash of the line before,
/// zeros before the first, and the line's own text up to `,"hash":` (DEVELOPERS.md, the ledger's format).
pub(crate) fn is_chain(ledger: &[u8]) -> bool {
    let mut head = "0".repeat(64);
    for line in ledger.split_inclusive(|&octet| octet == b'\n') {
        let at = line.windows(9).rposition(|window| window == b",\"hash\":\"");
        let Some(text) = at.and_then(|at| line.get(..at)) else { return false };
        head = Digest::of(&[head.as_bytes(), text].concat()).to_string();
        if line[text.len()..] != *format!(",\"hash\":\"{head}\"}}\n").as_bytes() {
            return false;
        }
    }
    !ledger.is_empty()
}

/// A manifest, line by line, as RFC 8493 section 2.1.3 has it: a digest, blanks, a path.
pub(crate) fn listed(manifest: &[u8]) -> BTreeMap<String, Vec<Digest>> {
    let mut listed: BTreeMap<String, Vec<Digest>> = BTreeMap::new();
    for line in manifest.split(|&octet| octet == b'\n') {
        let Ok(line) = std::str::from_utf8(line) else { continue };
        let Some((digest, path)) = line.split_once(' ') else { continue };
        if let Ok(digest) = digest.parse() {
            listed.entry(path.trim_start().to_owned()).or_default().push(digest);
        }
    }
    listed
}
