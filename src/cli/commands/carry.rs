//! What drives carry in addition to the copies. `mirror` writes it once its verdict is given, so that nobody waits for
//! it but whoever wants to pull the stick. Never changes the verdict.

use super::config_back::for_a_stick;
use crate::cli::Exit;
use crate::cli::config::Carry;
use crate::cli::notices;
use crate::cli::output::Output;
use crate::cli::report::{index::Index, mirror};
use crate::cli::resolved::Resolved;
use crate::daemon::clock::SystemClock;
use crate::disk::{bundled_programs, host};
use crate::job::catalogue::Catalogue;
use crate::job::extras::{Extras, ExtrasOutcome, Pages, carried_program, write_extras_of_drive};
use crate::job::mirror::PassReport;
use crate::job::replica::PresentDrives;
use crate::job::sync_drive::SyncOutcome;
use crate::job::{DriveRef, JobError, Progress};
use crate::model::bag::CarriedProgram;
use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

/// After a signal, what was begun may take so long to end: a stick that hangs holds up nobody for longer.
const STOP_PATIENCE: Duration = Duration::from_secs(10);

static STOPPED: AtomicBool = AtomicBool::new(false);

/// Ends what is written when a signal comes.
struct UntilStopped;

impl Progress for UntilStopped {
    fn advance(&self, _: u64, _: u64) {}

    fn stop(&self) -> bool {
        STOPPED.load(Ordering::Relaxed)
    }
}

/// What a drive is to carry in addition to the copies.
pub(super) fn extras(resolved: &Resolved) -> Extras {
    let carries = |what| resolved.config.drives.carry.contains(&what);
    Extras {
        config: carries(Carry::Config).then(|| for_a_stick(resolved)),
        pages: carries(Carry::Index).then(|| Arc::new(Index) as Arc<dyn Pages>),
        programs: if carries(Carry::Program) { bundled_programs::programs() } else { Vec::new() },
    }
}

/// The programs that drives carry, for the operator to note what they must be. One that cannot be read is on no drive.
pub(super) fn programs(resolved: &Resolved) -> Vec<CarriedProgram> {
    extras(resolved).programs.iter().filter_map(|program| carried_program(program).ok()).collect()
}

/// Brings it up to date on every drive that took messages and has all of them, one thread a drive. A signal ends it,
/// with the exit code of the verdict.
pub(super) fn carry(
    resolved: &Resolved,
    drives: &[DriveRef],
    outcomes: &[SyncOutcome],
    state: &Path,
    exit: Exit,
    output: &Output,
) {
    let complete = drives.iter().zip(outcomes);
    let complete =
        complete.filter(|(_, sync)| sync.outcome.as_ref().is_ok_and(PassReport::has_completed));
    let complete: Vec<_> = complete.map(|(drive, _)| drive).collect();
    if complete.is_empty() {
        return;
    }
    let labels = complete.iter().map(|drive| &*drive.label).collect::<Vec<_>>().join(", ");
    let (output, stopping) = (*output, mirror::stops_carrying(&labels));
    let signals = super::when_stopped(move || {
        STOPPED.store(true, Ordering::Relaxed);
        output.notice(stopping);
        std::thread::sleep(STOP_PATIENCE);
        std::process::exit(exit as i32);
    });
    if let Err(error) = signals {
        // Then a signal ends the process at once.
        tracing::debug!(%error, "a signal is not waited for");
    }
    output.notice(mirror::still_carrying(&labels));
    let (extras, present_drives) = (extras(resolved), PresentDrives::default());
    let one = |drive: &DriveRef| -> Result<ExtrasOutcome, JobError> {
        // Of the processor and the disk, others go first: the kernel takes the priority of requests from that of the
        // thread (ioprio_set(2)). Its idle class has no call without unsafe code.
        host::let_others_go_first();
        let ((catalogue, _), clock) = (Catalogue::open(state)?, SystemClock::new());
        let name = &resolved.station;
        write_extras_of_drive(
            &catalogue,
            name,
            drive,
            &present_drives,
            &clock,
            &extras,
            &UntilStopped,
        )
    };
    std::thread::scope(|scope| {
        for drive in complete {
            scope.spawn(|| match one(drive) {
                Ok(done) if done.stopped => {}
                Ok(_) => output.notice(mirror::carried(&drive.label)),
                // The messages are safe all the same.
                Err(error) => output.notice(notices::not_carried(&drive.label, &error)),
            });
        }
    });
}
