//! A bar on a terminal for whatever takes longer than a second.
//! Never on standard output, and nothing where no person watches.

use super::output::Output;
use crate::job::Progress;
use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};
use std::io::IsTerminal as _;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::{Duration, Instant};

/// Counts what is done; draws once a second has passed.
pub(super) struct Bar {
    bar: ProgressBar,
    begun: Instant,
    bytes: AtomicU64,
}

impl Bar {
    /// For a whole of this many messages.
    pub(super) fn new(output: &Output, what: &'static str, messages: u64) -> Self {
        let bar = ProgressBar::with_draw_target(Some(messages), ProgressDrawTarget::hidden());
        let style = ProgressStyle::with_template("{prefix} {wide_bar} {pos} of {len}, {eta} left");
        bar.set_style(style.unwrap_or_else(|_| ProgressStyle::default_bar()));
        bar.set_prefix(what);
        let watched = !output.is_quiet() && std::io::stderr().is_terminal();
        let begun =
            if watched { Instant::now() } else { Instant::now() + Duration::from_secs(1 << 32) };
        Self { bar, begun, bytes: AtomicU64::new(0) }
    }

    /// Takes the bar away.
    pub(super) fn end(&self) {
        self.bar.finish_and_clear();
    }
}

impl Progress for Bar {
    fn advance(&self, messages: u64, bytes: u64) {
        self.bar.inc(messages);
        self.bytes.fetch_add(bytes, Ordering::Relaxed);
        if self.bar.is_hidden() && self.begun.elapsed() > Duration::from_secs(1) {
            self.bar.set_draw_target(ProgressDrawTarget::stderr());
        }
    }
}
