//! `audit`: what is unmirrored, and why. Writes nothing but the files that are asked for; safe next to a running
//! daemon.

use super::inspect::{Depth, Inspection};
use crate::cli::args::AuditArgs;
use crate::cli::notices::CliError;
use crate::cli::output::{self, Output};
use crate::cli::report;
use crate::cli::report::audit::AuditView;
use crate::cli::report::verdict::Summary;
use crate::cli::resolved::Resolved;
use crate::cli::whose::TouchedPaths;
use crate::cli::{Exit, file};
use crate::disk::{host, medium_below};
use crate::model::{Medium, escape};
use std::path::Path;

pub(in crate::cli) fn run(
    config: Option<&Path>,
    args: &AuditArgs,
    output: &Output,
) -> Result<Exit, CliError> {
    let saved = args.save.as_ref().map(|dir| dir.join("audit.html"));
    let files = [args.html.as_deref(), args.csv.as_deref(), saved.as_deref()];
    let resolved = Resolved::load_for(config, &args.scope, &TouchedPaths::with_files(files))?;
    let writes = args.html.is_some() || args.csv.is_some() || args.save.is_some();
    // Somebody else's stick, on a computer without a mailbox or with that of another station: what is on it can be
    // reported all the same, and is not compared with a mailbox that is not its own.
    let is_others = resolved.configured.is_some() && resolved.configured != resolved.asked_for;
    let is_others = is_others && resolved.asked_for.is_some() && args.scope.mailbox.is_empty();
    let has_none = resolved.mailboxes.is_empty() && !args.scope.drive.is_empty();
    if (has_none || is_others) && !writes {
        return super::inventory::run(&resolved, args.scope.json, output);
    }
    let resolved = Resolved::with_mailbox(config, &args.scope)?;
    for path in [&args.html, &args.csv].into_iter().flatten() {
        file::check(&resolved, path)?;
    }
    if args.save.is_some() {
        // Nobody waits for it, and new mail may be on its way to a drive.
        host::let_others_go_first();
    }
    let depth = if args.csv.is_some() { Depth::Listed } else { Depth::Whole };
    let inspection = Inspection::inspect(&resolved, depth, output)?;
    let view = view(&resolved, &inspection);
    if let Some(path) = &args.html {
        save(path, report::audit::page(&view).as_bytes(), output)?;
    }
    if let Some(dir) = &args.save {
        save(&dir.join("audit.html"), report::audit::page(&view).as_bytes(), output)?;
        let object = output::json(&report::audit::json(&view)) + "\n";
        save(&dir.join("audit.json"), object.as_bytes(), output)?;
    }
    if let Some(path) = &args.csv {
        save(path, &report::audit::csv(&view)?, output)?;
    }
    if args.scope.json {
        view.summary.warn(output);
        output.json(&report::audit::json(&view));
    } else if args.html.is_none() && args.csv.is_none() && args.save.is_none() {
        report::audit::text(output, &view);
    } else {
        view.summary.say(output);
    }
    Ok(Exit::of(&inspection.audit.counts))
}

/// What an inspection found, with what its figures rest on.
pub(super) fn view<'a>(resolved: &'a Resolved, inspection: &'a Inspection) -> AuditView<'a> {
    AuditView {
        station: &resolved.station,
        now: &inspection.now,
        audit: &inspection.audit,
        statistics: &inspection.statistics,
        drives: &inspection.drives,
        link: &resolved.link,
        power: &resolved.power,
        medium: resolved.mailboxes.first().map_or(Medium::Other, |m| medium_below(&m.path)),
        wanted_copies: resolved.config.drives.wanted_copies,
        verify_every: resolved.config.verify.every,
        rehearsed: inspection.rehearsed,
        card: &inspection.card,
        programs: super::carry::programs(resolved),
        summary: Summary::of(resolved, &inspection.audit.counts, inspection.unkept),
    }
}

fn save(path: &Path, bytes: &[u8], output: &Output) -> Result<(), CliError> {
    file::write(path, bytes)?;
    output.notice(format!("{} is written", escape::shown_path(path)));
    Ok(())
}
