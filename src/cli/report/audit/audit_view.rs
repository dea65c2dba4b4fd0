//! Everything that an audit says, as sentences and figures that its four forms share.
//! Never computes anything that decides.

use super::super::drives::DriveView;
use super::super::format::{airtime, amp_hours, share, shown_time};
use super::super::verdict::Summary;
use crate::job::report::audit::Audit;
use crate::job::report::card_use::CardUse;
use crate::job::report::statistics::Statistics;
use crate::model::airtime::{Power, RadioLink};
use crate::model::bag::CarriedProgram;
use crate::model::preservation_rules::PreservationFacts;
use crate::model::{EventTime, Medium, StationName, Timestamp};
use std::time::Duration;

/// Everything that an audit says, and what its figures rest on.
pub(in crate::cli) struct AuditView<'a> {
    pub station: &'a StationName,
    pub now: &'a EventTime,
    pub audit: &'a Audit,
    pub statistics: &'a Statistics,
    pub drives: &'a [DriveView],
    pub link: &'a RadioLink,
    pub power: &'a Power,
    /// How the mailbox's own medium is attached.
    pub medium: Medium,
    pub wanted_copies: u32,
    /// Within what time every copy should be read again.
    pub verify_every: Duration,
    /// When a restore was last rehearsed and brought everything back.
    pub rehearsed: Option<Timestamp>,
    /// What is written to the card, and how worn it is.
    pub card: &'a CardUse,
    /// The programs that drives carry.
    pub programs: Vec<CarriedProgram>,
    /// What is said first.
    pub summary: Summary<'a>,
}

impl AuditView<'_> {
    /// Seconds on the air to ask again for what would be lost, if the link is known.
    pub(super) fn seconds_at_risk(&self) -> Option<f64> {
        self.link.seconds(0).and(self.audit.unmirrored.seconds())
    }

    /// The charge of that, in ampere-hours, if the supply is known too.
    pub(super) fn charge_at_risk(&self) -> Option<f64> {
        self.power.amp_hours(self.seconds_at_risk()?)
    }

    /// What asking again for what would be lost costs, in one sentence.
    pub(in crate::cli) fn cost(&self) -> String {
        let Some(seconds) = self.seconds_at_risk() else {
            return "What asking for them again would cost is unknown: the config names no \
                    link.bits_per_second."
                .to_owned();
        };
        let air = airtime(Some(seconds));
        let Some(charge) = self.charge_at_risk() else {
            return format!("Asking for them again would take {air} on the air.");
        };
        let of_battery = match self.power.usable_amp_hours() {
            Some(usable) => {
                let whole = amp_hours(usable);
                format!(", {} of the {whole} that the battery gives", share(charge / usable))
            }
            None => String::new(),
        };
        let of_sun = match self.power.days_of_sun(charge) {
            Some(days) => format!(", {} of a day of sun", share(days)),
            None => String::new(),
        };
        let charge = amp_hours(charge);
        format!(
            "Asking for them again would take {air} on the air and {charge}{of_battery}{of_sun}."
        )
    }

    /// The copies compared with the published rules.
    pub(super) fn preservation_facts(&self) -> PreservationFacts {
        let holding = self.drives.iter().filter(|drive| drive.messages > 0 && drive.row.counts);
        let media = std::iter::once(self.medium).chain(holding.map(|drive| drive.row.medium));
        let messages = self.audit.counts.messages.messages;
        let within = i64::try_from(self.verify_every.as_secs()).unwrap_or(i64::MAX);
        let since = self.now.time.seconds.saturating_sub(within);
        let mut proofs = self.statistics.drives.values().peekable();
        let reread = self.now.trusted
            && proofs.peek().is_some()
            && proofs
                .all(|proof| proof.read_again == proof.copies && proof.oldest.seconds >= since);
        PreservationFacts {
            fewest: self.statistics.fewest(),
            media: media.collect(),
            elsewhere: messages > 0 && self.statistics.elsewhere == messages,
            read_again: reread,
        }
    }

    /// What the figures rest on, a sentence each.
    pub(super) fn assumptions(&self) -> Vec<String> {
        let mut basis = Vec::new();
        match self.link.bits_per_second {
            Some(rate) if self.link.seconds(0).is_some() => {
                let mut text = format!(
                    "Airtime: {} bit/s, of which {} carry messages",
                    plain(rate),
                    share(self.link.efficiency)
                );
                if let Some(burst) = self.link.burst {
                    text += &format!(
                        ", bursts of {} s and {} s to turn round",
                        plain(burst),
                        plain(self.link.turnaround)
                    );
                }
                if self.link.loss > 0.0 {
                    text += &format!(", {} sent again", share(self.link.loss));
                }
                basis.push(text + "; bytes as stored, nothing compressed; rounded up to minutes.");
            }
            _ => basis
                .push("Airtime is unknown: the config names no link.bits_per_second.".to_owned()),
        }
        let power = self.power;
        match (power.receive_amps, power.transmit_amps, power.duty) {
            (Some(receive), transmit, Some(duty)) if power.amp_hours(0.0).is_some() => {
                let sending = transmit.map(|a| format!(", {} A while sending", plain(a)));
                basis.push(format!(
                    "Charge: {} A while receiving{}, sending {} of the time.",
                    plain(receive),
                    sending.unwrap_or_default(),
                    share(duty)
                ));
            }
            _ => basis.push(
                "Charge is unknown: the config does not name receive_amps, transmit_amps and duty under \
                 [power]."
                    .to_owned(),
            ),
        }
        basis
    }

    /// When a restore was last tried and brought everything back, in one sentence.
    pub(super) fn rehearsal(&self) -> String {
        match self.rehearsed {
            Some(at) => format!(
                "A restore was last rehearsed, and brought everything back, on {}.",
                shown_time(Some(at))
            ),
            None => "A restore was never rehearsed here: counterfoil restore --rehearse tries it and changes \
                     nothing."
                .to_owned(),
        }
    }

    /// Whether the clock can be trusted, if it matters.
    pub(super) fn clock_note(&self) -> Option<&'static str> {
        (!self.now.trusted).then_some("Times are the station's own; nothing vouches for its clock.")
    }

    /// The oldest of the messages' last proofs, and how long ago that was.
    pub(super) fn oldest_proof(&self) -> Option<(Timestamp, Option<u64>)> {
        let at = self.statistics.oldest_proof?;
        let age =
            self.now.time.seconds.checked_sub(at.seconds).and_then(|age| u64::try_from(age).ok());
        Some((at, age))
    }
}

/// A number without a needless `.0`.
fn plain(number: f64) -> String {
    format!("{}", (number * 1000.0).round() / 1000.0)
}
