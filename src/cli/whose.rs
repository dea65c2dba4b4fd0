//! Root by hand trusts nobody's folders: a command that root types works as the user to whom state, mailboxes and
//! targets belong, or not at all. Never lets root open or write what another user may put something else in the
//! place of.

use super::notices::CliError;
use super::shell::quoted;
use crate::disk::host;
use crate::disk::ownership::{self, PathOwner, User};
use crate::job::MailboxRef;
use crate::model::escape;
use std::path::{Path, PathBuf};

/// What a command touches.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum PathUse {
    /// The config: it is read, so that root's own says nothing.
    Config,
    /// The state folder, of a command that only reads it.
    StateToRead,
    /// The state folder.
    State,
    /// A mailbox.
    Mailbox,
    /// A folder restored into.
    Target,
    /// The folder of a file for a person, which takes the place of one that is there.
    FolderOfFile,
}

impl PathUse {
    fn shown(self) -> &'static str {
        match self {
            Self::Config => "the config",
            Self::StateToRead | Self::State => "the state folder",
            Self::Mailbox => "the mailbox",
            Self::Target | Self::FolderOfFile => "the folder",
        }
    }

    /// Whether one that belongs to root does not keep another user from the work.
    fn is_neutral(self, holding: &PathOwner) -> bool {
        match self {
            Self::Config | Self::StateToRead => true,
            Self::Target | Self::FolderOfFile => holding.is_shared,
            Self::State | Self::Mailbox => false,
        }
    }
}

/// What a command touches: of what the config names, and in addition.
#[derive(Debug)]
pub(super) struct TouchedPaths<'p> {
    pub state: PathUse,
    pub mailboxes: bool,
    /// What is restored into.
    pub into: Option<&'p Path>,
    /// What is written for a person.
    pub files: Vec<PathBuf>,
    /// It unmounts at its end.
    pub keeps_root: bool,
}

impl Default for TouchedPaths<'_> {
    fn default() -> Self {
        let (state, mailboxes) = (PathUse::State, true);
        Self { state, mailboxes, into: None, files: Vec::new(), keeps_root: false }
    }
}

impl<'p> TouchedPaths<'p> {
    /// Looks at the state alone.
    pub(super) fn state_only() -> Self {
        Self { state: PathUse::StateToRead, mailboxes: false, ..Self::default() }
    }

    /// The default, and files for a person.
    pub(super) fn with_files(files: impl IntoIterator<Item = Option<&'p Path>>) -> Self {
        let files = files.into_iter().flatten().map(Path::to_owned).collect();
        Self { files, ..Self::default() }
    }

    /// Becomes the owner of it all, or refuses.
    pub(super) fn check(
        &self,
        config: Option<&Path>,
        state: &Path,
        mailboxes: &[MailboxRef],
    ) -> Result<(), CliError> {
        let folder = |file: &PathBuf| match file.parent() {
            Some(folder) if folder != Path::new("") => folder.to_owned(),
            _ => PathBuf::from("."),
        };
        let config = config.map(|path| (PathUse::Config, path.to_owned()));
        let mailboxes = mailboxes.iter().filter(|_| self.mailboxes);
        let mailboxes = mailboxes.map(|mailbox| (PathUse::Mailbox, mailbox.path.clone()));
        let into = self.into.map(|path| (PathUse::Target, path.to_owned()));
        let files = self.files.iter().map(|file| (PathUse::FolderOfFile, folder(file)));
        let state = [(self.state, state.to_owned())];
        let all = config.into_iter().chain(state).chain(mailboxes).chain(into).chain(files);
        work_as_owner(all.collect(), self.keeps_root)
    }
}

/// A path that is touched.
struct TouchedPath {
    kind: PathUse,
    path: PathBuf,
    holding: PathOwner,
}

impl TouchedPath {
    /// The other user than root that it belongs to, with a group; or the one who can replace it.
    fn foreign_owner(&self) -> Option<(u32, u32)> {
        let PathOwner { user, group, link, above, .. } = &self.holding;
        let above = above.filter(|_| self.kind.is_neutral(&self.holding));
        Some((*user, *group)).filter(|(user, _)| *user != 0).or_else(|| {
            // The group is the one of a user that is in no list.
            let link = link.filter(|user| *user != 0).map(|user| (user, user));
            link.or(above)
        })
    }
}

/// Who is to do it.
#[derive(Debug, PartialEq, Eq)]
enum WorkAs {
    /// Root itself: nothing is anybody else's.
    Root,
    /// The one user, of this number and group, to whom it belongs.
    User(u32, u32),
}

/// Before anything of these paths is opened: becomes their owner, where root asks and they have one. `keeps_root` for a
/// command that unmounts at its end.
pub(super) fn work_as_owner(
    paths: Vec<(PathUse, PathBuf)>,
    keeps_root: bool,
) -> Result<(), CliError> {
    if !host::is_root() {
        return Ok(());
    }
    let mut all = Vec::new();
    for (kind, path) in paths {
        let holding = ownership::path_owner(&path)?;
        all.push(TouchedPath { kind, path, holding });
    }
    match doer(&all)? {
        WorkAs::Root => all.iter().try_for_each(check_only_roots),
        WorkAs::User(id, group) => {
            let user = ownership::user(id, group);
            ownership::become_user(&user, keeps_root)
                .map_err(|error| CliError::usage(format!("{error}. {}", command(&user))))?;
            tracing::debug!("working as user {}", name(&user));
            Ok(())
        }
    }
}

fn doer(all: &[TouchedPath]) -> Result<WorkAs, CliError> {
    let foreign = || all.iter().filter_map(|touched| Some((touched, touched.foreign_owner()?)));
    let not_config = foreign().find(|(touched, _)| touched.kind != PathUse::Config);
    let Some((first, (id, group))) = not_config.or_else(|| foreign().next()) else {
        return Ok(WorkAs::Root);
    };
    for touched in all {
        let is_theirs = touched.holding.user == id
            || touched.holding.user == 0 && touched.kind.is_neutral(&touched.holding);
        let link_is_theirs = touched.holding.link.is_none_or(|user| user == id || user == 0);
        if !is_theirs || !link_is_theirs {
            return Err(of_several(first, touched, &ownership::user(id, group)));
        }
    }
    Ok(WorkAs::User(id, group))
}

/// Two paths of two users: it is not known as whom to work on both.
fn of_several(one: &TouchedPath, other: &TouchedPath, user: &User) -> CliError {
    let shown = |touched: &TouchedPath| {
        let owner = match (touched.holding.user, touched.holding.link) {
            (0, Some(link)) if link != 0 => link,
            (owner, _) => owner,
        };
        let owner = name(&ownership::user(owner, 0));
        let path = escape::shown_path(&touched.path);
        match touched.holding.is_there {
            true => format!("{} {path} belongs to {owner}", touched.kind.shown()),
            false => format!("{} {path} would belong to {owner}", touched.kind.shown()),
        }
    };
    CliError::usage(format!(
        "root does not work in another user's folders: {}, and {}. Nothing was done. {}",
        shown(one),
        shown(other),
        command(user)
    ))
}

/// Root stays root only where nobody else can put something in the place of what it opens.
fn check_only_roots(touched: &TouchedPath) -> Result<(), CliError> {
    let TouchedPath { kind, path, holding } = touched;
    let shown = format!("{} {}", kind.shown(), escape::shown_path(path));
    if holding.link.is_some() && *kind != PathUse::Config {
        return Err(CliError::usage(format!(
            "{shown} is a link, and root follows none there. Nothing was done. Name the folder that it leads to"
        )));
    }
    let is_open = holding.is_open && holding.is_there;
    let itself = is_open && !(*kind == PathUse::FolderOfFile && holding.is_shared);
    match holding.unsafe_at.as_deref().or(itself.then_some(path)) {
        Some(at) => Err(CliError::usage(format!(
            "{shown}: other users may change {}, so root does not use it. Nothing was done. Take that right away from \
             them (chmod, chown), name another folder, or work as the user whose mail it is: sudo -u USER \
             counterfoil ...",
            escape::shown_path(at)
        ))),
        None => Ok(()),
    }
}

fn name(user: &User) -> String {
    match &user.name {
        Some(name) => name.clone(),
        None => format!("#{}", user.id),
    }
}

/// The command as it was typed, to be typed as that user.
fn command(user: &User) -> String {
    let typed = std::env::args_os().skip(1).map(|word| quoted(&word));
    let typed: Vec<_> = typed.collect();
    let user = quoted(std::ffi::OsStr::new(&name(user)));
    format!("Type:\n  sudo -u {user} counterfoil {}", typed.join(" "))
}
