//! `traffic`: the communications log of a period. Writes nothing but the file it is asked for; safe next to a
//! running daemon.

use super::inspect::{Depth, Inspection};
use crate::cli::args::{LogTime, TrafficArgs};
use crate::cli::notices::CliError;
use crate::cli::output::Output;
use crate::cli::report::traffic::{self as report, LogSheet};
use crate::cli::resolved::{Resolved, globs};
use crate::cli::whose::TouchedPaths;
use crate::cli::{Exit, file};
use crate::daemon::clock::SystemClock;
use crate::job::report::traffic::{Period, traffic};
use crate::model::dtg::{Span, Zone, span};
use crate::model::{Clock as _, escape};
use globset::GlobSet;
use jiff::tz::TimeZone;
use std::path::Path;

pub(in crate::cli) fn run(
    config: Option<&Path>,
    args: &TrafficArgs,
    output: &Output,
) -> Result<Exit, CliError> {
    let files = [args.html.as_deref(), args.csv.as_deref()];
    let resolved = Resolved::load_for(config, &args.scope, &TouchedPaths::with_files(files))?;
    if resolved.mailboxes.is_empty() && resolved.drives_here().is_empty() {
        return Err(CliError::usage(
            "no mailbox is named and no drive is here: give --mailbox DIR or --drive DIR, or name a mailbox \
             in the config",
        ));
    }
    let written = args.html.as_deref().or(args.csv.as_deref());
    written.map_or(Ok(()), |path| file::check(&resolved, path))?;
    let (zone, span) = period(&resolved, args)?;
    let received = folders(&args.received, &resolved.config.log.received, "received")?;
    let sent = folders(&args.sent, &resolved.config.log.sent, "sent")?;
    let asked = Period { station: &resolved.station, received: &received, sent: &sent, span };
    let (inspection, traffic) =
        Inspection::inspect_with(&resolved, Depth::Counts, output, &|catalogue, inspected| {
            let drives: Vec<_> =
                inspected.iter().filter_map(|seen| seen.drive.as_ref().ok()).collect();
            traffic(catalogue, &asked, &drives)
        })?;
    let log = LogSheet {
        station: &resolved.station,
        head: head(&resolved, args),
        zone,
        span,
        prepared: &inspection.now,
        with_subjects: !args.without_subjects,
        folders_named: !received.is_empty() || !sent.is_empty(),
        traffic: &traffic,
    };
    if let Some(path) = &args.html {
        file::write(path, report::html(&log).as_bytes())?;
    }
    if let Some(path) = &args.csv {
        file::write(path, &report::csv(&log)?)?;
    }
    match (args.scope.json, written) {
        (true, _) => output.json(&report::json(&log)),
        (false, None) => report::text(output, &log),
        (false, Some(path)) => {
            report::summary(&log).iter().for_each(|line| output.say(line));
            output.say(format!("Written to {}.", escape::shown_path(path)));
        }
    }
    Ok(Exit::Safe)
}

/// The log's zone, which it keeps throughout, and the claimed times it is about. Local time is what it was when
/// the period began, or is now.
fn period(resolved: &Resolved, args: &TrafficArgs) -> Result<(Zone, Span), CliError> {
    let local = args.time.unwrap_or(resolved.config.log.time) == LogTime::Local;
    // An unknown zone is not taken for UTC: the times would be wrong and look right.
    let here = local.then(TimeZone::try_system).transpose().map_err(|error| {
        CliError::failed(format!(
            "the local time zone is not known ({}): set it, or ask for --time utc",
            escape::shown(error.to_string().as_bytes())
        ))
    })?;
    let zone_at = |seconds: i64| match (&here, jiff::Timestamp::from_second(seconds)) {
        (Some(here), Ok(time)) => Zone::east(here.to_offset(time).seconds()),
        _ => Zone::UTC,
    };
    let now = zone_at(SystemClock::new().event_time().time.seconds);
    let zone = match &args.from {
        Some(text) => zone_at(read("--from", text, now)?.from),
        None => now,
    };
    let from = args.from.as_ref().map(|text| read("--from", text, zone)).transpose()?;
    let to = args.to.as_ref().map(|text| read("--to", text, zone)).transpose()?;
    let span = Span {
        from: from.map_or(i64::MIN, |span| span.from),
        until: to.map_or(i64::MAX, |span| span.until),
    };
    if span.from >= span.until {
        return Err(CliError::usage("--to lies before --from: there is no such period"));
    }
    Ok((zone, span))
}

fn read(option: &str, text: &str, zone: Zone) -> Result<Span, CliError> {
    span(text, zone).ok_or_else(|| {
        CliError::usage(format!(
            "{option}: {} is no time: write it as 2026-11-25, \"2026-11-25 16:30\", 2026-11-25T16:30:00Z or \
             \"251630Z NOV 26\"",
            escape::shown(text.as_bytes())
        ))
    })
}

/// What is typed takes the place of what is written.
fn folders(typed: &[String], written: &[String], key: &str) -> Result<GlobSet, CliError> {
    match typed {
        [] => globs(written, &format!("config: log.{key}")),
        typed => globs(typed, &format!("--{key}")),
    }
}

fn head(resolved: &Resolved, args: &TrafficArgs) -> report::Head {
    let either = |typed: &Option<String>, written: &Option<String>| {
        typed.clone().or_else(|| written.clone()).unwrap_or_default()
    };
    let log = &resolved.config.log;
    report::Head {
        incident: either(&args.incident, &log.incident),
        activation: either(&args.activation, &log.activation),
        operator: either(&args.operator, &log.operator),
        prepared_by: either(&args.prepared_by, &log.prepared_by),
    }
}
