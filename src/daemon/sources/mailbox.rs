//! Hints from the kernel about changes in a mailbox's tree, and about folders that may come and go.
//! Only hints: when they overflow, fail or are unclear, the event asks for a scan of everything.

use crate::daemon::events::LoopEvent;
use crate::model::RelName;
use crate::model::escape;
use notify::event::{CreateKind, ModifyKind, RenameMode};
use notify::{Config, EventKind, RecommendedWatcher, RecursiveMode, Watcher as _};
use std::os::unix::ffi::OsStrExt as _;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use tokio::sync::mpsc::Sender;
use tokio::sync::mpsc::error::TrySendError;

/// A watch on a mailbox's tree. Ends when it is dropped.
pub(in crate::daemon) struct MailboxWatch {
    _watcher: RecommendedWatcher,
}

impl MailboxWatch {
    /// Begins to watch; the error says why the kernel gives no hints.
    pub(in crate::daemon) fn new(mailbox: usize, root: &Path, to: Hints) -> Result<Self, String> {
        let root = root.to_owned();
        let watched = root.clone();
        let handler = move |result: notify::Result<notify::Event>| {
            for event in hints(mailbox, &root, result) {
                to.send(event);
            }
        };
        let config = Config::default().with_follow_symlinks(false);
        let mut watcher = RecommendedWatcher::new(handler, config).map_err(|e| e.to_string())?;
        watcher.watch(&watched, RecursiveMode::Recursive).map_err(|e| e.to_string())?;
        Ok(Self { _watcher: watcher })
    }
}

/// Sends hints to the loop. Never waits, since it is used in callbacks.
#[derive(Clone)]
pub(in crate::daemon) struct Hints {
    events: Sender<LoopEvent>,
    /// Set when a hint found no room in the channel; the loop then scans everything.
    lost: Arc<AtomicBool>,
}

impl Hints {
    pub(in crate::daemon) fn new(events: Sender<LoopEvent>) -> Self {
        Self { events, lost: Arc::default() }
    }

    fn send(&self, event: LoopEvent) {
        if let Err(TrySendError::Full(_)) = self.events.try_send(event) {
            self.lost.store(true, Ordering::Relaxed);
        }
    }

    /// Whether hints were lost since the last call.
    pub(in crate::daemon) fn were_lost(&self) -> bool {
        self.lost.swap(false, Ordering::Relaxed)
    }
}

fn hints(mailbox: usize, root: &Path, result: notify::Result<notify::Event>) -> Vec<LoopEvent> {
    let event = match result {
        Ok(event) if !event.need_rescan() => event,
        _ => return vec![LoopEvent::Doubt(mailbox)],
    };
    let name =
        |path: &PathBuf| RelName::new(path.strip_prefix(root).ok()?.as_os_str().as_bytes()).ok();
    let touched = |path| name(path).map(|name| LoopEvent::Touched(mailbox, name));
    let gone = |path| name(path).map(|name| LoopEvent::Gone(mailbox, name));
    match event.kind {
        // Files may come into a new folder before it is watched.
        EventKind::Create(CreateKind::Folder) => vec![LoopEvent::NewFolder(mailbox)],
        EventKind::Create(_)
        | EventKind::Access(notify::event::AccessKind::Close(notify::event::AccessMode::Write))
        | EventKind::Modify(ModifyKind::Name(RenameMode::To)) => {
            event.paths.iter().filter_map(touched).collect()
        }
        EventKind::Remove(_) | EventKind::Modify(ModifyKind::Name(RenameMode::From)) => {
            event.paths.iter().filter_map(gone).collect()
        }
        EventKind::Modify(ModifyKind::Name(RenameMode::Both)) => {
            let (from, to) =
                (event.paths.first().and_then(gone), event.paths.get(1).and_then(touched));
            from.into_iter().chain(to).collect()
        }
        EventKind::Modify(ModifyKind::Name(_)) => vec![LoopEvent::Doubt(mailbox)],
        _ => Vec::new(),
    }
}

/// Watches the folder above some others, to learn when these come, go or are replaced.
pub(in crate::daemon) struct FolderWatch {
    _watcher: RecommendedWatcher,
}

impl FolderWatch {
    /// Begins to watch; `event_of` makes the event for the changed folder with an index in `folders`.
    pub(in crate::daemon) fn new(
        folders: &[PathBuf],
        event_of: impl Fn(usize) -> LoopEvent + Send + 'static,
        to: Hints,
    ) -> Result<Self, String> {
        let parents: Vec<PathBuf> =
            folders.iter().filter_map(|f| f.parent()).map(Path::to_owned).collect();
        let watched = folders.to_vec();
        let handler = move |result: notify::Result<notify::Event>| {
            let changed: Vec<usize> = match result {
                Ok(event) if !event.need_rescan() => {
                    let came_or_went = matches!(
                        event.kind,
                        EventKind::Create(_)
                            | EventKind::Remove(_)
                            | EventKind::Modify(ModifyKind::Name(_))
                    );
                    let named = |folder: &PathBuf| came_or_went && event.paths.contains(folder);
                    (0..watched.len()).filter(|n| named(&watched[*n])).collect()
                }
                _ => (0..watched.len()).collect(),
            };
            for number in changed {
                to.send(event_of(number));
            }
        };
        let config = Config::default().with_follow_symlinks(false);
        let mut watcher = RecommendedWatcher::new(handler, config).map_err(|e| e.to_string())?;
        for parent in parents {
            // The timer finds what changes in folders that cannot be watched.
            if let Err(error) = watcher.watch(&parent, RecursiveMode::NonRecursive) {
                tracing::debug!(folder = escape::shown_path(&parent), %error, "not watched");
            }
        }
        Ok(Self { _watcher: watcher })
    }
}
