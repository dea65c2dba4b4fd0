//! `demo`: the whole job in a temporary folder, as a story: mail arrives while it is watched, a
//! stick is carried off, the card dies, everything is put back and compared byte for byte.
//! Invented throughout; nothing outside the temporary folder is touched.

use super::audit::view;
use super::inspect::{Depth, Inspection};
use super::watch::settings;
use crate::cli::Exit;
use crate::cli::args::{DemoArgs, Scope};
use crate::cli::notices::{self, CliError};
use crate::cli::output::{Output, Style};
use crate::cli::report;
use crate::cli::resolved::Resolved;
use crate::daemon::clock::SystemClock;
use crate::daemon::{self, DaemonCommand, DriveState, EventSink, Notice};
use crate::disk::{DemoDir, leads_to};
use crate::job::Unwatched;
use crate::job::restore::{MailboxTarget, RestoreOptions, open_sources, restore};
use crate::model::escape;
use std::collections::HashMap;
use std::sync::Arc;
use std::sync::mpsc::{Receiver, RecvTimeoutError, Sender, channel};
use std::time::Duration;

/// How long the story waits for something that takes a second or two.
const PATIENCE: Duration = Duration::from_secs(60);
/// How long a file must stay unchanged in the demo: shorter than in earnest, to keep the story short.
const SETTLE: Duration = Duration::from_millis(300);

/// The mail of the exercise: from, subject, text.
const MORNING: [(&str, &str, &str); 5] = [
    (
        "harbour.office@example.org",
        "Gauge at lock 2",
        "0700 412 cm, rising 3 cm/h. Next reading 0800.",
    ),
    (
        "shelter.north@example.org",
        "Beds and blankets",
        "34 beds taken, 12 free. Need 20 blankets by noon.",
    ),
    (
        "Q2RVR@example.org",
        "Relay on channel B",
        "Relay at the grain store is on battery, good until 1900.",
    ),
    ("field.kitchen@example.org", "Meals", "120 warm meals at 1230 at pier 4 and the school."),
    (
        "harbour.office@example.org",
        "Gauge at lock 2",
        "0800 415 cm, rising 3 cm/h. Next reading 0900.",
    ),
];
const NOON: [(&str, &str, &str); 3] = [
    (
        "shelter.north@example.org",
        "Insulin needed",
        "One resident needs insulin before 2000. Please confirm.",
    ),
    ("Q7TIDE@example.org", "Boat 2 overdue", "Boat 2 not back from the east mole, 40 min overdue."),
    ("harbour.office@example.org", "Gauge at lock 2", "1200 421 cm, steady. Peak expected 1500."),
];

const AFTERNOON: [(&str, &str, &str); 2] = [
    (
        "shelter.north@example.org",
        "Re: Insulin needed",
        "Received with thanks, 1312.\r\n\r\n> One resident needs insulin before 2000.\r\n> Please confirm.",
    ),
    ("field.kitchen@example.org", "Meals tonight", "90 warm meals at 1830 at pier 4. Bring bowls."),
];
/// A slow link and a small supply, as on many a station (common practice, no source).
const CONFIG: &str = "[link]\nbits_per_second = 300\nefficiency = 0.75\n[power]\nreceive_amps = 0.8\n\
                      transmit_amps = 10\nduty = 0.1\nbattery_amp_hours = 10\nusable_depth = 0.5\n";

pub(in crate::cli) fn run(demo: &DemoArgs, output: &Output) -> Result<Exit, CliError> {
    if !demo.keep {
        super::leave_nothing_behind()?;
    }
    let demo_dir = DemoDir::new(demo.keep)?;
    let same = Story { demo_dir: &demo_dir, output }.play()?;
    if demo.keep {
        output.line(format!("\nEverything is kept in {}", escape::shown_path(&demo_dir.path(""))));
    }
    Ok(Exit::safe(same))
}

struct Story<'a> {
    demo_dir: &'a DemoDir,
    output: &'a Output,
}

impl Story<'_> {
    fn play(&self) -> Result<bool, CliError> {
        self.chapter("An exercise: flood at the harbour. Station pier-4 keeps its mail on a card.");
        for folder in ["card/mail", "card/state", "amber", "birch", "pocket"] {
            self.demo_dir.folder(folder)?;
        }
        let resolved = self.resolved()?;
        let mut watching = RunningDaemon::start(&resolved)?;
        self.say(
            "Two sticks are in: amber and birch. counterfoil watch is running. (Here all are folders on one disk, so \
             copies on the card's own device are counted; in earnest they are not.)",
        );
        self.mail("07", &MORNING)?;
        watching.wait_for("amber", MORNING.len() as u64)?;
        watching.wait_for("birch", MORNING.len() as u64)?;
        self.say("Each message is on both sticks, read back from them, its hash compared.");

        self.chapter("Birch is pulled, without asking, and carried to the shelter.");
        self.demo_dir.rename("birch", "pocket/birch")?;
        self.mail("12", &NOON)?;
        watching.wait_for("amber", (MORNING.len() + NOON.len()) as u64)?;
        watching.wait_until_safe("amber")?;
        self.say("A message is read: the mail program renames its file. One ledger line, no copy.");
        self.demo_dir
            .rename("card/mail/inbox/new/07-1.pier-4", "card/mail/inbox/cur/07-1.pier-4:2,S")?;
        watching.wait_until_safe("amber")?;
        self.audit(&resolved)?;

        self.chapter("Amber is pulled too, to be read next door. Mail goes on arriving.");
        self.demo_dir.rename("amber", "pocket/amber")?;
        self.mail("13", &AFTERNOON)?;
        self.exposed(&resolved)?;
        self.say("Amber is back.");
        self.demo_dir.rename("pocket/amber", "amber")?;
        watching.wait_for("amber", (MORNING.len() + NOON.len() + AFTERNOON.len()) as u64)?;
        self.audit(&resolved)?;
        watching.stop()?;

        let before = self.demo_dir.files("card/mail")?;
        self.chapter("The card dies. Mailbox and catalogue are gone; no server keeps a copy.");
        self.demo_dir.destroy("card")?;
        self.say("A fresh card is written. From the sticks alone, with no config and no network:");
        self.demo_dir.rename("pocket/birch", "birch")?;
        self.restore(&resolved)?;

        let after = self.demo_dir.files("card/mail")?;
        let same = before == after;
        let text = match same {
            true => format!(
                "All {} messages are back, compared byte for byte, folders and times included.",
                after.len()
            ),
            false => "The mailbox is NOT as it was. Please report this.".to_owned(),
        };
        self.chapter(&self.output.styled(if same { Style::Good } else { Style::Bad }, &text));
        Ok(same)
    }

    fn resolved(&self) -> Result<Resolved, CliError> {
        let scope = Scope {
            mailbox: vec![self.demo_dir.path("card/mail")],
            drive: vec![self.demo_dir.path("amber"), self.demo_dir.path("birch")],
            station: Some("pier-4".to_owned()),
            state: Some(self.demo_dir.path("card/state")),
            // All of them are folders on one device.
            count_same_device: true,
            json: false,
        };
        // A config of its own, so that nothing of this host's comes in.
        let config = self.demo_dir.path("counterfoil.toml");
        crate::disk::host::write_whole(&config, CONFIG.as_bytes())?;
        let mut resolved = Resolved::load(Some(&config), &scope)?;
        resolved.config.settle = SETTLE;
        Ok(resolved)
    }

    fn mail(&self, hour: &str, mail: &[(&str, &str, &str)]) -> Result<(), CliError> {
        for (number, (from, subject, text)) in mail.iter().enumerate() {
            let bytes = format!(
                "From: {from}\r\nTo: pier-4@example.org\r\nSubject: {subject}\r\n\
                 Date: Tue, 9 Jul 2024 {hour}:{number:02}:00 +0000\r\n\
                 Message-ID: <{hour}{number}@example.org>\r\n\r\nEXERCISE. {text}\r\n"
            );
            self.demo_dir.deliver(
                "card/mail/inbox",
                &format!("{hour}-{number}.pier-4"),
                bytes.as_bytes(),
            )?;
            self.say(format!("  {hour}{number:02}  {subject:<22} from {from}"));
        }
        Ok(())
    }

    fn audit(&self, resolved: &Resolved) -> Result<(), CliError> {
        let inspection = Inspection::inspect(resolved, Depth::Counts, self.output)?;
        self.say("counterfoil audit:");
        view(resolved, &inspection).summary.say(self.output);
        report::drives::table(self.output, &inspection.drives);
        Ok(())
    }

    /// What the audit says while no stick is there, and the same as a page.
    fn exposed(&self, resolved: &Resolved) -> Result<(), CliError> {
        let inspection = Inspection::inspect(resolved, Depth::Whole, self.output)?;
        let view = view(resolved, &inspection);
        self.say("counterfoil audit:");
        view.summary.say(self.output);
        self.output.wrapped(&view.cost());
        let page = self.demo_dir.path("audit.html");
        crate::disk::host::write_whole(&page, report::audit::page(&view).as_bytes())?;
        self.say("The same as a page is audit.html in the folder (--keep keeps it).");
        Ok(())
    }

    fn restore(&self, resolved: &Resolved) -> Result<(), CliError> {
        let clock = SystemClock::new();
        let restore_sources = open_sources(&resolved.drives_here(), &resolved.station, &clock)?;
        for (row, name) in restore_sources.catalogue.recorded_mailboxes_of(&resolved.station)? {
            let mailbox_targets =
                vec![MailboxTarget { row, name, path: self.demo_dir.path("card/mail") }];
            // A restore follows no link on its way.
            let lead = |mailbox_target: &MailboxTarget| MailboxTarget {
                path: leads_to(&mailbox_target.path),
                ..mailbox_target.clone()
            };
            let plan = RestoreOptions {
                mailbox_targets: mailbox_targets.iter().map(lead).collect(),
                with_removed: false,
                versions: None,
                with_doubtful: false,
                dry_run: false,
                progress: &Unwatched,
            };
            let report = restore(&restore_sources, &plan)?;
            report::restore::text(self.output, &report, &mailbox_targets, false);
        }
        Ok(())
    }

    fn chapter(&self, text: &str) {
        self.output.say(format!("\n{text}"));
    }

    fn say(&self, text: impl AsRef<str>) {
        self.output.say(text);
    }
}

/// What the daemon reported of one drive.
#[derive(Default, Clone, Copy)]
struct DriveProgress {
    /// Messages mirrored so far.
    mirrored: u64,
    /// Times it was called safe to pull.
    safe: u64,
}

/// The daemon, running in a thread of its own as it would in its service.
struct RunningDaemon {
    commands: tokio::sync::mpsc::Sender<DaemonCommand>,
    updates: Receiver<(String, DriveProgress)>,
    seen: HashMap<String, DriveProgress>,
    thread: std::thread::JoinHandle<Result<(), CliError>>,
}

impl RunningDaemon {
    fn start(resolved: &Resolved) -> Result<Self, CliError> {
        let (calls, mut receiver) = tokio::sync::mpsc::channel(1);
        let (sender, news) = channel();
        let settings = settings(resolved);
        let run = move || -> Result<(), CliError> {
            let runtime = tokio::runtime::Builder::new_current_thread()
                .enable_all()
                .build()
                .map_err(|e| CliError::failed(e.to_string()))?;
            let mut reload = || Err("the demo has no config".to_owned());
            let clock = Arc::new(SystemClock::new());
            let sink = ChannelSink(sender);
            Ok(runtime.block_on(daemon::run(settings, &mut reload, &sink, clock, &mut receiver))?)
        };
        let thread = std::thread::Builder::new()
            .name("daemon".to_owned())
            .spawn(run)
            .map_err(|e| CliError::failed(e.to_string()))?;
        Ok(Self { commands: calls, updates: news, seen: HashMap::new(), thread })
    }

    /// Waits until a drive has got this many messages in all.
    fn wait_for(&mut self, label: &str, messages: u64) -> Result<(), CliError> {
        self.wait(label, |seen| seen.mirrored >= messages)
    }

    /// Waits until a drive is called safe to pull once more.
    fn wait_until_safe(&mut self, label: &str) -> Result<(), CliError> {
        let before = self.seen.get(label).copied().unwrap_or_default().safe;
        self.wait(label, |seen| seen.safe > before)
    }

    fn wait(
        &mut self,
        label: &str,
        enough: impl Fn(DriveProgress) -> bool,
    ) -> Result<(), CliError> {
        while !enough(self.seen.get(label).copied().unwrap_or_default()) {
            let (of, news) = self.updates.recv_timeout(PATIENCE).map_err(|error| match error {
                RecvTimeoutError::Timeout => {
                    CliError::failed(format!("nothing was heard of {label} for a minute"))
                }
                RecvTimeoutError::Disconnected => CliError::failed("the daemon ended too early"),
            })?;
            let seen = self.seen.entry(of).or_default();
            seen.mirrored += news.mirrored;
            seen.safe += news.safe;
        }
        Ok(())
    }

    fn stop(self) -> Result<(), CliError> {
        if self.commands.blocking_send(DaemonCommand::Stop).is_err() {
            return Err(CliError::failed("the daemon ended too early"));
        }
        self.thread.join().unwrap_or_else(|_| Err(CliError::failed("the daemon ended in a fault")))
    }
}

/// Passes on which messages were mirrored where, and which drive is safe to pull.
struct ChannelSink(Sender<(String, DriveProgress)>);

impl EventSink for ChannelSink {
    fn emit(&self, news: &Notice<'_>) {
        let (label, seen) = match news {
            Notice::Mirrored { label, messages, .. } => {
                (label, DriveProgress { mirrored: *messages, safe: 0 })
            }
            Notice::Drive { label, state: DriveState::Safe, .. } => {
                (label, DriveProgress { mirrored: 0, safe: 1 })
            }
            other => {
                tracing::debug!("{}", notices::daemon_notice(other));
                return;
            }
        };
        // The story may have stopped listening; that is no fault.
        drop(self.0.send(((*label).to_owned(), seen)));
    }

    fn status(&self, _: &[(&str, &str)]) -> String {
        String::new()
    }
}
