//! Recognises a message of a Maildir whose flags were changed since it was mirrored: the same unique name and the same
//! bytes, under another name. Never takes two messages for one because their names are alike.

use crate::disk::{DiskError, EntryStat, MessageFile, TargetDir, hash};
use crate::model::limits::{ALIKE_MAX, RESTORE_MAILDIR_BYTES};
use crate::model::{Identity, RelName};

/// The contents of the Maildirs that a restore writes to. Each is listed once, when the first of its messages is not at
/// its place: what the restore itself puts there later was not there before.
#[derive(Debug, Default)]
pub(super) struct Maildirs {
    /// The one used last, after those that contain it: messages come sorted by folder.
    open: Vec<Maildir>,
}

#[derive(Debug)]
struct Maildir {
    /// Its path; none for the folder restored into itself.
    folder: Option<RelName>,
    /// All names in it, one after the other.
    names: Vec<u8>,
    /// Sorted by their unique parts.
    parts: Vec<NameEntry>,
}

/// A name in a Maildir.
#[derive(Debug)]
struct NameEntry {
    /// Its offset in `names`.
    from: u32,
    length: u16,
    /// The length of its unique part.
    unique: u16,
    is_cur: bool,
}

impl Maildirs {
    /// Whether a message that belongs to a path is in its Maildir with other flags.
    pub(super) fn has_with_other_flags(
        &mut self,
        target: &TargetDir,
        path: &RelName,
        identity: &Identity,
    ) -> bool {
        let Some(maildir) = self.maildir_of(target, path) else { return false };
        // A file that cannot be read is no reason to leave out the message: better twice than not at all.
        let is_it = |name: RelName| match target.stat(&name) {
            Ok(EntryStat::File(facts)) if facts.bytes == identity.bytes => {
                target.open_existing(&name).and_then(hash_file).is_ok_and(|it| it == *identity)
            }
            _ => false,
        };
        maildir.with_unique_part(unique_part(path.last())).any(is_it)
    }

    fn maildir_of(&mut self, target: &TargetDir, path: &RelName) -> Option<&Maildir> {
        let folder = path.parent().filter(|at| [&b"cur"[..], b"new"].contains(&at.last()))?;
        let at = folder.parent();
        while self.open.last().is_some_and(|last| !is_within(at.as_ref(), last.folder.as_ref())) {
            self.open.pop();
        }
        if self.open.last().is_none_or(|last| last.folder != at) {
            let held: usize = self.open.iter().map(|maildir| maildir.names.len()).sum();
            let most = RESTORE_MAILDIR_BYTES.saturating_sub(held);
            self.open.push(Maildir::list(target, at, most));
        }
        self.open.last()
    }
}

impl Maildir {
    fn list(target: &TargetDir, at: Option<RelName>, most: usize) -> Self {
        let mut maildir = Self { folder: at, names: Vec::new(), parts: Vec::new() };
        // Without both folders it is no Maildir, and a name in it says nothing.
        if !["cur", "new"].iter().all(|name| target.has_folder(&maildir.folder(name))) {
            return maildir;
        }
        for (folder, is_cur) in [("cur", true), ("new", false)] {
            let folder = maildir.folder(folder);
            let (names, parts) = (&mut maildir.names, &mut maildir.parts);
            let listed = target.each_name(&folder, |name| {
                // The names beyond are not held: a message among them that has other flags is restored a second time.
                let fits = names.len() + name.len() <= most;
                if fits {
                    parts.push(NameEntry {
                        from: names.len() as u32,
                        length: name.len() as u16,
                        unique: unique_part(name).len() as u16,
                        is_cur,
                    });
                    names.extend_from_slice(name);
                }
                fits
            });
            if let Err(error) = listed {
                tracing::debug!(%error, "a Maildir could not be listed");
            }
        }
        let names = &maildir.names;
        maildir.parts.sort_unstable_by(|a, b| a.unique(names).cmp(b.unique(names)));
        maildir
    }

    fn folder(&self, name: &str) -> RelName {
        let name = RelName::fixed(name);
        self.folder.as_ref().map_or(name.clone(), |at| at.join(&name))
    }

    /// The locations of messages with a unique name; no Maildir has more than a few of one.
    fn with_unique_part<'a>(&'a self, unique: &'a [u8]) -> impl Iterator<Item = RelName> + 'a {
        let from = self.parts.partition_point(|part| part.unique(&self.names) < unique);
        let alike = self.parts[from..].iter().take(ALIKE_MAX as usize);
        alike.take_while(move |part| part.unique(&self.names) == unique).filter_map(|part| {
            let name = RelName::new(part.name(&self.names)).ok()?;
            Some(self.folder(if part.is_cur { "cur" } else { "new" }).join(&name))
        })
    }
}

impl NameEntry {
    fn name<'a>(&self, names: &'a [u8]) -> &'a [u8] {
        &names[self.from as usize..][..usize::from(self.length)]
    }

    fn unique<'a>(&self, names: &'a [u8]) -> &'a [u8] {
        &names[self.from as usize..][..usize::from(self.unique)]
    }
}

/// The part of a name that stays when flags are set: up to `:2,`.
fn unique_part(name: &[u8]) -> &[u8] {
    let end = name.windows(3).position(|w| w == b":2,").unwrap_or(name.len());
    &name[..end]
}

/// Whether a folder is, or lies in, another one; `None` is the folder that all lie in.
fn is_within(folder: Option<&RelName>, other: Option<&RelName>) -> bool {
    let Some(other) = other else { return true };
    let rest = folder.and_then(|folder| folder.as_bytes().strip_prefix(other.as_bytes()));
    rest.is_some_and(|rest| rest.first().is_none_or(|&b| b == b'/'))
}

/// Length and hash of a message.
pub(super) fn hash_file(mut file: MessageFile) -> Result<Identity, DiskError> {
    hash(&mut file, u64::MAX)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn flags_are_no_part_of_what_is_unique() {
        for (name, unique) in [
            (&b"17.M1.pier:2,S"[..], &b"17.M1.pier"[..]),
            (b"17.M1.pier:2,", b"17.M1.pier"),
            (b"17.M1.pier", b"17.M1.pier"),
            (b"17.M1.pier:1,x", b"17.M1.pier:1,x"),
            (b"", b""),
        ] {
            assert_eq!(unique_part(name), unique);
        }
    }

    #[test]
    fn a_folder_lies_in_itself_and_in_those_above_it() {
        let rel = |path: &str| RelName::new(path).ok();
        for (folder, other, expected) in [
            ("", "", true),
            ("a", "", true),
            ("a/b", "a", true),
            ("a", "a", true),
            ("", "a", false),
            ("ab", "a", false),
            ("b", "a", false),
        ] {
            let found = is_within(rel(folder).as_ref(), rel(other).as_ref());
            assert_eq!(found, expected, "{folder:?} in {other:?}");
        }
    }
}
