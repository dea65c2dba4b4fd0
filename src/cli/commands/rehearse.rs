//! `restore --rehearse`: everything but writing to the mailbox. Into a passing folder, read again there, compared with
//! the mailbox octet for octet; the folder goes, the date of a good one stays in the catalogue.

use super::state::looked_at;
use crate::cli::Exit;
use crate::cli::notices::Problem;
use crate::cli::output::{Output, Tone};
use crate::cli::progress::Bar;
use crate::cli::report::{count, size, when};
use crate::cli::setup::Setup;
use crate::daemon::clock::SystemClock;
use crate::disk::{Trouble, host};
use crate::job::catalogue::Catalogue;
use crate::job::restore::{Compared, Gathered, Goal, Plan, RestoreReport, compare, restore};
use crate::model::{Clock as _, Moment, escape};
use serde_json::json;

/// What a rehearsal showed.
struct Rehearsal {
    restored: RestoreReport,
    /// Messages that were right when they were read once more.
    read_again: u64,
    /// One a mailbox; none of one that is not where it should be.
    compared: Vec<(Goal, Option<Compared>)>,
}

impl Rehearsal {
    fn sum(&self, of: impl Fn(&Compared) -> u64) -> u64 {
        self.compared.iter().filter_map(|(_, compared)| compared.as_ref()).map(of).sum()
    }

    /// Whether it brought back all there is: whole, right on a second look, and nothing in the mailbox is missing
    /// from it. What the card has damaged differs, and is better in the rehearsal.
    fn is_good(&self) -> bool {
        let all_compared = self.compared.iter().all(|(_, compared)| compared.is_some());
        self.restored.is_whole()
            && self.read_again == self.restored.restored
            && all_compared
            && self.sum(|c| c.not_restored_all) == 0
            && self.sum(|c| c.others) <= self.restored.instead_of_suspect
    }
}

pub(super) fn run(
    setup: &Setup,
    gathered: &Gathered,
    goals: Vec<Goal>,
    as_json: bool,
    output: &Output,
) -> Result<Exit, Problem> {
    let folder = host::temporary_folder("counterfoil-rehearsal-")?;
    let into = |goal: &Goal| Goal { path: folder.path().join(goal.name.as_str()), ..goal.clone() };
    let passing: Vec<_> = goals.iter().map(into).collect();
    let paths = gathered.catalogue.paths_told(&gathered.station)?;
    let once = |dry_run, what| {
        let bar = Bar::new(output, what, paths);
        let goals = passing.clone();
        let (with_removed, with_doubtful) = (false, false);
        let versions = None;
        let plan = Plan { goals, with_removed, versions, with_doubtful, dry_run, progress: &bar };
        let report = restore(gathered, &plan);
        bar.end();
        report
    };
    let restored = once(false, "rehearsing")?;
    // A second look finds there what was put there, and reads it.
    let again = once(true, "reading")?;
    let mut compared = Vec::new();
    for (goal, passing) in goals.into_iter().zip(&passing) {
        let found = match host::exists(&goal.path) {
            true => Some(compare(&passing.path, &goal.path, &setup.ignore)?),
            false => None,
        };
        compared.push((goal, found));
    }
    drop(folder);
    let rehearsal = Rehearsal { restored, read_again: again.identical, compared };
    let when = rehearsal.is_good().then(|| SystemClock::new().stamp().time);
    if let Some(when) = when {
        // Beside a running daemon too: one word in the catalogue, by which nothing is decided.
        let (state, _) = looked_at(setup);
        let kept = Catalogue::open(&state).and_then(|(known, _)| known.set_rehearsed(when));
        if let Err(error) = kept {
            output.warn(Problem::from(error).to_string());
        }
    }
    match as_json {
        true => output.json(&object(&rehearsal, when)),
        false => tell(&rehearsal, when, output),
    }
    Ok(Exit::safe(when.is_some() && gathered.failed.is_empty()))
}

fn object(rehearsal: &Rehearsal, when: Option<Moment>) -> serde_json::Value {
    let elsewhere = rehearsal.compared.iter().filter(|(_, compared)| compared.is_none());
    json!({
        "schema": 1,
        "good": when.is_some(),
        "rehearsed": when.map(Moment::to_rfc3339),
        "restored": rehearsal.restored.restored,
        "bytes": rehearsal.restored.bytes,
        "damaged": rehearsal.restored.damaged.len(),
        "missing": rehearsal.restored.missing.len(),
        "not_written": rehearsal.restored.refused() + rehearsal.restored.no_room,
        "same": rehearsal.sum(|c| c.same),
        "other": rehearsal.sum(|c| c.others),
        "not_restored": rehearsal.sum(|c| c.not_restored_all),
        "only_restored": rehearsal.sum(|c| c.only_restored),
        "mailboxes_not_there": elsewhere.map(|(goal, _)| goal.name.as_str()).collect::<Vec<_>>(),
    })
}

/// What came of reading once more what came back.
fn read_again(right: u64, all: u64) -> String {
    match (right, all) {
        (_, 0) => String::new(),
        (0, 1) => ", and was not right on a second look".into(),
        (0, _) => ", none of them right on a second look".into(),
        (1, 1) => ", right on a second look".into(),
        (right, all) if right == all => ", all of them right on a second look".into(),
        (right, _) => format!(", {right} of them right on a second look"),
    }
}

/// Of what came back, how much the mailbox has too.
fn same(same: u64, all: u64) -> String {
    match (same, all) {
        (0, _) => "nothing that came back is the same".into(),
        (1, 1) => "it is the same".into(),
        (1, _) => "1 of them is the same".into(),
        (same, _) => format!("{same} of them are the same"),
    }
}

fn tell(rehearsal: &Rehearsal, good: Option<Moment>, output: &Output) {
    let restored = &rehearsal.restored;
    output.say(format!(
        "Rehearsed in a passing folder, which is gone: {} ({}) came back{}.",
        count(restored.restored, "message"),
        size(restored.bytes),
        read_again(rehearsal.read_again, restored.restored)
    ));
    for lost in restored.damaged.iter().chain(&restored.missing) {
        output.warn(format!("{}/{}: no whole copy is on these drives", lost.mailbox, lost.path));
    }
    let refused = restored.not_written.iter().filter(|(_, error)| error.trouble != Trouble::Full);
    for (path, error) in refused.chain(&restored.not_made) {
        output.warn(format!("{path}: {error}"));
    }
    if restored.no_room > 0 {
        output.warn(format!(
            "the folder for temporary files is full: {} ({}) did not fit; make room in it, or name another one with \
             more room in TMPDIR, and run the same command again",
            count(restored.no_room, "message"),
            size(restored.no_room_bytes)
        ));
    }
    for (goal, compared) in &rehearsal.compared {
        let at = escape::shown_path(&goal.path);
        let Some(found) = compared else {
            output.warn(format!("{}: {at} is not there to be compared with", goal.name));
            continue;
        };
        let same = same(found.same, restored.restored);
        output.say(format!("{}: {same} in {at}, octet for octet.", goal.name));
        let listed = [
            (&found.other, found.others, "is another in the mailbox"),
            (
                &found.not_restored,
                found.not_restored_all,
                "is in the mailbox and did not come back",
            ),
        ];
        for (paths, all, what) in listed {
            paths.iter().for_each(|path| output.warn(format!("{}/{path} {what}", goal.name)));
            if all > paths.len() as u64 {
                output.warn(format!("{} of them in all", count(all, "message")));
            }
        }
        if found.only_restored > 0 {
            let gone = count(found.only_restored, "message");
            output.say(format!("{}: {gone} came back that the mailbox has no more.", goal.name));
        }
    }
    let verdict = match good {
        Some(at) => output.tone(
            Tone::Good,
            &format!("A restore would bring everything back; rehearsed {}.", when(Some(at))),
        ),
        None => output.tone(
            Tone::Bad,
            "A restore from these drives would not bring everything back: counterfoil mirror brings them up to \
             date, counterfoil audit tells the rest.",
        ),
    };
    output.wrapped(&verdict);
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn counts_agree_with_their_verbs() {
        let again = [
            ((0, 0), ""),
            ((0, 1), ", and was not right on a second look"),
            ((0, 2), ", none of them right on a second look"),
            ((1, 1), ", right on a second look"),
            ((1, 2), ", 1 of them right on a second look"),
            ((2, 2), ", all of them right on a second look"),
        ];
        for ((right, all), expected) in again {
            assert_eq!(read_again(right, all), expected);
        }
        let alike = [
            ((0, 0), "nothing that came back is the same"),
            ((0, 3), "nothing that came back is the same"),
            ((1, 1), "it is the same"),
            ((1, 3), "1 of them is the same"),
            ((3, 3), "3 of them are the same"),
        ];
        for ((found, all), expected) in alike {
            assert_eq!(same(found, all), expected);
        }
    }
}
