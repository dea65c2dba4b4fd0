//! Every bound of the program, with its unit in the name and its reason beside it.
//! Nothing here may depend on the machine it runs on.

use std::time::Duration;

/// A batch closes at this many messages: each batch costs two flushes, whatever its size, and what
/// gathers while a station is being carried about goes in one.
pub const BATCH_MESSAGES: usize = 128;
/// A batch closes at this many bytes: about 40 s on a stick that writes 100 kB/s, so a
/// stop request or a pulled stick never waits for more than that.
pub const BATCH_BYTES: u64 = 4 << 20;
/// While a backlog is worked off, a batch that took less than this is followed by one of
/// twice the size, so a fast disk is not held to the pace of a slow stick.
pub const BATCH_QUICK: Duration = Duration::from_millis(250);
/// The largest a batch may grow to, in messages: bounds what one failed sync makes void.
pub const BATCH_MESSAGES_MAX: usize = 2048;
/// The largest a batch may grow to, in bytes.
pub const BATCH_BYTES_MAX: u64 = 32 << 20;

/// Messages in one segment folder. FAT holds 65,536 entries a folder, one entry for each of our
/// names; 2,000 keeps a folder's look-up, which is a linear search on FAT, short.
pub const SEGMENT_MESSAGES: u32 = 2_000;
/// Highest segment number: four digits, so a folder name is one FAT entry.
pub const SEGMENT_MAX: u32 = 9_999;
/// Up to this segment number every mount session begins a segment of its own, so that a folder a
/// cut may have damaged is not written again; later ones are filled up, so that numbers last.
pub const SEGMENT_PER_SESSION_MAX: u32 = 5_000;
/// Highest payload number: eight digits, so a file name is one FAT entry (8.3).
pub const NUMBER_MAX: u32 = 99_999_999;

/// Longest ledger line read, in bytes: two escaped paths of `PATH_BYTES_MAX`, three bytes
/// each, and the fixed fields. A longer one is junk and is passed over without being held.
pub const LEDGER_LINE_BYTES: usize = 32 << 10;
/// Lines of a ledger that are taken in of any drive, however few copies are on it: what opens it, and marks, of many
/// years come to, at fourteen a day for ten years. Of invented ones the catalogue takes 40 MB at most.
pub const LEDGER_LINES_PLAIN: u64 = 50_000;
/// Lines beside those for each copy that is there: a message's arrival, flags, moves and leaving, each with its mark,
/// and its witnesses, are a dozen. More than all this somebody else has written, unless `drives add` says otherwise.
pub const LEDGER_LINES_A_COPY: u64 = 48;
/// Other drives whose last lines one commit writes down: those first of which this ledger knows the least. With a mark
/// and a message's line a dozen commits come to `LEDGER_LINES_A_COPY`.
pub const WITNESSES_A_COMMIT: usize = 2;
/// Other drives of which is kept what a ledger says of their last lines, the latest line of each; a station has fewer.
pub const WITNESSES_KEPT: usize = 64;
/// Ends of a drive's ledger that are remembered though it does not go on from them: a stick and its copies in turn have
/// one each.
pub const ENDS_REMEMBERED: usize = 64;
/// The shortest line that anybody can write, in bytes: its hash, and the fields that every line has.
pub const LEDGER_LINE_LEAST: u64 = 150;
/// Copies counted on a drive: no ledger can have lines for more that would be taken in.
pub const COPIES_COUNTED: u64 = 20_000_000;
/// Lines of a ledger that are taken into the catalogue together: whoever brings new mail waits for no more. A board
/// takes less than a second for them.
pub const LEDGER_PORTION_LINES: u64 = 2_048;
/// Bytes of catalogue for each byte of ledger that is taken in: 1.1 was measured of 100,000 messages with short paths.
/// Beside them the journal of a portion or two.
pub const CATALOGUE_PER_LEDGER: u64 = 2;
/// Bytes of the card that reading ledgers leaves free: the state of some ten thousand messages to come. Of a card that
/// has less than twice as much, half of what it has.
pub const STATE_FLOOR_BYTES: u64 = 8 << 20;
/// A ledger whose lines take this much of the card at most, in bytes, is taken in as long as the state can be kept at
/// all: a drive that is new or hardly used.
pub const LEDGER_SMALL_BYTES: u64 = 64 << 10;
/// The catalogue's journal is cut to this many bytes once what is in it is in the catalogue.
pub const CATALOGUE_JOURNAL_BYTES: u64 = 4 << 20;
/// Memory that a catalogue without a file takes at most, in bytes, as of a restore where no disk has room.
pub const CATALOGUE_MEMORY_BYTES: u64 = 256 << 20;
/// Rows of a drive that is not used after all, deleted together.
pub const ROWS_DROPPED: u32 = 1_000;
/// Where so many bytes of a ledger or more are to be read, a thread reads ahead of the one that takes them in.
pub const LEDGER_AHEAD_BYTES: u64 = 64 << 10;
/// Lines that it reads ahead: twice as many may be held, of some hundred bytes each.
pub const LEDGER_AHEAD_LINES: usize = 128;
/// Positions that a writer names as its beginning: its parent, and one for each card whose ledgers it had read. A line
/// with more is none of ours.
pub const WRITER_LINKS_MAX: usize = 64;
/// Writers that a ledger tells of, and as many times four positions that they had before them: ten runs a day for
/// twenty-seven years. What it tells of more is not kept, so that their positions cover nothing; they would take more
/// than 15 MB of memory.
pub const WRITERS_A_LEDGER: u64 = 100_000;
/// Writers of whom it is remembered up to where a ledger has told: those that it tells of, and as many whose
/// beginnings it does not tell. What others say is not said to have been read, so that it is not withheld either.
pub const WRITERS_MET: usize = 2 * WRITERS_A_LEDGER as usize;
/// Links from writer to writer that are followed while a ledger is read, or while a restore is decided on: a second of
/// a PC, ten of a board. A station's own come to a hundredth of it in a hundred thousand departures. Beyond it nothing
/// is covered any more, and more is given back.
pub const WRITER_STEPS_MAX: u64 = 100_000_000;
/// Mailboxes that a mark is about; of more, several are written. A line with more is none of ours: each of them is a
/// row of the catalogue, for a few bytes of the ledger.
pub const MARK_MAILBOXES_MAX: usize = 16;
/// Marks of one mailbox in one ledger that are held to decide: fourteen a day for nineteen years. Of more it is not
/// looked up what they cover, and everything that they renew is given back.
pub const MARKS_HELD: usize = 100_000;
/// Marks behind a line that cover none of each other. Whoever writes a ledger has read it, so that a station's own all
/// cover those before them. With more the line's message is given back, whatever departures say.
pub const MARKS_APART: usize = 64;
/// Lines that tell of one location, held to decide about it: a draft saved every minute for a fortnight. Of more only
/// those of contents that are not held yet, and what the others told again is given back, whatever departures say.
pub const LINES_OF_A_LOCATION: usize = 20_000;
/// Moves and later versions of one message that are followed to what is there in the end, as of a draft saved again
/// and again: beyond, the departure waits.
pub const HEIRS_FOLLOWED: usize = 4_096;
/// Departures that a restore goes back through from a message of which no good copy can be had. A forged ledger may
/// name any number of them.
pub const VERSIONS_FOLLOWED: usize = 256;
/// Versions of one message that a restore tries one after the other where no good copy of the last can be had.
pub const VERSIONS_MAX: usize = 8;
/// Highest number believed in a ledger line, of lines, bytes and changes: what every reader of JSON holds exactly
/// (RFC 8259, section 6).
pub const COUNT_MAX: u64 = 1 << 53;
/// A ledger whose lines are numbered higher is not gone on with. No drive gets there by writing.
pub const LINES_MAX: u64 = COUNT_MAX / 2;
/// Numbers among which the first line of a run of lines draws its own, beyond the last one before. Two runs that go on
/// from one line, as after lines were lost, have no number in common but by chance: once in a million times where each
/// has a hundred lines. And sixteen million runs use up no ledger (`LINES_MAX`).
pub const RUN_NUMBERS: u64 = 1 << 28;
/// Longest manifest line read, in bytes: a digest, two blanks and one of our own names.
pub const MANIFEST_LINE_BYTES: usize = 4 << 10;
/// A run of bytes in a ledger that are no lines, longer than this, is the work of no power failure: the longest batch,
/// each of its lines as long as may be. There the reading ends, however long the file.
pub const LEDGER_JUNK_BYTES: u64 = (BATCH_MESSAGES_MAX * LEDGER_LINE_BYTES) as u64;
/// The same for a manifest.
pub const MANIFEST_JUNK_BYTES: u64 = (BATCH_MESSAGES_MAX * MANIFEST_LINE_BYTES) as u64;
/// Longest message path, in bytes: Linux's PATH_MAX, which counts the NUL at its end.
pub const PATH_BYTES_MAX: usize = 4_095;
/// Longest part of such a path, in bytes: Linux's NAME_MAX.
pub const NAME_PART_BYTES: usize = 255;
/// Longest name of a station or mailbox, in bytes: it is a folder name on the drive.
pub const NAME_BYTES_MAX: usize = 64;
/// A drive.json longer than this, in bytes, is not one of ours.
pub const DRIVE_FILE_BYTES: u64 = 4 << 10;
/// Ids given to one drive: the first, and one for each time it was found to be a copy of another.
pub const DRIVE_FILES_MAX: u32 = 9;
/// Stations read from one drive.
pub const STATIONS_MAX: usize = 256;
/// Drives served at once: a device that shows a hundred partitions does not get a hundred workers.
pub const DRIVES_MAX: usize = 16;
/// A file at least this long, in bytes, of which the medium has next to nothing, is hollow: reading its zeros would
/// take for ever. Shorter ones are read.
pub const HOLLOW_FROM: u64 = 4 << 20;
/// Next to nothing: of so many bytes one, for a file system may press what it keeps.
pub const HOLLOW_TIMES: u64 = 32;
/// Entries read from one folder of a drive: far above what we write, far below what would hurt.
pub const DRIVE_FOLDER_ENTRIES: usize = 20_000;

/// Commits of the previous session re-read when a drive comes back: published power-fault
/// studies saw requests lost that a drive had completed up to 700 ms before the power failure.
pub const RECHECK_MESSAGES: u32 = 64;
/// Bytes of them re-read at most.
pub const RECHECK_BYTES: u64 = 8 << 20;

/// The lengths of copies are looked at for this long when a drive comes: on FAT each costs a search through its folder,
/// 0.15 ms and more at 2,000 files, so a hundred thousand would hold up new mail for 15 s. Elsewhere all of them take
/// less than this.
pub const LENGTHS_FOR: Duration = Duration::from_secs(1);

/// Room kept free on a drive, in bytes, so that the logs of a full drive can still be ended.
pub const RESERVE_BYTES: u64 = 4 << 20;
/// Room counted for a message beside its own bytes: a cluster, a folder entry, two log lines.
pub const OVERHEAD_BYTES: u64 = 34 << 10;

/// Messages that a restore gives their names after one sync: one of a card's costs as much as writing hundreds.
pub const RESTORE_BATCH_MESSAGES: usize = 16_384;
/// Bytes of them.
pub const RESTORE_BATCH_BYTES: u64 = 64 << 20;
/// Messages that a restore reads and writes while it decides on later ones.
pub const RESTORE_AHEAD: usize = 4 * RESTORE_TOGETHER;
/// Of these, so many are handed on together: waking a thread for each takes longer than reading it.
pub const RESTORE_TOGETHER: usize = 32;
/// And so many bytes at most.
pub const RESTORE_TOGETHER_BYTES: usize = 256 << 10;
/// After so many files, or so many bytes, a restore sends what it has written on its way to the card, which is
/// slower than a drive is read. Each such sync costs a journal's commit.
pub const RESTORE_EARLY_FILES: usize = 2_048;
/// The same in bytes.
pub const RESTORE_EARLY_BYTES: u64 = 8 << 20;
/// New folders of a mailbox that a restore fills before they get their names: each is held open until then.
pub const RESTORE_NEW_FOLDERS: usize = 64;
/// Bytes of names of Maildirs that a restore holds, to know messages again whose flags were changed: a quarter of a
/// million names.
pub const RESTORE_MAILDIR_BYTES: usize = 16 << 20;
/// Messages that did not fit, listed one by one; the rest is counted.
pub const RESTORE_UNFIT_LISTED: u64 = 1_000;
/// Messages read ahead while others are written, and copies opened ahead while others are read back:
/// enough to keep a quick disk busy, few enough for any limit on open files.
pub const READ_AHEAD_COPIES: usize = 32;

/// Part of a message handed to the reader of headers and parts, in bytes: headers are far shorter, and what
/// comes over a slow link seldom is longer.
pub const HEADER_BYTES: usize = 64 << 10;
/// Characters kept of a sender, receiver or subject.
pub const HEADER_CHARS: usize = 120;
/// Buffer for streaming a message, in bytes.
pub const COPY_BUFFER_BYTES: usize = 128 << 10;
/// Depth of a mailbox tree that is followed; beyond it a finding is made.
pub const MAILBOX_DEPTH: usize = 128;
/// Names of one folder of a mailbox that are held to be sorted, in bytes together: more than a million. A
/// folder with more is read so far, and a finding is made.
pub const MAILBOX_FOLDER_BYTES: usize = 64 << 20;
/// A new version that ends in this many NUL bytes looks like blocks lost in a power cut.
pub const NUL_TAIL_BYTES: usize = 64;
/// The least block of a card: where all of one is NUL in a new version, it may never have been written.
pub const NUL_BLOCK_BYTES: usize = 512;

/// Hints from the mailbox waiting to be looked at; when they overflow a scan replaces them.
pub const HINTS_MAX: usize = 4_096;
/// A mailbox is looked over once more this long after a folder appeared in it: files may come into the
/// folder after the first look and before the kernel's hints about it begin.
pub const NEW_FOLDER_LOOKED_AT_AGAIN: Duration = Duration::from_secs(2);
/// Paths whose versions are held back by `churn`; beyond it the oldest are forgotten.
pub const CHURN_PATHS_MAX: usize = 4_096;
/// Files of the same content that are compared with each other to see what was moved where: were it all of
/// them, a million empty files would each be compared with a million.
pub const ALIKE_MAX: u32 = 32;
/// Messages listed one by one in a report, of each kind; the rest is counted.
pub const LISTED_MAX: usize = 10_000;
/// Messages read where a mailbox was and where it is, to see whether it has moved.
pub const MOVED_MESSAGES: usize = 32;
/// None of them longer than this, in bytes.
pub const MOVED_BYTES: u64 = 256 << 10;
/// Bytes that must be free on the card for the state to be kept there: the catalogue's journal of a few changes.
pub const STATE_ROOM_BYTES: u64 = 256 << 10;
/// Problems kept of one pass; the rest is counted.
pub const PROBLEMS_MAX: usize = 1_000;

/// A failed drive is tried again after this, doubled at each failure.
pub const RETRY_FIRST: Duration = Duration::from_secs(5);
/// The longest wait between two tries.
pub const RETRY_LONGEST: Duration = Duration::from_secs(600);
/// A drive that is at work and has not ended a batch for this long is called stalled: the slowest stick
/// (100 kB/s) takes about 40 s for one.
pub const STALLED_AFTER: Duration = Duration::from_secs(90);
/// How long a command waits for the daemon's answer on how the drives are.
pub const ANSWER_PATIENCE: Duration = Duration::from_secs(2);
/// How long a command waits for a drive to be let go: a batch on the slowest stick.
pub const RELEASE_PATIENCE: Duration = Duration::from_secs(60);
/// A stick seen for the first time is announced until its operator says whose it is, or for this long: a day, so that
/// whoever looks once a day sees it, and nobody has to answer for each stick of his own.
pub const NEW_DRIVE_ANNOUNCED: Duration = Duration::from_secs(86_400);
/// The next new stick is let in for this long at most: beyond it the operator has forgotten that he asked.
pub const LET_IN_LONGEST: Duration = Duration::from_secs(86_400);
/// A request to the daemon longer than this, in bytes, is refused.
pub const REQUEST_BYTES: u64 = 4 << 10;
/// Zeros written to a drive that is wiped lie in files of at most this length, in bytes: FAT holds none of 4 GiB.
pub const ZEROS_FILE_BYTES: u64 = 1 << 30;
/// After so many zeros, in bytes, they are handed over to the device: a stop is heard as often.
pub const ZEROS_SYNCED_BYTES: u64 = 16 << 20;
/// A text in the daemon's answer is shown up to this length, in characters.
pub const ANSWER_TEXT_CHARS: usize = 1_000;
/// The daemon's answer is read up to this length, in bytes.
pub const ANSWER_BYTES: u64 = 256 << 10;
/// Requests answered at once; more wait.
pub const REQUESTS_MAX: usize = 4;
/// How long a stop waits for the workers.
pub const STOP_PATIENCE: Duration = Duration::from_secs(4);
/// "Safe to pull" shows this long after the last commit.
pub const SAFE_TO_PULL_AFTER: Duration = Duration::from_secs(1);

/// Senders, and folders, that a report tells apart: more are put together.
pub const SHARES_MAX: usize = 5_000;
/// Waits for a first copy that a report takes into account, the latest: 4 MiB of memory.
pub const WAITS_MAX: usize = 250_000;
/// Steps of a chart: as many rows as the table of the same numbers may have on paper.
pub const CHART_STEPS: usize = 48;
/// Messages of each kind in a table for a spreadsheet: a mailbox of a year, in 100 MiB of memory.
pub const TABLE_ROWS_MAX: usize = 200_000;

/// The daemon's report waits this long after a change, so that a burst of mail makes one.
pub const REPORT_AFTER: Duration = Duration::from_secs(10);
/// The daemon writes its report no more often than this.
pub const REPORT_EVERY: Duration = Duration::from_secs(300);
/// A program that the daemon set off is ended after this: an audit of a million messages on a board takes less.
pub const PROGRAM_PATIENCE: Duration = Duration::from_secs(300);

/// Bytes re-read in one step, at most: it takes a slow stick (1 MB/s, common practice, no source) four seconds,
/// and anybody who wants the drive meanwhile waits for one buffer of it only.
pub const SCRUB_STEP_BYTES: u64 = 4 << 20;
/// Copies of one step, at most: so many small ones take a stick about as long.
pub const SCRUB_STEP_COPIES: u32 = 1_000;
/// A scrub cycle begins when this part of its span is over, in eighths: the rest is for reading slowly,
/// and for a drive or a box that is away for a while.
pub const REREAD_EIGHTHS: u32 = 7;
/// After an error in a scrub it is left for this long.
pub const REREAD_AFTER_ERROR: Duration = Duration::from_secs(600);

/// A drive is not trusted any more at this many points. A copy that was right in a later mount and has other bytes
/// now is one: decay of a cell is caught by the device's own check, which answers with an error instead, so eight
/// are no decay. (No source for the number; one file system repaired badly spoils a few.)
pub const DISTRUST_POINTS: i64 = 8;
/// Points of a copy that has zeros or another copy's bytes: what a device with less room than it claims gives back
/// where addresses wrap, and one that dropped a write. Two files on the same clusters make one such copy.
pub const POINTS_OF_FOREIGN: i64 = 4;
/// A drive whose ledger ends, at so many comings in a row, at the same earlier place has kept nothing of as many
/// sessions. Once is a power failure, twice may be an old state put back.
pub const FALLS_MAX: i64 = 3;

/// Entries of a drive's history that are kept: two sticks that are taken for each other again and again make many.
pub const DRIVE_EVENTS_KEPT: u32 = 100;
/// Entries of it that are shown, the latest.
pub const DRIVE_EVENTS_SHOWN: u32 = 20;
/// Characters that an operator may say of where a drive went.
pub const DRIVE_PLACE_CHARS: usize = 200;

/// Days of the calendar over which the rate is taken that fills a drive.
pub const FILLED_DAYS: i64 = 28;
/// Days of history below which no rate is told: one busy day is none.
pub const FILLED_DAYS_LEAST: i64 = 3;
/// A change of a drive's room by less than this, in bytes, is not written down.
pub const ROOM_STEP: u64 = 1 << 20;
/// Times that superseded versions are given up in one round, a batch each: a drive of old versions alone is worked off
/// in a few rounds, and no round goes on for ever.
pub const PRUNE_ROUNDS_MAX: u32 = 64;
/// Below this many days left a person is told.
pub const DAYS_LEFT_LOW: u64 = 14;

/// What a drive carries beside the copies is looked after this long after the last change on it: whoever waits for
/// "safe to pull" has pulled it by then.
pub const CARRY_AFTER: Duration = Duration::from_secs(60);
/// The daemon looks after it no more often than this: a stick wears out by writing.
pub const CARRY_EVERY: Duration = Duration::from_secs(3600);
/// Messages on a page of a drive's list of messages: about 250 kB, which a slow stick (100 kB/s) takes in three seconds
/// and any browser shows at once. Held in memory is one page.
pub const INDEX_PAGE_MESSAGES: usize = 1_000;
/// Characters of the folders that a line of that list names: a path may be as long as `PATH_BYTES_MAX`, a page not.
pub const INDEX_FOLDER_CHARS: usize = 240;
/// Messages on the first page of that list, the latest.
pub const INDEX_LATEST: usize = 25;
/// Bytes of what a drive carries that are written before they are synced: a pulled stick or a stop waits for no more,
/// and no more is held in memory.
pub const CARRY_CHUNK_BYTES: usize = 4 << 20;
/// A file longer than this, in bytes, is left alone where a text is to be carried: it would have to be filled up to
/// its end, and no page or config of ours comes near.
pub const CARRIED_TEXT_BYTES: u64 = 64 << 20;
/// A config on a drive longer than this, in bytes, is not one of ours.
pub const CARRIED_CONFIG_BYTES: u64 = 256 << 10;
/// A program on a drive is filled up where an earlier version was longer by so many bytes at most.
pub const CARRIED_PROGRAM_MORE: u64 = 64 << 20;
/// The file of a program's hash on a drive is no longer than this, in bytes.
pub const CARRIED_SUM_BYTES: u64 = 4 << 10;
/// A time span in a config is at most a hundred years: a slip is told, and every span can be written in days again.
pub const SPAN_MAX: Duration = Duration::from_secs(36_500 * 86_400);
