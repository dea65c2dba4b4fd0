//! `audit`: what is unmirrored, and why. Writes nothing but the files it is told to; safe beside a running
//! daemon.

use super::inspect::{Depth, Inspection};
use crate::cli::args::Audit;
use crate::cli::notices::CliError;
use crate::cli::output::Output;
use crate::cli::report;
use crate::cli::report::audit::AuditView;
use crate::cli::report::verdict::Summary;
use crate::cli::setup::Resolved;
use crate::cli::whose::Touches;
use crate::cli::{Exit, file};
use crate::disk::{host, medium_below};
use crate::model::{Medium, escape};
use std::path::Path;

pub(in crate::cli) fn run(
    config: Option<&Path>,
    args: &Audit,
    output: &Output,
) -> Result<Exit, CliError> {
    let saved = args.save.as_ref().map(|dir| dir.join("audit.html"));
    let files = [args.html.as_deref(), args.csv.as_deref(), saved.as_deref()];
    let setup = Resolved::load_for(config, &args.scope, &Touches::with_files(files))?;
    let writes = args.html.is_some() || args.csv.is_some() || args.save.is_some();
    // Somebody else's stick, on a computer without a mailbox or with that of another station: what is on it can be
    // told all the same, and is not held against a mailbox that is not its own.
    let is_others = setup.configured.is_some() && setup.configured != setup.asked_for;
    let is_others = is_others && setup.asked_for.is_some() && args.scope.mailbox.is_empty();
    let has_none = setup.mailboxes.is_empty() && !args.scope.drive.is_empty();
    if (has_none || is_others) && !writes {
        return super::inventory::run(&setup, args.scope.json, output);
    }
    let setup = Resolved::with_mailbox(config, &args.scope)?;
    for path in [&args.html, &args.csv].into_iter().flatten() {
        file::check(&setup, path)?;
    }
    if args.save.is_some() {
        // Nobody waits for it, and new mail may be on its way to a drive.
        host::let_others_go_first();
    }
    let depth = if args.csv.is_some() { Depth::Listed } else { Depth::Whole };
    let survey = Inspection::take(&setup, depth, output)?;
    let account = account(&setup, &survey);
    if let Some(path) = &args.html {
        save(path, report::audit::page(&account).as_bytes(), output)?;
    }
    if let Some(dir) = &args.save {
        save(&dir.join("audit.html"), report::audit::page(&account).as_bytes(), output)?;
        let drives = survey.drives.iter().map(report::drives::json).collect();
        let object = escape::in_json(&report::audit::json(&account, drives).to_string()) + "\n";
        save(&dir.join("audit.json"), object.as_bytes(), output)?;
    }
    if let Some(path) = &args.csv {
        save(path, &report::audit::csv(&account)?, output)?;
    }
    if args.scope.json {
        account.summary.warn(output);
        let drives = survey.drives.iter().map(report::drives::json).collect();
        output.json(&report::audit::json(&account, drives));
    } else if args.html.is_none() && args.csv.is_none() && args.save.is_none() {
        report::audit::text(output, &account);
    } else {
        account.summary.say(output);
    }
    Ok(Exit::of(&survey.audit.counts))
}

/// What a look found, beside what its figures rest on.
pub(super) fn account<'a>(setup: &'a Resolved, survey: &'a Inspection) -> AuditView<'a> {
    AuditView {
        station: &setup.station,
        now: &survey.now,
        audit: &survey.audit,
        reckoning: &survey.reckoning,
        drives: &survey.drives,
        link: &setup.link,
        power: &setup.power,
        medium: setup.mailboxes.first().map_or(Medium::Other, |m| medium_below(&m.path)),
        wanted_copies: setup.wanted_copies,
        verify_every: setup.reread.every,
        rehearsed: survey.rehearsed,
        programs: super::mirror::programs(setup),
        summary: Summary::of(setup, &survey.audit.counts, survey.unkept),
    }
}

fn save(path: &Path, bytes: &[u8], output: &Output) -> Result<(), CliError> {
    file::write(path, bytes)?;
    output.notice(format!("{} is written", escape::shown_path(path)));
    Ok(())
}
