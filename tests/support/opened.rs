//! How often files are opened, as the kernel reports it.

use rustix::fs::inotify;
use std::collections::BTreeMap;
use std::mem::MaybeUninit;
use std::path::Path;

/// Counts how often the files of a folder are opened; a look that opens nothing does not count.
pub(crate) struct Opened {
    watch: rustix::fd::OwnedFd,
    times: BTreeMap<String, usize>,
}

impl Opened {
    pub(crate) fn in_folder(folder: &Path) -> Self {
        let watch = inotify::init(inotify::CreateFlags::NONBLOCK).unwrap();
        inotify::add_watch(&watch, folder, inotify::WatchFlags::OPEN).unwrap();
        Self { watch, times: BTreeMap::new() }
    }

    /// By name; a file that was never opened is absent.
    pub(crate) fn times(&mut self) -> &BTreeMap<String, usize> {
        let mut buffer = [MaybeUninit::uninit(); 4_096];
        let mut events = inotify::Reader::new(&self.watch, &mut buffer);
        while let Ok(event) = events.next() {
            assert!(!event.events().contains(inotify::ReadFlags::QUEUE_OVERFLOW));
            let Some(name) = event.file_name() else { continue };
            *self.times.entry(name.to_str().unwrap().to_owned()).or_default() += 1;
        }
        &self.times
    }
}
