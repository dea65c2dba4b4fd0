//! Where a run keeps what it knows: the state folder, or a folder in memory while that cannot be written.
//! Never lets a full card, or one that may only be read, keep mail from being copied.

use crate::cli::notices::{self, CliError, StateNotKept};
use crate::cli::output::Output;
use crate::cli::resolved::Resolved;
use crate::disk::{ErrorKind, StandIn, host, trouble};
use crate::job::JobError;
use crate::job::catalogue::{Catalogue, SetAside};
use std::path::{Path, PathBuf};

/// The state of a run that writes, held under its locks.
pub(super) struct State {
    pub catalogue: Catalogue,
    folder: PathBuf,
    /// Why the state folder itself is not written, if it is not.
    pub unkept: Option<StateNotKept>,
    /// Removed when the catalogue is closed.
    stand_in: Option<StandIn>,
    _lock: Option<host::Lock>,
}

impl State {
    /// Opens the state to write.
    pub(super) fn open(resolved: &Resolved, output: &Output) -> Result<Self, CliError> {
        if let Some(host) = &resolved.host_renamed {
            output.warn(notices::host_renamed(&resolved.station, host));
        }
        if StandIn::find(&resolved.state).is_some() {
            return Err(notices::state_in_use(&resolved.state));
        }
        let opened = match trouble(&resolved.state) {
            Some(error) => Err(JobError::State(error)),
            None => Self::open_itself(resolved, output),
        };
        match opened {
            Ok(state) => Ok(state),
            Err(JobError::State(error)) if error.trouble == ErrorKind::Busy => {
                Err(notices::state_in_use(&resolved.state))
            }
            Err(error) if error.state_trouble().is_some() => {
                Self::in_memory(resolved, &error, None, output)
            }
            Err(error) => Err(error.into()),
        }
    }

    fn open_itself(resolved: &Resolved, output: &Output) -> Result<Self, JobError> {
        crate::disk::make_dirs(&resolved.state).map_err(JobError::State)?;
        let lock = host::lock(&resolved.state.join("lock")).map_err(JobError::State)?;
        StandIn::clear(&resolved.state);
        let (catalogue, aside) = Catalogue::open(&resolved.state)?;
        if aside.is_some() {
            output.warn(notices::set_aside(aside.as_ref()));
        }
        let folder = resolved.state.clone();
        Ok(Self { catalogue, folder, unkept: None, stand_in: None, _lock: Some(lock) })
    }

    /// Goes on with a state in memory, and warns.
    fn in_memory(
        resolved: &Resolved,
        error: &JobError,
        lock: Option<host::Lock>,
        output: &Output,
    ) -> Result<Self, CliError> {
        let in_use = |error: crate::disk::DiskError| match error.trouble {
            ErrorKind::Busy => notices::state_in_use(&resolved.state),
            _ => error.into(),
        };
        let lock = match lock {
            None => host::lock_as_it_is(&resolved.state.join("lock")).map_err(in_use)?,
            lock => lock,
        };
        let unkept = StateNotKept::by(trouble(&resolved.state).as_ref(), error);
        let stand_in = StandIn::make(&resolved.state, unkept.as_str()).map_err(in_use)?;
        let catalogue = Catalogue::open_stand_in(&resolved.state, stand_in.path())?;
        output.warn(notices::unkept(unkept, &resolved.state));
        let (folder, unkept) = (stand_in.path().to_owned(), Some(unkept));
        Ok(Self { catalogue, folder, unkept, stand_in: Some(stand_in), _lock: lock })
    }

    /// The folder it is in.
    pub(super) fn folder(&self) -> &Path {
        &self.folder
    }

    /// After an error of the catalogue: a new one where it was damaged, one in memory where it could not be written.
    /// Nothing else may have it open any more.
    pub(super) fn after(
        self,
        error: JobError,
        resolved: &Resolved,
        output: &Output,
    ) -> Result<Self, CliError> {
        if error.is_damaged_catalogue() {
            drop(self.catalogue);
            let aside = Catalogue::set_aside(&self.folder, &error)?;
            output.warn(notices::set_aside(aside.as_ref()));
            let (catalogue, _) = Catalogue::open(&self.folder)?;
            return Ok(Self { catalogue, ..self });
        }
        if error.state_trouble().is_some() && self.stand_in.is_none() {
            drop(self.catalogue);
            return Self::in_memory(resolved, &error, self._lock, output);
        }
        Err(error.into())
    }
}

impl State {
    /// Sets a damaged catalogue aside.
    pub(super) fn set_aside(self, why: &JobError) -> Result<Option<SetAside>, JobError> {
        drop(self.catalogue);
        Catalogue::set_aside(&self.folder, why)
    }
}

/// The state folder for a command that only reads, and why nothing is remembered there, if it is not. While a process
/// works in a folder in memory, it is that one.
pub(super) fn state_to_read(resolved: &Resolved) -> (PathBuf, Option<StateNotKept>) {
    match StandIn::find(&resolved.state) {
        Some((folder, why)) => (folder, Some(StateNotKept::from_text(&why))),
        None => {
            let trouble = trouble(&resolved.state);
            (resolved.state.clone(), trouble.map(|error| StateNotKept::of(error.trouble)))
        }
    }
}
