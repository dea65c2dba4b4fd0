//! Where the messages are that this card does not have: on which stick that is here or away, and why they are not back.

use super::verdict::{Summary, VerdictLine};
use super::{count, shown_time, was_or_were};
use crate::cli::output::Style;
use crate::job::catalogue::DriveRow;
use crate::model::{Timestamp, escape};

impl Summary<'_> {
    /// How many missing messages a drive that is here would give back, and of the others by which drive that is not.
    pub(super) fn missing_here_and_away(&self) -> (u64, Vec<(&DriveRow, u64)>) {
        let (mut here, mut away) = (0, Vec::<(&DriveRow, u64)>::new());
        for (on, number) in &self.counts.missing_on {
            let absent = on.iter().map(|row| self.counts.absent.iter().find(|d| d.row == *row));
            let absent: Vec<_> = absent.collect();
            // One that is listed already is no other stick to look for.
            let listed = away.iter_mut().find(|(drive, _)| on.contains(&drive.row));
            match (absent.iter().any(Option::is_none), listed) {
                (true, _) => here += number,
                (false, Some((_, listed))) => *listed += number,
                (false, None) => {
                    away.extend(absent.into_iter().flatten().next().map(|drive| (drive, *number)));
                }
            }
        }
        (here, away)
    }

    /// What was deleted, and what the operator does not want, as long as drives hold it.
    pub(super) fn held_back(&self) -> Vec<VerdictLine> {
        let held = &self.counts.held_back;
        let on: Vec<_> = held.on.iter().map(|label| escape::shown(label.as_bytes())).collect();
        let on = on.join(", ");
        let since = held.since.map(|seconds| Timestamp { seconds, nanos: 0 });
        let since =
            since.map(|at| format!(" here since {}", shown_time(Some(at)))).unwrap_or_default();
        let mut lines = Vec::new();
        if held.deleted > 0 {
            let (deleted, were) = (count(held.deleted, "message"), was_or_were(held.deleted));
            lines.push(format!("{deleted} {were} deleted{since}; still on the sticks: {on}."));
        }
        if held.acknowledged > 0 {
            let (kept, were) =
                (count(held.acknowledged, "message"), was_or_were(held.acknowledged));
            lines.push(format!(
                "{kept} {were} acknowledged as not wanted; still on the sticks: {on}."
            ));
        }
        lines.into_iter().map(|line| (Style::Plain, line)).collect()
    }
}
