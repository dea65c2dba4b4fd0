//! The audit as one JSON object. What is not known is null.

use super::super::drives::DriveJson;
use super::super::summary_json::SummaryJson;
use super::AuditView;
use crate::job::report::audit::ListedMessage;
use crate::job::report::card_use::CardUse;
use crate::job::report::statistics::{Exposure, SizeGroup};
use crate::model::airtime::RadioLink;
use crate::model::{StationName, Timestamp};
use serde::Serialize;

/// Senders and folders in the object, the largest; the rest is in the table for a spreadsheet.
const GROUPS: usize = 50;

/// The JSON of an audit.
#[derive(Serialize)]
pub(in crate::cli) struct AuditJson<'a> {
    #[serde(flatten)]
    summary: SummaryJson<'a>,
    station: &'a StationName,
    generated: Timestamp,
    clock_trusted: bool,
    at_risk: AtRiskJson,
    unmirrored: &'a [ListedMessage],
    vanished: &'a [ListedMessage],
    suspect: &'a [ListedMessage],
    drives: Vec<DriveJson<'a>>,
    copies: CopiesJson<'a>,
    rehearsed: Option<Timestamp>,
    keeping: PreservationJson,
    exposure: &'a Exposure,
    weight: SizesJson<'a>,
    card: &'a CardUse,
    assumed: AssumptionsJson<'a>,
}

/// What would be lost if the card died now.
#[derive(Serialize)]
struct AtRiskJson {
    messages: u64,
    bytes: u64,
    airtime_seconds: Option<f64>,
    amp_hours: Option<f64>,
}

#[derive(Serialize)]
struct CopiesJson<'a> {
    wanted: u32,
    messages_by_copies: &'a [u64],
    elsewhere: u64,
    oldest_proof: Option<Timestamp>,
}

/// The copies compared with the published rules.
#[derive(Serialize)]
struct PreservationJson {
    copies: u32,
    media: usize,
    elsewhere: u32,
    storage_level: u32,
    fixity_level: u32,
}

#[derive(Serialize)]
struct SizesJson<'a> {
    all: SizeJson<'a>,
    senders: Vec<SizeJson<'a>>,
    folders: Vec<SizeJson<'a>>,
}

#[derive(Serialize)]
struct SizeJson<'a> {
    #[serde(flatten)]
    group: &'a SizeGroup,
    headers: u64,
}

impl<'a> SizeJson<'a> {
    fn of(group: &'a SizeGroup) -> Self {
        Self { group, headers: group.head() }
    }

    fn largest(groups: &'a [SizeGroup]) -> Vec<Self> {
        groups.iter().take(GROUPS).map(Self::of).collect()
    }
}

/// What the figures on airtime and charge rest on.
#[derive(Serialize)]
struct AssumptionsJson<'a> {
    #[serde(flatten)]
    link: &'a RadioLink,
    receive_amps: Option<f64>,
    transmit_amps: Option<f64>,
    duty: Option<f64>,
    usable_amp_hours: Option<f64>,
    daily_amp_hours: Option<f64>,
}

pub(in crate::cli) fn json<'a>(view: &'a AuditView<'a>) -> AuditJson<'a> {
    let AuditView { audit, statistics, now, link, power, .. } = *view;
    let kept = view.preservation_facts();
    AuditJson {
        summary: view.summary.json(),
        station: view.station,
        generated: now.time,
        clock_trusted: now.trusted,
        at_risk: AtRiskJson {
            messages: audit.counts.messages.on_none,
            bytes: audit.counts.messages.on_none_bytes,
            airtime_seconds: view.seconds_at_risk(),
            amp_hours: view.charge_at_risk(),
        },
        unmirrored: &audit.unmirrored.listed,
        vanished: &audit.vanished.listed,
        suspect: &audit.suspect.listed,
        drives: view.drives.iter().map(DriveJson::of).collect(),
        copies: CopiesJson {
            wanted: view.wanted_copies,
            messages_by_copies: &statistics.copies,
            elsewhere: statistics.elsewhere,
            oldest_proof: statistics.oldest_proof,
        },
        rehearsed: view.rehearsed,
        keeping: PreservationJson {
            copies: kept.copies(),
            media: kept.kinds(),
            elsewhere: kept.elsewhere(),
            storage_level: kept.storage_level(),
            fixity_level: kept.fixity_level(),
        },
        exposure: &statistics.exposure,
        weight: SizesJson {
            all: SizeJson::of(&statistics.whole),
            senders: SizeJson::largest(&statistics.senders),
            folders: SizeJson::largest(&statistics.folders),
        },
        card: view.card,
        assumed: AssumptionsJson {
            link,
            receive_amps: power.receive_amps,
            transmit_amps: power.transmit_amps,
            duty: power.duty,
            usable_amp_hours: power.usable_amp_hours(),
            daily_amp_hours: power.daily_amp_hours,
        },
    }
}
