//! The event of a mount: one thread that sleeps in the kernel until something is mounted or unmounted.

use crate::daemon::events::LoopEvent;
use crate::disk::{DiskError, mounts::MountWatch};
use tokio::sync::mpsc::Sender;

/// Starts the thread. It ends with the process, or at the first mount after the daemon has ended.
pub(in crate::daemon) fn watch_mounts(events: Sender<LoopEvent>) -> Result<(), DiskError> {
    let watch = MountWatch::new()?;
    let run = move || {
        while watch.wait().is_ok() {
            if events.blocking_send(LoopEvent::DrivesChanged).is_err() {
                return;
            }
        }
    };
    if let Err(error) = std::thread::Builder::new().name("mounts".into()).spawn(run) {
        tracing::warn!(%error, "no thread to watch mounts: drives are looked for by the timer only");
    }
    Ok(())
}
