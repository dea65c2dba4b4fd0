//! Where a restore puts each mailbox: `--into`, or where the config or an option has a mailbox of that name, or where
//! a person says when asked.
//! Never goes by what a stick alone says, and never into a home, what is above one, or a folder of the system.

use super::sources::Sources;
use super::typed_again::typed_again;
use crate::cli::args::RestoreArgs;
use crate::cli::notices::CliError;
use crate::cli::output::Output;
use crate::cli::report;
use crate::cli::resolved::Resolved;
use crate::cli::shell::option;
use crate::disk::{Reserved, ReservedFolders, leads_to};
use crate::job::MailboxRef;
use crate::job::catalogue::MailboxRowId;
use crate::job::report::inventory::inventory;
use crate::job::restore::{MailboxTarget, RestoreSources};
use crate::model::{MailboxName, escape};
use std::ffi::OsStr;
use std::os::unix::ffi::OsStrExt as _;
use std::path::{Component, Path, PathBuf};

/// A station has a few mailboxes. Of more that nobody has named no questions are asked.
const QUESTIONS_MAX: usize = 16;

/// What is asked for, and what it is asked of.
pub(super) struct TargetRequest<'a> {
    pub resolved: &'a Resolved,
    pub args: &'a RestoreArgs,
    pub restore_sources: &'a RestoreSources,
    pub sources: &'a mut Sources,
    /// The mailboxes of a config that a person has agreed to.
    pub agreed: &'a [MailboxRef],
}

/// Where each mailbox goes.
pub(super) fn targets(
    asked: &mut TargetRequest<'_>,
    output: &Output,
) -> Result<Vec<MailboxTarget>, CliError> {
    let listed =
        asked.restore_sources.catalogue.recorded_mailboxes_of(&asked.restore_sources.station)?;
    let mut mailbox_targets = Vec::new();
    let mut unnamed = Vec::new();
    if let (Some(into), true) = (&asked.args.into, listed.len() > 1) {
        // What lies above all of them is a place for mail too.
        allowed(asked.resolved, into)?;
        mailbox_targets.extend(listed.into_iter().map(|(row, name)| {
            let path = into.join(name.as_str());
            MailboxTarget { row, name, path }
        }));
    } else {
        for (row, name) in listed {
            let path = match (&asked.args.into, asked.named(&name)) {
                (Some(path), _) => Some(path.clone()),
                (None, Some(named)) => Some(named),
                (None, None) => asked.named_otherwise(row)?,
            };
            match path {
                Some(path) => mailbox_targets.push(MailboxTarget { row, name, path }),
                None => unnamed.push((row, name)),
            }
        }
    }
    let open = asked.open(unnamed)?;
    if mailbox_targets.is_empty() && open.is_empty() {
        mailbox_targets.push(target_of_numbered(asked)?);
    }
    if !open.is_empty() {
        mailbox_targets.extend(asked.targets_of_unnamed(open, &mailbox_targets, output)?);
        mailbox_targets.sort_by(|one, other| one.name.cmp(&other.name));
    }
    // A rehearsal writes to a temporary folder of its own, and looks at the mailboxes where they are.
    if !asked.args.rehearse {
        with_links_resolved(asked.resolved, &mailbox_targets)?;
    }
    Ok(mailbox_targets)
}

/// The same by where the paths lead now: what becomes of a link after that changes nothing any more.
pub(super) fn with_links_resolved(
    resolved: &Resolved,
    mailbox_targets: &[MailboxTarget],
) -> Result<Vec<MailboxTarget>, CliError> {
    let reserved = reserved(resolved);
    let lead = |mailbox_target: &MailboxTarget| {
        Ok(MailboxTarget {
            path: allowed_by(&reserved, &mailbox_target.path)?,
            ..mailbox_target.clone()
        })
    };
    mailbox_targets.iter().map(lead).collect()
}

/// The mailboxes that config or options name, for a restore of one message at its place.
pub(super) fn named_targets(asked: &TargetRequest<'_>) -> Result<Vec<MailboxTarget>, CliError> {
    let listed =
        asked.restore_sources.catalogue.recorded_mailboxes_of(&asked.restore_sources.station)?;
    let named = listed.into_iter().filter_map(|(row, name)| {
        let path = asked.named(&name)?;
        Some(MailboxTarget { row, name, path })
    });
    Ok(named.collect())
}

/// A mailbox of which nobody but sticks says where it goes.
struct Unresolved {
    row: MailboxRowId,
    name: MailboxName,
    stated: StatedRoots,
}

/// What the sticks say of where a mailbox was.
enum StatedRoots {
    /// All the same folder, which a person can take with a yes.
    Usual(PathBuf),
    /// Folders that a person has to type, each with the stick that says so, to be shown.
    Others(Vec<(String, String)>),
}

impl TargetRequest<'_> {
    fn is_of_another_station(&self) -> bool {
        let configured = self.resolved.configured.as_ref();
        configured.is_some_and(|own| *own != self.restore_sources.station)
    }

    /// Whether the mailboxes of the config are another station's: its mail never goes into this one's because both
    /// are called alike.
    pub(super) fn leaves_own_mailboxes_out(&self) -> bool {
        self.is_of_another_station() && self.args.scope.mailbox.is_empty()
    }

    /// Where a person has named a mailbox of that name.
    fn named(&self, name: &MailboxName) -> Option<PathBuf> {
        let own = match self.leaves_own_mailboxes_out() {
            true => &[][..],
            false => &self.resolved.mailboxes,
        };
        let agreed = self.agreed.iter().filter(|mailbox| is_usual(&mailbox.path));
        own.iter().chain(agreed).find(|m| m.name == *name).map(|m| m.path.clone())
    }

    /// The folder of a mailbox that config or options name, where all sticks say that this one was there: it had
    /// another name then. Whatever a stick says, its mail goes to a mailbox.
    fn named_otherwise(&self, row: MailboxRowId) -> Result<Option<PathBuf>, CliError> {
        if self.leaves_own_mailboxes_out() {
            return Ok(None);
        }
        let roots = self.restore_sources.catalogue.roots(&self.restore_sources.station, row)?;
        let root = |raw: &[u8]| leads_to(Path::new(OsStr::from_bytes(raw)));
        let Some(first) = roots.first().map(|(_, raw)| root(raw)) else { return Ok(None) };
        if roots.iter().any(|(_, raw)| raw.first() != Some(&b'/') || root(raw) != first) {
            return Ok(None);
        }
        let mut named = self.resolved.mailboxes.iter().map(|mailbox| &mailbox.path);
        Ok(named.find(|path| leads_to(path) == first).cloned())
    }

    /// What the sticks say of them.
    fn open(&self, unnamed: Vec<(MailboxRowId, MailboxName)>) -> Result<Vec<Unresolved>, CliError> {
        if unnamed.len() > QUESTIONS_MAX {
            return Err(CliError::usage(format!(
                "the sticks list {} mailboxes that neither config nor options name. Nothing was written. To put \
                 them all into a new folder, type:\n  {}",
                unnamed.len(),
                self.command(" --into DIR")
            )));
        }
        let open = |(row, name)| Ok(Unresolved { row, stated: self.stated_by_sticks(row)?, name });
        unnamed.into_iter().map(open).collect()
    }

    fn stated_by_sticks(&self, row: MailboxRowId) -> Result<StatedRoots, CliError> {
        let mut roots = self.restore_sources.catalogue.roots(&self.restore_sources.station, row)?;
        roots.retain(|(_, root)| root.starts_with(b"/"));
        if let Some((_, first)) = roots.first()
            && roots.iter().all(|(_, root)| root == first)
        {
            let path = PathBuf::from(OsStr::from_bytes(first));
            let is_plain = escape::shown(first).as_bytes() == first.as_slice();
            if is_plain && is_usual(&path) && !is_reserved(self.resolved, &path) {
                return Ok(StatedRoots::Usual(path));
            }
        }
        let said = roots.into_iter().map(|(replica, root)| {
            let drive = self.restore_sources.drives.iter().find(|drive| drive.state.row == replica);
            let drive = drive.map(|drive| drive.volume.facts().shown.clone());
            (drive.unwrap_or_default(), escape::shown(&root))
        });
        Ok(StatedRoots::Others(said.collect()))
    }

    /// Where those go that nobody has named.
    fn targets_of_unnamed(
        &mut self,
        open: Vec<Unresolved>,
        named: &[MailboxTarget],
        output: &Output,
    ) -> Result<Vec<MailboxTarget>, CliError> {
        if self.args.rehearse {
            return open.into_iter().map(|open| self.target_by_stated_root(open)).collect();
        }
        let may_ask = !self.args.scope.json && output.can_ask() && !self.leaves_own_mailboxes_out();
        if !may_ask {
            return Err(self.refusal(&open, named));
        }
        self.show(output)?;
        let mut mailbox_targets = Vec::new();
        for Unresolved { row, name, stated } in open {
            let path = ask(&name, &stated, output)?;
            mailbox_targets.push(MailboxTarget { row, name, path });
        }
        self.sources.are_confirmed();
        Ok(mailbox_targets)
    }

    /// A rehearsal writes nothing there: it only compares.
    fn target_by_stated_root(&self, open: Unresolved) -> Result<MailboxTarget, CliError> {
        match open.stated {
            StatedRoots::Usual(path) if !self.leaves_own_mailboxes_out() => {
                Ok(MailboxTarget { row: open.row, name: open.name, path })
            }
            _ => Err(self.refusal(&[open], &[])),
        }
    }

    /// What the sticks hold, before anything is asked.
    fn show(&self, output: &Output) -> Result<(), CliError> {
        let inventory = inventory(self.restore_sources)?;
        for line in report::inventory::station(&inventory) {
            output.notice(line);
        }
        Ok(())
    }

    /// Says what to type.
    fn refusal(&self, open: &[Unresolved], named: &[MailboxTarget]) -> CliError {
        let station = &self.restore_sources.station;
        if self.leaves_own_mailboxes_out() {
            let command = self.command(" --into DIR");
            return CliError::usage(format!(
                "station {station} is not this one: its mail is kept apart. Nothing was written. Type, with a folder \
                 for it:\n  {command}"
            ));
        }
        let mut said = vec!["A stick alone does not say where mail is written.".to_owned()];
        for Unresolved { name, stated, .. } in open {
            said.push(match stated {
                StatedRoots::Usual(path) => {
                    format!("Mailbox {name} was in {}, say the sticks.", escape::shown_path(path))
                }
                StatedRoots::Others(stated) if stated.is_empty() => {
                    format!("Where mailbox {name} was is not known.")
                }
                StatedRoots::Others(stated) => {
                    let stated = stated.iter().map(|(drive, at)| format!("{at}, says {drive}"));
                    format!("Mailbox {name} was in {}.", stated.collect::<Vec<_>>().join("; in "))
                }
            });
        }
        // Mailboxes that are typed take the place of the config's.
        let typed = !self.args.scope.mailbox.is_empty();
        let named = named
            .iter()
            .filter(|_| !typed)
            .map(|mailbox_target| (&mailbox_target.name, Some(&mailbox_target.path)));
        let open = open.iter().map(|open| match &open.stated {
            StatedRoots::Usual(path) => (&open.name, Some(path)),
            StatedRoots::Others(_) => (&open.name, None),
        });
        let options = named.chain(open).map(|(name, path)| {
            let path = path.map_or(OsStr::new("DIR"), |path| path.as_os_str());
            let mut value = std::ffi::OsString::from(format!("{name}="));
            value.push(path);
            option("--mailbox", &value)
        });
        let command = self.command(&options.collect::<String>());
        CliError::usage(format!(
            "{} Nothing was written. Type, with the right folders:\n  {command}\n\
             Or put all of it into a new folder: --into DIR",
            said.join(" ")
        ))
    }

    fn command(&self, more: &str) -> String {
        typed_again(self.resolved, self.args, &format!("{}{more}", self.sources.options()))
    }
}

/// Folders that are kept from mail: this program's own among them, since it believes what is there.
fn reserved(resolved: &Resolved) -> ReservedFolders {
    ReservedFolders::of_host(std::slice::from_ref(&resolved.state))
}

/// Whether no mail goes into a folder, whoever names it.
pub(super) fn is_reserved(resolved: &Resolved, path: &Path) -> bool {
    reserved(resolved).why(&leads_to(path)).is_some()
}

/// Where a path leads; refused, whoever names it, if no mail goes there.
pub(super) fn allowed(resolved: &Resolved, path: &Path) -> Result<PathBuf, CliError> {
    allowed_by(&reserved(resolved), path)
}

fn allowed_by(reserved: &ReservedFolders, path: &Path) -> Result<PathBuf, CliError> {
    let led_to = leads_to(path);
    let Some(why) = reserved.why(&led_to) else { return Ok(led_to) };
    let shown = match led_to == path {
        true => escape::shown_path(path),
        false => format!("{} (that is {})", escape::shown_path(path), escape::shown_path(&led_to)),
    };
    let why = match why {
        Reserved::Home => "it is a home",
        Reserved::AboveHome => "homes are in it",
        Reserved::System => "it is the system's",
        Reserved::Settings => "programs obey what is there",
    };
    Err(CliError::usage(format!(
        "mail is never put into {shown}: {why}. Nothing was written. Name a folder that is only for mail: --into DIR, \
         or --mailbox NAME=DIR"
    )))
}

/// Whether a yes is enough to believe a stick that mail was in that folder. What is hidden, and what is in no place
/// where mail usually is, a person has to type.
pub(super) fn is_usual(path: &Path) -> bool {
    const USUAL: [(&str, usize); 11] = [
        // Whoever has a home there is perhaps not a user of this card yet.
        ("/home", 2),
        ("/root", 1),
        ("/srv", 1),
        ("/mnt", 1),
        ("/media", 1),
        ("/run/media", 1),
        ("/tmp", 1),
        ("/var/local", 1),
        ("/var/mail", 1),
        ("/var/spool/mail", 1),
        ("/var/vmail", 1),
    ];
    let plain = |part: Component<'_>| match part {
        Component::RootDir => true,
        Component::Normal(name) => !name.as_bytes().starts_with(b"."),
        _ => false,
    };
    let below = |place: &str| path.strip_prefix(place).ok().map(|below| below.components().count());
    let is_usual =
        USUAL.iter().any(|(place, deep)| below(place).is_some_and(|parts| parts >= *deep));
    let led_to = leads_to(path);
    is_usual && path.components().all(plain) && led_to.components().all(plain)
}

/// Asks a person where a mailbox goes.
fn ask(name: &MailboxName, stated: &StatedRoots, output: &Output) -> Result<PathBuf, CliError> {
    let question = match stated {
        StatedRoots::Usual(path) => format!(
            "Mailbox {name} was in {}, say the sticks. Put its mail there? Type yes, or another folder: ",
            escape::shown_path(path)
        ),
        StatedRoots::Others(stated) => {
            for (drive, at) in stated {
                output.notice(format!("mailbox {name} was in {at}, says {drive}"));
            }
            format!("Which folder shall the mail of mailbox {name} go to? Type its path: ")
        }
    };
    let typed = output.ask(&question).unwrap_or_default();
    match (typed.as_str(), stated) {
        ("yes" | "y", StatedRoots::Usual(path)) => Ok(path.clone()),
        (typed, _) if typed.contains('/') => Ok(expand_home(typed)),
        _ => Err(CliError::usage(format!(
            "no folder was named for mailbox {name}. Nothing was written. Run the command again, and type {}the path \
             of a folder, such as ./restored",
            if matches!(stated, StatedRoots::Usual(_)) { "yes, or " } else { "" }
        ))),
    }
}

/// A path as a person types it, who is used to a shell.
fn expand_home(typed: &str) -> PathBuf {
    let home = std::env::var_os("HOME").map(PathBuf::from);
    match (typed.strip_prefix("~/"), home) {
        (Some(below), Some(home)) => home.join(below),
        _ => PathBuf::from(typed),
    }
}

/// Ledger lost: only numbers are known, and one target takes them.
fn target_of_numbered(asked: &TargetRequest<'_>) -> Result<MailboxTarget, CliError> {
    let first = asked.resolved.mailboxes.first().filter(|_| asked.args.rehearse);
    let (name, path) = match (first, &asked.args.into) {
        (Some(first), _) => (first.name.clone(), first.path.clone()),
        (None, Some(into)) => {
            let name = "mailbox".parse().map_err(|e| CliError::failed(format!("{e}")))?;
            (name, into.clone())
        }
        (None, None) => {
            let give = if asked.args.rehearse { " --mailbox DIR" } else { " --into DIR" };
            return Err(CliError::usage(format!(
                "the ledger is lost, so where the mailbox was is not known. Nothing was written. Type, with a folder \
                 for it:\n  {}",
                asked.command(give)
            )));
        }
    };
    let row = asked.restore_sources.catalogue.mailbox(&name, None)?;
    Ok(MailboxTarget { row, name, path })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_yes_is_enough_only_where_mail_usually_is() {
        for (path, expected) in [
            ("/home/op/mail", true),
            ("/var/mail/op", true),
            ("/etc/cron.d", false),
            ("/home", false),
            ("/home/op", false),
            ("/home/op/.ssh", false),
            ("/home/op/.config/autostart", false),
            ("/home/../etc", false),
            ("/opt/mail", false),
            ("/var/lib/mail", false),
            ("mail", false),
        ] {
            assert_eq!(is_usual(Path::new(path)), expected, "{path}");
        }
    }

    #[test]
    fn a_path_may_begin_with_the_sign_for_home() {
        let home = PathBuf::from(std::env::var_os("HOME").unwrap());
        assert_eq!(expand_home("~/mail"), home.join("mail"));
        assert_eq!(expand_home("/srv/~/mail"), PathBuf::from("/srv/~/mail"));
    }
}
