//! Reads a list of files ahead of whoever uses them: files are opened before their turn, so that the medium is already
//! asked for them, and one or more threads may read. Keeps the order of the results.

use std::collections::VecDeque;
use std::fmt;
use std::sync::mpsc::{Receiver, sync_channel};

/// How a list is read.
#[derive(Debug, Clone, Copy)]
pub struct ReadAhead {
    /// Threads that read; 0 reads on the caller's thread, so that a history of the simulator can be repeated.
    pub readers: usize,
    /// Files that each reader opens, and results that it may hold, ahead of their turn.
    pub window: usize,
}

/// Why a list could not be read to its end.
#[derive(Debug)]
pub enum ReaderFault {
    /// The system gave no thread.
    NotStarted(std::io::Error),
    /// A reader panicked.
    Panicked,
}

impl fmt::Display for ReaderFault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::NotStarted(why) => write!(f, "no thread could be started: {why}"),
            Self::Panicked => f.write_str("a reader ended in a fault of the program"),
        }
    }
}

impl ReadAhead {
    /// Opens and reads every job, and passes the results to `take` on the caller's thread, in the order of the jobs,
    /// until `take` returns `false` or an error.
    pub fn run<J: Sync, O, R: Send, E: From<ReaderFault>>(
        self,
        jobs: &[J],
        open: impl Fn(&J) -> O + Sync,
        read: impl Fn(&J, O) -> R + Sync,
        mut take: impl FnMut(&J, R) -> Result<bool, E>,
    ) -> Result<(), E> {
        if self.readers == 0 {
            let mut ended = Ok(());
            self.read_each(jobs.iter(), &open, &read, |job, result| {
                take(job, result).unwrap_or_else(|error| {
                    ended = Err(error);
                    false
                })
            });
            return ended;
        }
        std::thread::scope(|scope| {
            let (mut results, mut threads) = (Vec::new(), Vec::new());
            let (open, read) = (&open, &read);
            for first in 0..self.readers {
                let (send, received) = sync_channel(self.window);
                let own = jobs.iter().skip(first).step_by(self.readers);
                // Nobody takes the rest once the caller has ended.
                let reader =
                    move || self.read_each(own, open, read, |_, result| send.send(result).is_ok());
                let thread = std::thread::Builder::new().name("read-ahead".to_owned());
                threads.push(thread.spawn_scoped(scope, reader).map_err(ReaderFault::NotStarted)?);
                results.push(received);
            }
            let ended = run_sequentially(jobs, &results, take);
            drop(results);
            let panicked = threads.into_iter().filter_map(|thread| thread.join().err()).count();
            match panicked {
                0 => ended,
                _ => ended.and(Err(ReaderFault::Panicked.into())),
            }
        })
    }

    fn read_each<'j, J: 'j, O, R>(
        self,
        jobs: impl Iterator<Item = &'j J> + Clone,
        open: impl Fn(&J) -> O,
        read: impl Fn(&J, O) -> R,
        mut take: impl FnMut(&'j J, R) -> bool,
    ) {
        let (mut to_open, mut opened) = (jobs.clone(), VecDeque::new());
        for job in jobs {
            let room = self.window.max(1) - opened.len();
            opened.extend(to_open.by_ref().take(room).map(&open));
            let Some(file) = opened.pop_front() else { return };
            if !take(job, read(job, file)) {
                return;
            }
        }
    }
}

/// Takes results from the readers in turn: with n of them, each reads every nth job.
fn run_sequentially<J, R, E: From<ReaderFault>>(
    jobs: &[J],
    readers: &[Receiver<R>],
    mut take: impl FnMut(&J, R) -> Result<bool, E>,
) -> Result<(), E> {
    for (job, reader) in jobs.iter().zip(readers.iter().cycle()) {
        let result = reader.recv().map_err(|_| ReaderFault::Panicked)?;
        if !take(job, result)? {
            break;
        }
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;
    use std::sync::atomic::{AtomicUsize, Ordering};

    /// What `take` answered to the job that ended the list.
    #[derive(Debug, PartialEq)]
    enum Ended {
        Failed,
        Fault(String),
    }

    impl From<ReaderFault> for Ended {
        fn from(fault: ReaderFault) -> Self {
            Self::Fault(fault.to_string())
        }
    }

    proptest! {
        /// However many read, results come in the order of the jobs, up to the one that ends the list, and no more
        /// files are open than the windows allow.
        #[test]
        fn results_come_in_order_and_few_are_open(
            count in 0_usize..200,
            readers in 0_usize..4,
            window in 1_usize..9,
            last in 0_usize..300,
            fails: bool,
        ) {
            let jobs: Vec<usize> = (0..count).collect();
            let (open, most, mut taken) = (AtomicUsize::new(0), AtomicUsize::new(0), Vec::new());
            let ended = ReadAhead { readers, window }.run(
                &jobs,
                |job| {
                    most.fetch_max(open.fetch_add(1, Ordering::SeqCst) + 1, Ordering::SeqCst);
                    job * 3
                },
                |job, opened| {
                    open.fetch_sub(1, Ordering::SeqCst);
                    (*job, opened)
                },
                |job, result| {
                    taken.push(result);
                    match *job == last {
                        true if fails => Err(Ended::Failed),
                        is_last => Ok(!is_last),
                    }
                },
            );
            let expected: Vec<_> = jobs.iter().take(last + 1).map(|job| (*job, job * 3)).collect();
            prop_assert_eq!(taken, expected);
            let failed = fails && last < count;
            prop_assert_eq!(ended, if failed { Err(Ended::Failed) } else { Ok(()) });
            prop_assert!(most.into_inner() <= window * readers.max(1));
        }
    }

    #[test]
    fn a_reader_that_panics_ends_the_list_with_an_error() {
        let quiet = std::panic::catch_unwind(|| {
            let jobs = [1, 2, 3, 4];
            let mut taken = 0;
            let read = |job: &i32, ()| assert!(*job < 3, "planted");
            let ended = ReadAhead { readers: 2, window: 1 }.run(
                &jobs,
                |_| (),
                read,
                |_, ()| {
                    taken += 1;
                    Ok::<_, Ended>(true)
                },
            );
            (taken, ended)
        });
        let (taken, ended) = quiet.unwrap();
        assert_eq!(taken, 2);
        assert_eq!(ended, Err(Ended::Fault("a reader ended in a fault of the program".into())));
    }
}
