//! Every bound of the program, with its unit in the name and its reason in the comment. Nothing here may depend on the
//! machine that the program runs on.

use std::time::Duration;

/// A batch closes at this many messages: each batch costs two flushes, whatever its size, and what collects while a
/// station is being carried about goes in one.
pub const BATCH_MESSAGES: usize = 128;
/// A batch closes at this many bytes: about 40 s on a stick that writes 100 kB/s, so a
/// stop request or a pulled stick never waits for more than that.
pub const BATCH_BYTES: u64 = 4 << 20;
/// While a backlog is worked off, a batch that took less than this is followed by one of twice the size, so that a fast
/// disk is not limited to the pace of a slow stick.
pub const BATCH_QUICK: Duration = Duration::from_millis(250);
/// The largest a batch may grow to, in messages: bounds what one failed sync makes void.
pub const BATCH_MESSAGES_MAX: usize = 2048;
/// The largest a batch may grow to, in bytes: they are kept in memory until its copies are compared with them.
pub const BATCH_BYTES_MAX: u64 = 8 << 20;

/// Messages in one segment folder. FAT holds 65,536 entries a folder, one entry for each of our
/// names; 2,000 keeps a folder's look-up, which is a linear search on FAT, short.
pub const SEGMENT_MESSAGES: u32 = 2_000;
/// Highest segment number: four digits, so a folder name is one FAT entry.
pub const SEGMENT_MAX: u32 = 9_999;
/// Up to this segment number every mount session begins a segment of its own, so that a folder that a power failure may
/// have damaged is not written again; later ones are filled up, so that numbers last.
pub const SEGMENT_PER_SESSION_MAX: u32 = 5_000;
/// Highest payload number: eight digits, so a file name is one FAT entry (8.3).
pub const NUMBER_MAX: u32 = 99_999_999;

/// Longest ledger line that is read, in bytes: two escaped paths of `PATH_BYTES_MAX`, three bytes each, and the fixed
/// fields. A longer one is junk, and is skipped without being held in memory.
pub const LEDGER_LINE_BYTES: usize = 32 << 10;
/// Lines of a ledger that are accepted from any drive, however few copies it has: enough for the opening lines and
/// marks of ten years, at fourteen a day. Invented ones take 40 MB of the catalogue at most.
pub const LEDGER_LINES_PLAIN: u64 = 50_000;
/// Lines accepted in addition for each copy on the drive: a message's arrival, flags, moves and departure, each with
/// its mark, and its witnesses, are a dozen. If there are more in all, somebody else wrote them, unless `drives add`
/// says otherwise.
pub const LEDGER_LINES_A_COPY: u64 = 48;
/// Other drives whose last lines one commit records, beginning with those of which this ledger knows the least. With a
/// mark and a message's line, a dozen commits come to `LEDGER_LINES_A_COPY`.
pub const WITNESSES_A_COMMIT: usize = 2;
/// Other drives whose last lines are remembered as a ledger records them, the latest line of each; a station has fewer.
pub const WITNESSES_KEPT: usize = 64;
/// Ends of a drive's ledger that are remembered although it does not continue from them: a stick and its copies, in
/// turn, have one each.
pub const ENDS_REMEMBERED: usize = 64;
/// The shortest line that anybody can write, in bytes: its hash, and the fields that every line has.
pub const LEDGER_LINE_LEAST: u64 = 150;
/// Copies counted on a drive: no ledger with lines for more would be accepted.
pub const COPIES_COUNTED: u64 = 20_000_000;
/// Lines of a ledger that are applied to the catalogue in one transaction, for which new mail has to wait. A
/// single-board computer takes less than a second for them.
pub const LEDGER_PORTION_LINES: u64 = 2_048;
/// Bytes of catalogue for each byte of ledger: 1.1 was measured with 100,000 messages with short paths. The journal of
/// a portion or two comes in addition.
pub const CATALOGUE_PER_LEDGER: u64 = 2;
/// Bytes of the card that loading ledgers leaves free: the state of some ten thousand future messages. On a card that
/// has less than twice as much, half of what it has.
pub const STATE_FLOOR_BYTES: u64 = 8 << 20;
/// A ledger whose lines take no more than this many bytes of the card is loaded as long as the state can be stored at
/// all: a drive that is new or hardly used.
pub const LEDGER_SMALL_BYTES: u64 = 64 << 10;
/// The catalogue's journal is cut to this many bytes after its contents are in the catalogue.
pub const CATALOGUE_JOURNAL_BYTES: u64 = 4 << 20;
/// Memory of a catalogue without a file at most, in bytes, as in a restore when no disk has room.
pub const CATALOGUE_MEMORY_BYTES: u64 = 256 << 20;
/// Rows of a drive that is not used after all, deleted in one transaction.
pub const ROWS_DROPPED: u32 = 1_000;
/// From this many unread bytes of a ledger on, a thread reads ahead of the one that applies the lines.
pub const LEDGER_AHEAD_BYTES: u64 = 64 << 10;
/// Lines that it reads ahead: twice as many may be in memory, of some hundred bytes each.
pub const LEDGER_AHEAD_LINES: usize = 128;
/// Positions that a writer names as its ancestors: its parent, and one for each card whose ledgers it had read. A line
/// with more is none of ours.
pub const WRITER_LINKS_MAX: usize = 64;
/// Writers remembered of a ledger, and four times as many ancestor positions: ten runs a day for twenty-seven years.
/// Further ones are dropped, so that their positions cover nothing; they would take more than 15 MB of memory.
pub const WRITERS_A_LEDGER: u64 = 100_000;
/// Writers of whom it is remembered how far a ledger has named their changes: those that it announces, and as many that
/// it does not. Changes of others do not count as read, so they are not withheld either.
pub const WRITERS_READ: usize = 2 * WRITERS_A_LEDGER as usize;
/// Links between writers that are followed while a ledger is read, or while a restore is decided on: a second on a PC,
/// ten on a single-board computer. A station's own come to a hundredth of it in a hundred thousand departures. Beyond
/// it nothing is covered any more, and more is given back.
pub const WRITER_STEPS_MAX: u64 = 100_000_000;
/// Mailboxes that one mark covers; for more, several marks are written. A line with more is none of ours: each of them
/// is a row of the catalogue, for a few bytes of the ledger.
pub const MARK_MAILBOXES_MAX: usize = 16;
/// Marks of one mailbox in one ledger that are held in memory to decide: fourteen a day for nineteen years. If there
/// are more, it is not determined what they cover, and everything that they renew is given back.
pub const MARKS_HELD: usize = 100_000;
/// Marks after a line of which none covers another. Whoever writes a ledger has read it, so each of a station's own
/// marks covers those before it. If there are more, the line's message is given back, whatever departures say.
pub const MARKS_APART: usize = 64;
/// Lines that name one location, held in memory to decide about it: a draft saved every minute for a fortnight. Of
/// further lines only those of new contents are held, and the content of a repeated one is given back, whatever
/// departures say.
pub const LINES_OF_A_LOCATION: usize = 20_000;
/// Moves and later versions of one message that are followed to the end, for example of a draft that is saved again and
/// again: beyond, the departure waits.
pub const SUCCESSORS_FOLLOWED: usize = 4_096;
/// Departures through which a restore goes back from a message without a good copy. A forged ledger may name any number
/// of them.
pub const VERSIONS_FOLLOWED: usize = 256;
/// Versions of one message that a restore tries in turn if the last one has no good copy.
pub const VERSIONS_MAX: usize = 8;
/// Highest number believed in a ledger line, of lines, bytes and changes: the highest that every reader of JSON
/// represents exactly (RFC 8259, section 6).
pub const COUNT_MAX: u64 = 1 << 53;
/// A ledger with a higher line number is not written to. No drive gets there by writing.
pub const LINES_MAX: u64 = COUNT_MAX / 2;
/// The range from which a new run of lines draws how many numbers it skips. Two runs that continue from one line, as
/// after lines were lost, have a number in common once in a million times, if each has a hundred lines. And sixteen
/// million runs do not use up a ledger (`LINES_MAX`).
pub const RUN_NUMBERS: u64 = 1 << 28;
/// Longest manifest line that is read, in bytes: a digest, two blanks and one of our own names.
pub const MANIFEST_LINE_BYTES: usize = 4 << 10;
/// Junk in a ledger that is longer than this, in bytes, was not left by a power failure: the longest batch, with each
/// line as long as possible. Reading ends there, however long the file is.
pub const LEDGER_JUNK_BYTES: u64 = (BATCH_MESSAGES_MAX * LEDGER_LINE_BYTES) as u64;
/// The same bound for a manifest.
pub const MANIFEST_JUNK_BYTES: u64 = (BATCH_MESSAGES_MAX * MANIFEST_LINE_BYTES) as u64;
/// Longest message path, in bytes: Linux's PATH_MAX, which counts the NUL at its end.
pub const PATH_BYTES_MAX: usize = 4_095;
/// Longest part of such a path, in bytes: Linux's NAME_MAX.
pub const NAME_PART_BYTES: usize = 255;
/// Longest name of a station or mailbox, in bytes: it is a folder name on the drive.
pub const NAME_BYTES_MAX: usize = 64;
/// A drive.json longer than this, in bytes, is not one of ours.
pub const DRIVE_FILE_BYTES: u64 = 4 << 10;
/// Ids of one drive: the first, and one for each time that it was found to be a copy of another.
pub const DRIVE_FILES_MAX: u32 = 9;
/// Stations read from one drive.
pub const STATIONS_MAX: usize = 256;
/// Drives served at once: a device with a hundred partitions does not get a hundred workers.
pub const DRIVES_MAX: usize = 16;
/// A file of at least this length, in bytes, of which the medium stores next to nothing, is hollow: reading its zeros
/// would take for ever. Shorter ones are read.
pub const HOLLOW_FROM: u64 = 4 << 20;
/// Next to nothing means one byte of this many, since a file system may compress.
pub const HOLLOW_TIMES: u64 = 32;
/// Entries read from one folder of a drive: far more than we write, far fewer than would do harm.
pub const DRIVE_FOLDER_ENTRIES: usize = 20_000;

/// Copies of the previous session that are read again when a drive comes back: published power-fault studies saw
/// requests lost that a drive had completed up to 700 ms before the power failure.
pub const RECHECK_MESSAGES: u32 = 64;
/// Bytes of these copies that are read again, at most.
pub const RECHECK_BYTES: u64 = 8 << 20;

/// How long the lengths of copies are checked when a drive comes: on FAT each costs a search through its folder, 0.15
/// ms and more at 2,000 files, so a hundred thousand would delay new mail for 15 s. On other file systems all of them
/// take less than this.
pub const LENGTHS_FOR: Duration = Duration::from_secs(1);

/// Room that stays free on a drive, in bytes, so that the logs of a full drive can still be completed.
pub const RESERVE_BYTES: u64 = 4 << 20;
/// Room counted for a message in addition to its own bytes: a cluster, a folder entry, two log lines.
pub const OVERHEAD_BYTES: u64 = 34 << 10;

/// Messages that a restore names after one sync: a sync of a card takes as long as writing hundreds.
pub const RESTORE_BATCH_MESSAGES: usize = 16_384;
/// Bytes of such a batch.
pub const RESTORE_BATCH_BYTES: u64 = 64 << 20;
/// Messages that a restore has under way while it decides on later ones.
pub const RESTORE_AHEAD: usize = 4 * RESTORE_TOGETHER;
/// Messages that a thread gets together: waking it for each takes longer than moving one.
pub const RESTORE_TOGETHER: usize = 32;
/// Bytes after which a thread gets no more together: a restore that is given up waits for them.
pub const RESTORE_TOGETHER_BYTES: u64 = 256 << 10;
/// After a thread wrote this many files, or this many bytes, a restore starts syncing to the card, which is slower than
/// reading a drive. Each such sync costs a commit of the file system's journal.
pub const RESTORE_EARLY_FILES: usize = 2_048;
/// Bytes after which it does so.
pub const RESTORE_EARLY_BYTES: u64 = 8 << 20;
/// New folders of a mailbox that a restore stages as a whole: each stays open until it gets its name.
pub const RESTORE_NEW_FOLDERS: usize = 64;
/// Bytes of names of Maildirs that a restore holds in memory, to recognise messages whose flags were changed: a quarter
/// of a million names.
pub const RESTORE_MAILDIR_BYTES: usize = 16 << 20;
/// Messages without room that are listed one by one; the others are counted.
pub const RESTORE_UNFIT_LISTED: u64 = 1_000;
/// Messages read ahead while others are written, and copies opened ahead while others are read back: enough to keep a
/// fast disk busy, few enough for any limit on open files.
pub const READ_AHEAD_COPIES: usize = 64;

/// Messages that are kept in memory between the look that confirmed them and their copies, in bytes: two batches of the
/// first size, so that the scan can be ahead of a drive, and small enough for a board with little memory. A message
/// longer than `COPY_BUFFER_BYTES` is not kept.
pub const MESSAGE_CACHE_BYTES: usize = 8 << 20;

/// Part of a message that is parsed for headers and parts, in bytes: headers are far shorter, and what comes over a
/// slow link seldom is longer.
pub const HEADER_BYTES: usize = 64 << 10;
/// Characters stored of a sender, receiver or subject.
pub const HEADER_CHARS: usize = 120;
/// Buffer for streaming a message, in bytes.
pub const COPY_BUFFER_BYTES: usize = 128 << 10;
/// Depth to which a mailbox tree is followed; beyond it a finding is made.
pub const MAILBOX_DEPTH: usize = 128;
/// Names of one folder of a mailbox that are held in memory to be sorted, in bytes: more than a million names. A larger
/// folder is read up to here, and a finding is made.
pub const MAILBOX_FOLDER_BYTES: usize = 64 << 20;
/// A new version that ends in this many NUL bytes looks like blocks lost in a power failure.
pub const NUL_TAIL_BYTES: usize = 64;
/// The smallest block of a card: if one is all NUL in a new version, it may never have been written.
pub const NUL_BLOCK_BYTES: usize = 512;

/// Hints about the mailbox that wait to be checked; if more come, a scan replaces them.
pub const HINTS_MAX: usize = 4_096;
/// A mailbox is scanned once more this long after a folder appeared in it: files may come into the folder after the
/// first scan and before the kernel's hints about it begin.
pub const NEW_FOLDER_RESCAN_AFTER: Duration = Duration::from_secs(2);
/// Paths whose versions are held back by `churn`; beyond it the oldest are forgotten.
pub const CHURN_PATHS_MAX: usize = 4_096;
/// Files of the same content that are compared with each other to find moves: without the bound, a million empty files
/// would each be compared with a million.
pub const ALIKE_MAX: u32 = 32;
/// Messages of each kind that a report lists one by one; the others are counted.
pub const LISTED_MAX: usize = 10_000;
/// Messages read at a mailbox's old and new place, to decide whether it has moved.
pub const MOVED_MESSAGES: usize = 32;
/// Length of each of them at most, in bytes.
pub const MOVED_BYTES: u64 = 256 << 10;
/// Bytes that must be free on the card for the state to be stored there: the catalogue's journal of a few changes.
pub const STATE_ROOM_BYTES: u64 = 256 << 10;
/// Problems listed for one pass; the others are counted.
pub const PROBLEMS_MAX: usize = 1_000;

/// A failed drive is tried again after this; the wait doubles at each failure.
pub const RETRY_FIRST: Duration = Duration::from_secs(5);
/// The longest wait between two tries.
pub const RETRY_LONGEST: Duration = Duration::from_secs(600);
/// A drive that works and has not finished a batch for this long is called stalled: the slowest stick (100 kB/s) takes
/// about 40 s for one.
pub const STALLED_AFTER: Duration = Duration::from_secs(90);
/// How long a command waits for the daemon's answer about the drives.
pub const ANSWER_PATIENCE: Duration = Duration::from_secs(2);
/// How long a command waits until a drive is released: a batch on the slowest stick.
pub const RELEASE_PATIENCE: Duration = Duration::from_secs(60);
/// A stick seen for the first time is announced until its operator says whose it is, or for this long: a day, so that
/// whoever looks once a day sees it, and nobody has to answer for each stick of his own.
pub const NEW_DRIVE_ANNOUNCED: Duration = Duration::from_secs(86_400);
/// Leave for the next new stick lasts no longer than this: after that the operator has forgotten that he gave it.
pub const LET_IN_LONGEST: Duration = Duration::from_secs(86_400);
/// A request to the daemon longer than this, in bytes, is refused.
pub const REQUEST_BYTES: u64 = 4 << 10;
/// Zeros on a drive that is wiped go into files of at most this length, in bytes: FAT holds none of 4 GiB.
pub const ZEROS_FILE_BYTES: u64 = 1 << 30;
/// Zeros after which a wipe syncs, in bytes, and checks for a stop.
pub const ZEROS_SYNCED_BYTES: u64 = 16 << 20;
/// A text in the daemon's answer is shown up to this length, in characters.
pub const ANSWER_TEXT_CHARS: usize = 1_000;
/// The daemon's answer is read up to this length, in bytes.
pub const ANSWER_BYTES: u64 = 256 << 10;
/// Requests answered at once; more wait.
pub const REQUESTS_MAX: usize = 4;
/// How long a stop waits for the workers to end.
pub const STOP_PATIENCE: Duration = Duration::from_secs(4);
/// "Safe to pull" appears this long after the last commit.
pub const SAFE_TO_PULL_AFTER: Duration = Duration::from_secs(1);

/// Senders, and folders, that a report lists separately; further ones are combined.
pub const GROUPS_MAX: usize = 5_000;
/// Exposure intervals that a report uses, the latest ones: 4 MiB of memory.
pub const EXPOSURE_INTERVALS_MAX: usize = 250_000;
/// Steps of a chart: as many rows as the table of the same numbers may have on paper.
pub const CHART_STEPS: usize = 48;
/// Messages of each kind in a table for a spreadsheet: a mailbox of a year, in 100 MiB of memory.
pub const TABLE_ROWS_MAX: usize = 200_000;

/// The daemon's report waits this long after a change, so that a burst of mail makes one.
pub const REPORT_AFTER: Duration = Duration::from_secs(10);
/// The daemon writes its report no more often than this.
pub const REPORT_EVERY: Duration = Duration::from_secs(300);
/// A program that the daemon started is ended after this: an audit of a million messages on a single-board computer
/// takes less.
pub const PROGRAM_PATIENCE: Duration = Duration::from_secs(300);

/// Bytes read by one step of a scrub, at most: it takes a slow stick (1 MB/s, common practice, no source) four seconds,
/// and whoever needs the drive meanwhile waits for one buffer only.
pub const SCRUB_STEP_BYTES: u64 = 4 << 20;
/// Copies read by one step, at most: this many small ones take a stick about as long.
pub const SCRUB_STEP_COPIES: u32 = 1_000;
/// A scrub cycle begins after this part of its interval, in eighths: the rest is for reading slowly, and for times at
/// which a drive or the computer is away.
pub const SCRUB_DUE_EIGHTHS: u32 = 7;
/// After an error, a scrub pauses for this long.
pub const SCRUB_PAUSE_AFTER_ERROR: Duration = Duration::from_secs(600);

/// A drive is distrusted at this many points. A copy that was right in a later mount and has other bytes now is one
/// point: the device's own check catches decay of a cell and answers with an error instead, so eight points are no
/// decay. (No source for the number; one badly repaired file system spoils a few.)
pub const DISTRUST_POINTS: i64 = 8;
/// Points of a copy that has zeros or another copy's bytes, as from a device with less room than it claims, whose
/// addresses wrap, or one that dropped a write. Two files on the same clusters make one such copy.
pub const POINTS_OF_FOREIGN: i64 = 4;
/// A drive whose ledger ends at the same earlier place this many times in a row has kept nothing of as many sessions.
/// Once is a power failure, twice may be an old state put back.
pub const SHRINKS_MAX: i64 = 3;

/// Entries stored of a drive's history: two sticks that are taken for each other again and again make many.
pub const DRIVE_EVENTS_KEPT: u32 = 100;
/// Entries of it that are shown, the latest ones.
pub const DRIVE_EVENTS_SHOWN: u32 = 20;
/// Characters that an operator may use to say where a drive went.
pub const DRIVE_PLACE_CHARS: usize = 200;

/// Days over which the rate is measured at which a drive fills up.
pub const FILLED_DAYS: i64 = 28;
/// Days of history below which no rate is shown: one busy day is none.
pub const FILLED_DAYS_LEAST: i64 = 3;
/// A change of a drive's free space by less than this, in bytes, is not stored.
pub const ROOM_STEP: u64 = 1 << 20;
/// Batches that may be pruned in one sync: a drive of old versions alone is worked off in a few syncs, and no sync goes
/// on for ever.
pub const PRUNE_ROUNDS_MAX: u32 = 64;
/// Below this many days left, a report warns.
pub const DAYS_LEFT_LOW: u64 = 14;

/// The extras on a drive are updated this long after the last change on it: whoever waits for "safe to pull" has pulled
/// it by then.
pub const EXTRAS_AFTER: Duration = Duration::from_secs(60);
/// The daemon updates them no more often than this: writing wears a stick out.
pub const EXTRAS_EVERY: Duration = Duration::from_secs(3600);
/// Messages on a page of a drive's list of messages: about 250 kB, which a slow stick (100 kB/s) takes in three seconds
/// and any browser shows at once. Five pages are in memory at a time.
pub const INDEX_PAGE_MESSAGES: usize = 1_000;
/// Characters of the folders that a line of that list names: a path may be as long as `PATH_BYTES_MAX`, a page not.
pub const INDEX_FOLDER_CHARS: usize = 240;
/// The latest messages that the first page of that list shows.
pub const INDEX_LATEST: usize = 25;
/// Bytes of extras that are written before a sync: a pulled stick or a stop waits for no more, and no more is held in
/// memory.
pub const EXTRAS_CHUNK_BYTES: usize = 4 << 20;
/// Bytes of texts that are collected before they are written: they share three syncs. It is about four pages, and a
/// stick that is pulled meanwhile has no more that say that they are being written.
pub const EXTRAS_WAITING_BYTES: usize = 1 << 20;
/// A file longer than this, in bytes, is left alone where a text belongs: it would have to be filled up to its end, and
/// no page or config of ours comes near.
pub const EXTRAS_TEXT_BYTES: u64 = 64 << 20;
/// A config on a drive longer than this, in bytes, is not one of ours.
pub const EXTRAS_CONFIG_BYTES: u64 = 256 << 10;
/// A program on a drive is filled up if an earlier version was longer by at most this many bytes.
pub const EXTRAS_PROGRAM_MORE: u64 = 64 << 20;
/// The file of a program's hash on a drive is no longer than this, in bytes.
pub const EXTRAS_SUM_BYTES: u64 = 4 << 10;
/// A time span in a config is at most a hundred years: a typing error is reported, and every span can be written in
/// days again.
pub const SPAN_MAX: Duration = Duration::from_secs(36_500 * 86_400);
