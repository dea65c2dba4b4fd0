//! The interface through which a job reports progress and learns that it has to stop. Waits for nobody but a scan
//! that it follows.

/// Receives progress, so that a person sees a bar and a watchdog is fed. Called often, from the
/// thread that works: must be quick.
pub trait Progress: Send + Sync {
    /// So many more of the whole are done.
    fn advance(&self, messages: u64, bytes: u64);
    /// Whether the work should end at the next safe point.
    fn stop(&self) -> bool {
        false
    }
    /// A run over all changes known so far begins. Returns whether a scan is under way that will bring more.
    fn begin_run(&self) -> bool {
        false
    }
    /// That run is over: waits until there are more changes, or the scan has ended.
    fn wait_for_more(&self) {}
}

/// Progress that goes nowhere, and never asks to stop.
#[derive(Debug, Clone, Copy)]
pub struct Unwatched;

impl Progress for Unwatched {
    fn advance(&self, _: u64, _: u64) {}
}
