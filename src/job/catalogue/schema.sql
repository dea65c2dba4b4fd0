-- The catalogue: the host's own database of the mailbox and of what each drive's ledger says.
-- A cache: everything in it is read again from mailbox and drives when it is lost.
--
-- The numbers of the states of files and copies stand in `states.rs`; of all SQL, this file alone repeats them: in
-- generated columns, which name a set of states, in the conditions of partial indexes, and in views.
CREATE TABLE meta (name TEXT PRIMARY KEY, value TEXT NOT NULL) WITHOUT ROWID;

-- A content seen anywhere: in the mailbox or on a drive. Headers for display only.
CREATE TABLE content (
    id INTEGER PRIMARY KEY,
    sha256 BLOB NOT NULL,
    bytes INTEGER NOT NULL,           -- a part of the key, since a ledger may give a wrong one
    sender TEXT, receivers TEXT, subject TEXT, date TEXT,
    body INTEGER, quoted INTEGER, attached INTEGER,   -- bytes, as stored; NULL until it was read
    message_id TEXT,                  -- tells a later version of a message from another message
    -- From the ledgers' lines, for display only, in claimed seconds. First sight: the earliest in any line, and
    -- whether something vouched for the clock. The first proven copy, and for how long the content had none: where
    -- several drives have it, the shortest time.
    seen INTEGER, clock INTEGER, proven INTEGER, exposure INTEGER,
    UNIQUE (sha256, bytes)
);

CREATE TABLE mailbox (
    id INTEGER PRIMARY KEY, name TEXT NOT NULL UNIQUE, root BLOB,
    scanned INTEGER NOT NULL DEFAULT 0  -- the last change known when all of it was last scanned
);

-- A writer is one run of a program that changes something; its positions are the numbers of its changes. Of this
-- card's own writers the first and last number are known, of others the highest in any ledger.
CREATE TABLE writer (
    bits INTEGER PRIMARY KEY,
    own_first INTEGER, own_last INTEGER,
    defined INTEGER NOT NULL,         -- whether its parents are known
    disputed INTEGER NOT NULL,        -- two ledgers disagree about them
    seen INTEGER NOT NULL
);
CREATE INDEX writer_own ON writer (own_first) WHERE own_first IS NOT NULL;
-- The parents of a writer: the position it continues from, then those it had read.
CREATE TABLE writer_link (
    writer INTEGER NOT NULL, number INTEGER NOT NULL, parent INTEGER NOT NULL, n INTEGER NOT NULL,
    PRIMARY KEY (writer, number)
) WITHOUT ROWID;

-- One row for each path ever seen in a mailbox. `key` is the path with NUL for '/', so that the rows sort as a sorted
-- walk visits the files. `change_no` numbers the changes that drives have to record.
CREATE TABLE file (
    mailbox INTEGER NOT NULL, key BLOB NOT NULL,
    state INTEGER NOT NULL,           -- `FileState`
    bytes INTEGER NOT NULL, modified_s INTEGER NOT NULL, modified_n INTEGER NOT NULL,
    changed INTEGER NOT NULL, inode INTEGER NOT NULL, mode INTEGER NOT NULL,
    first_statted INTEGER NOT NULL,   -- monotonic milliseconds when these facts were first found
    first_seen INTEGER NOT NULL,      -- claimed wall time, seconds
    clock INTEGER NOT NULL,           -- whether something vouched for that
    content INTEGER,                  -- what it was when last read
    good INTEGER,                     -- the last version that was not suspect, if this one is
    suspect TEXT,
    change_no INTEGER NOT NULL,
    since INTEGER NOT NULL DEFAULT 0,   -- the change that brought this content here
    departure_read INTEGER NOT NULL DEFAULT 0,  -- the change with which this card read in a ledger that the content
                                        -- had left: what any drive recorded before may be taken back there or elsewhere
    hinted INTEGER NOT NULL DEFAULT 0,  -- the change under way was seen as it happened
    move_target INTEGER NOT NULL DEFAULT 0, -- a departure names this as the location that the content moved to
    twin_seen INTEGER NOT NULL DEFAULT 0,   -- the change that brought a twin elsewhere while this was there: that was
                                        -- no move of this one
    -- Settled: it is there, and its content is known.
    is_present INTEGER NOT NULL AS (state = 1),
    -- It was there when last scanned, settled or not.
    is_there INTEGER NOT NULL AS (state <= 5),
    -- It is known to be gone, however it went.
    is_gone INTEGER NOT NULL AS (state >= 8),
    PRIMARY KEY (mailbox, key)
) WITHOUT ROWID;
CREATE INDEX file_by_change ON file (change_no);
-- With state and change_no, so that a content of a million files is not searched for each of them.
CREATE INDEX file_by_content ON file (content, state, change_no);
CREATE INDEX file_new ON file (content, since) WHERE state = 1 AND move_target = 0 AND suspect IS NULL;
CREATE INDEX file_unsettled ON file (state) WHERE state > 1;
CREATE INDEX file_good ON file (good) WHERE good IS NOT NULL;

-- Settled files, to be found by their content.
CREATE VIEW present_by_content AS SELECT * FROM file INDEXED BY file_by_content WHERE state = 1;
-- Files that are there, or not yet known to be gone, and whose content could be read.
CREATE VIEW readable_by_content AS SELECT * FROM file INDEXED BY file_by_content WHERE state IN (1, 2, 5, 6, 7);
-- The same, and those that could be read once and cannot now.
CREATE VIEW live_by_content AS SELECT * FROM file INDEXED BY file_by_content WHERE state IN (1, 2, 3, 5, 6, 7);
-- All but settled files; the few in each state are found by it.
CREATE VIEW unsettled_file AS SELECT * FROM file INDEXED BY file_unsettled WHERE state > 1;
-- Locations that a content may have moved to.
CREATE VIEW possible_move_target AS
    SELECT mailbox, key, content, since FROM file INDEXED BY file_new
    WHERE state = 1 AND move_target = 0 AND suspect IS NULL;

-- Contents that are gone from a location without a witness, or that the card has damaged there. Each is wanted back,
-- until it is in a mailbox again or somebody acknowledges that it is gone.
CREATE TABLE missing (
    mailbox INTEGER NOT NULL, key BLOB NOT NULL, content INTEGER NOT NULL,
    damaged INTEGER NOT NULL,         -- 1: a version that looks like damage is there in its place
    modified_s INTEGER NOT NULL, modified_n INTEGER NOT NULL, mode INTEGER NOT NULL,
    first_seen INTEGER NOT NULL, clock INTEGER NOT NULL,
    change_no INTEGER NOT NULL,
    PRIMARY KEY (mailbox, key, content)
) WITHOUT ROWID;
CREATE INDEX missing_by_content ON missing (content);
CREATE INDEX missing_by_change ON missing (change_no);

-- Contents that this card saw leave a location, and how. `to_`: the successor, the same content at another location,
-- or another one at the same.
CREATE TABLE departed (
    mailbox INTEGER NOT NULL, key BLOB NOT NULL, content INTEGER NOT NULL,
    why TEXT NOT NULL, to_mailbox INTEGER, to_key BLOB, to_content INTEGER,
    change_no INTEGER NOT NULL,
    at INTEGER NOT NULL,              -- claimed seconds, for a person
    PRIMARY KEY (mailbox, key, content)
) WITHOUT ROWID;
CREATE INDEX departed_by_change ON departed (change_no);
CREATE INDEX departed_by_content ON departed (content);
-- Few compared with what is moved and replaced: what is counted as withheld.
CREATE INDEX departed_for_good ON departed (mailbox) WHERE why IN ('deleted', 'acknowledged');
CREATE INDEX departed_by_successor ON departed (to_content) WHERE to_content IS NOT NULL;

-- Contents that a drive has for a location, and that a person does not want there on this card. No drive records it:
-- the messages may be another card's.
CREATE TABLE not_wanted (
    mailbox INTEGER NOT NULL, key BLOB NOT NULL, content INTEGER NOT NULL,
    at INTEGER NOT NULL,              -- claimed seconds, for a person
    PRIMARY KEY (mailbox, key, content)
) WITHOUT ROWID;

CREATE TABLE drive (
    id INTEGER PRIMARY KEY, uuid TEXT NOT NULL UNIQUE,
    label TEXT NOT NULL, found_at BLOB NOT NULL,
    state TEXT NOT NULL, detail TEXT NOT NULL,
    last_seen TEXT, last_verified TEXT,
    medium TEXT NOT NULL,             -- what it was when last seen: usb, card, other
    away TEXT,                        -- since when it is elsewhere, as the operator declared
    worn TEXT,                        -- why it is to be replaced soon; NULL while it is not
    distrust TEXT,                    -- why nothing on it counts any more; NULL while it is trusted
    corruption_points INTEGER NOT NULL DEFAULT 0, -- for copies that were right once and have other bytes now
    rolled_back_to INTEGER, rollbacks INTEGER NOT NULL DEFAULT 0, -- where its ledger ended when it came back with less
                                      -- than it had, and how often in a row it ended there
    room INTEGER,                     -- bytes free after the last pass
    known_since TEXT,                 -- when this card first saw it
    serial TEXT,                      -- serial number of the file system that it was last seen on
    folder BLOB,                      -- the plain folder that it was last seen in; NULL: it was on a device
    origin TEXT,                      -- the drive that it was copied from; itself, where it is no copy
    same_device TEXT,                 -- the mailbox on whose own device it was last seen; NULL: of none
    -- Since when its operator gives it up, why, and where it went. Taken back by the operator only.
    forgotten TEXT, forgotten_why TEXT, forgotten_place TEXT,
    -- Since when another drive stands where it was, which one, and how that is known (`ReplacedHow`). Taken back as
    -- soon as it is seen.
    replaced TEXT, replaced_by TEXT, replaced_how TEXT,
    own_from INTEGER                  -- the first line of its ledger that this card wrote, or 1, once it came back with
                                      -- what this card had written; NULL: none
);

-- What contradicts what this card remembers, or what another drive says (`Contradiction`); `other` NULL is this card.
CREATE TABLE contradiction (
    drive INTEGER NOT NULL, other INTEGER, what TEXT NOT NULL,
    line INTEGER NOT NULL,            -- of the drive's ledger
    disqualified INTEGER NOT NULL,    -- 1: the drive's copies count for nothing
    settled INTEGER NOT NULL          -- 1: its operator has decided
);
CREATE INDEX contradiction_of_drive ON contradiction (drive);

-- Ends of ledgers, as this card wrote or read them, that were not in them any more when they were read again.
CREATE TABLE known_end (
    id INTEGER PRIMARY KEY, drive INTEGER NOT NULL, station TEXT NOT NULL, seq INTEGER NOT NULL, hash BLOB NOT NULL,
    UNIQUE (drive, station, seq, hash)
);

-- The latest statement of a ledger about the last line of another drive's.
CREATE TABLE witness (
    replica INTEGER NOT NULL, drive TEXT NOT NULL, -- by its id: it may never have been here
    line INTEGER NOT NULL,            -- of the ledger that says so
    seq INTEGER NOT NULL, hash BLOB NOT NULL,
    own INTEGER NOT NULL,             -- 1: this card said so, of its own knowledge
    open INTEGER NOT NULL,            -- 1: not compared with that drive's ledger yet
    PRIMARY KEY (replica, drive)
) WITHOUT ROWID;
CREATE INDEX witness_open ON witness (drive) WHERE open;

-- Drives that are ours, where only known ones are used; and in the file `known-drives`. `how`: added, let-in, copied.
-- `serial`: of the file system that it was on then, NULL where none could be read.
CREATE TABLE known_drive (
    uuid TEXT PRIMARY KEY, label TEXT NOT NULL, serial TEXT, how TEXT NOT NULL, since TEXT NOT NULL
) WITHOUT ROWID;

-- Drives that were announced as seen for the first time, by id and serial number. Since when, by the clock of a boot;
-- NULL: no longer.
CREATE TABLE new_drive (
    uuid TEXT PRIMARY KEY, serial TEXT, boot TEXT, at INTEGER NOT NULL
) WITHOUT ROWID;

-- Every place where a drive was ever found, and the last one found there: what is there without it is an empty
-- mount point, wherever the drive is now.
CREATE TABLE found (at BLOB PRIMARY KEY, drive INTEGER NOT NULL) WITHOUT ROWID;

-- What is known of a station's ledger on a drive: as far as `ledger_bytes` it need not be read again.
CREATE TABLE replica (
    id INTEGER PRIMARY KEY, drive INTEGER NOT NULL, station TEXT NOT NULL,
    ledger_bytes INTEGER NOT NULL, head BLOB NOT NULL, seq INTEGER NOT NULL,
    manifest_bytes INTEGER NOT NULL,
    segment INTEGER NOT NULL, segment_used INTEGER NOT NULL, next_number INTEGER NOT NULL,
    gaps INTEGER NOT NULL DEFAULT 0,  -- lines of the ledger that cannot be read
    gaps_since INTEGER NOT NULL DEFAULT 0,    -- the change after which the last of them was found
    gaps_unknown INTEGER NOT NULL DEFAULT 0,  -- those of them that this card never read
    session TEXT,                     -- the mount last written in; NULL while a batch is under way
    opened INTEGER NOT NULL,          -- whether this session's `opened` line is written
    recorded_through INTEGER NOT NULL,    -- the last change that the ledger records of `recorded_mailboxes`
    recorded_mailboxes TEXT NOT NULL DEFAULT '',  -- the rows of these mailboxes
    lacking INTEGER NOT NULL DEFAULT 0, -- messages that the ledger asserts and this card's mailboxes lack
    lacking_bytes INTEGER NOT NULL DEFAULT 0, lacking_newest INTEGER,
    unsynced_lines INTEGER NOT NULL,  -- lines were read that nobody here made durable
    unlisted_anywhere INTEGER NOT NULL, -- copies without a line may be in any segment
    trusted INTEGER NOT NULL DEFAULT 1, -- 0: of a drive that is not; its copies make no message safe
    partial INTEGER NOT NULL DEFAULT 0, -- 1: more of the ledger is in the tables than `ledger_bytes` says, and not all
    UNIQUE (drive, station)
);

-- Scrubbing: all copies of a replica are read again, in cycles. A cycle is due by its own age, claimed or counted.
CREATE TABLE scrub (
    replica INTEGER PRIMARY KEY,
    cycle INTEGER NOT NULL,           -- the cycle under way, or the last one
    open INTEGER NOT NULL,            -- 1: it is under way
    begun INTEGER NOT NULL,           -- claimed seconds
    elapsed INTEGER NOT NULL,         -- seconds since then that were counted, whatever the clock claims
    boot TEXT, uptime INTEGER NOT NULL, -- the boot and its seconds up to which they are; NULL: not counted yet
    errors INTEGER NOT NULL           -- copies in this cycle that the medium would not give
);

-- Bytes written to a replica, by days of the calendar on which something vouched for the clock.
CREATE TABLE written_by_day (
    replica INTEGER NOT NULL, day INTEGER NOT NULL, bytes INTEGER NOT NULL,
    PRIMARY KEY (replica, day)
) WITHOUT ROWID;
-- Mounts in which a sync failed: what the system remembers of them may not be on the medium.
CREATE TABLE lost_pages (session TEXT PRIMARY KEY) WITHOUT ROWID;

CREATE TABLE replica_mailbox (
    replica INTEGER NOT NULL, mailbox INTEGER NOT NULL, root BLOB NOT NULL,
    PRIMARY KEY (replica, mailbox)
) WITHOUT ROWID;

CREATE TABLE payload (
    replica INTEGER NOT NULL, number INTEGER NOT NULL,
    segment INTEGER NOT NULL, extension TEXT NOT NULL,
    content INTEGER NOT NULL,
    state INTEGER NOT NULL,           -- `CopyState`
    proven INTEGER NOT NULL,          -- claimed seconds of the last time it was read and was right; for display
    reread INTEGER NOT NULL,          -- 0: that was when it was made, in the same mount; 1: later
    cycle INTEGER NOT NULL DEFAULT 0, -- the scrub cycle that last read it
    read_here INTEGER NOT NULL DEFAULT 1, -- 0: this card never read it, and knows it from its line alone
    is_good INTEGER NOT NULL AS (state = 1),
    -- Whole when last read, whether or not a line says where it belongs.
    is_whole INTEGER NOT NULL AS (state IN (1, 5)),
    -- Whole, or not checked yet. A list of three would cost a table of its own for every row written.
    is_usable INTEGER NOT NULL AS (state IN (0, 1) OR state = 5),
    -- Damaged, or not there.
    is_bad INTEGER NOT NULL AS (state IN (2, 3)),
    -- Given up by the ledger, removed or not.
    is_given_up INTEGER NOT NULL AS (state >= 6),
    PRIMARY KEY (replica, number)
) WITHOUT ROWID;
-- With state, so that whether a content has a good copy is answered by the index alone.
CREATE INDEX payload_by_content ON payload (content, replica, state);
-- Few: what has to be made again is found without a scan of the replica.
CREATE INDEX payload_bad ON payload (replica) WHERE state IN (2, 3);
CREATE INDEX payload_to_remove ON payload (replica) WHERE state = 6;

CREATE VIEW bad_copy AS SELECT * FROM payload INDEXED BY payload_bad WHERE state IN (2, 3);
-- Copies that the ledger has given up, and that may still be there.
CREATE VIEW copy_to_remove AS SELECT * FROM payload INDEXED BY payload_to_remove WHERE state = 6;

-- What a ledger asserts: that a content is at a location, as of a position. A row for each line; `ended` is the line
-- that says it left. `as_of` is that position in this card's own numbers: the last of its changes that the line can
-- know of.
CREATE TABLE assertion (
    replica INTEGER NOT NULL, mailbox INTEGER NOT NULL, key BLOB NOT NULL, content INTEGER NOT NULL,
    line INTEGER NOT NULL,
    writer INTEGER NOT NULL, n INTEGER NOT NULL, as_of INTEGER NOT NULL,
    ended INTEGER,
    missing INTEGER NOT NULL,         -- 1: the line says that it is wanted back there
    suspect TEXT,
    modified_s INTEGER NOT NULL, modified_n INTEGER NOT NULL, mode INTEGER NOT NULL,
    PRIMARY KEY (replica, mailbox, key, content, line)
) WITHOUT ROWID;
CREATE INDEX assertion_by_content ON assertion (content, replica);

-- A ledger's statement that a content left a location. One that does not count withholds nothing.
CREATE TABLE departure (
    replica INTEGER NOT NULL, mailbox INTEGER NOT NULL, key BLOB NOT NULL, content INTEGER NOT NULL,
    line INTEGER NOT NULL,
    writer INTEGER NOT NULL, n INTEGER NOT NULL,
    gaps INTEGER NOT NULL,            -- unreadable lines that its writer knew of
    why TEXT NOT NULL, counts INTEGER NOT NULL,
    to_mailbox INTEGER, to_key BLOB,  -- a location that has the successor; NULL: there is none
    to_content INTEGER,               -- the content there; NULL: the same
    PRIMARY KEY (replica, mailbox, key, content, line)
) WITHOUT ROWID;
CREATE INDEX departure_by_content ON departure (content, replica);
-- A change is about one content at one location.
CREATE INDEX departure_by_position ON departure (writer, n);
CREATE INDEX departure_for_good ON departure (replica, mailbox) WHERE why IN ('deleted', 'acknowledged');
CREATE INDEX departure_by_successor ON departure (to_content) WHERE to_content IS NOT NULL;

-- All that a ledger asserted for a mailbox up to a line holds as of this position too.
CREATE TABLE mark (
    replica INTEGER NOT NULL, mailbox INTEGER NOT NULL, line INTEGER NOT NULL,
    writer INTEGER NOT NULL, n INTEGER NOT NULL, as_of INTEGER NOT NULL,
    latest INTEGER NOT NULL,          -- 1: none after it is as of a later change, so that `as_of` falls from each of
                                      -- these to the next
    PRIMARY KEY (replica, mailbox, line)
) WITHOUT ROWID;
CREATE INDEX mark_latest ON mark (replica, mailbox, line) WHERE latest;
CREATE INDEX mark_outdated ON mark (replica, mailbox, as_of) WHERE latest;
-- Writers that a ledger describes.
CREATE TABLE replica_writer (
    replica INTEGER NOT NULL, writer INTEGER NOT NULL, line INTEGER NOT NULL,
    PRIMARY KEY (replica, writer)
) WITHOUT ROWID;

-- What a ledger asserts now, and as of which of this card's changes at the latest.
CREATE VIEW current_assertion AS
    SELECT a.replica, a.mailbox, a.key, a.content, a.line, a.missing, a.suspect, a.modified_s, a.modified_n, a.mode,
        max(a.as_of, coalesce((SELECT m.as_of FROM mark m INDEXED BY mark_latest
            WHERE m.replica = a.replica AND m.mailbox = a.mailbox AND m.line > a.line AND m.latest
            ORDER BY m.line LIMIT 1), 0)) AS as_of
    FROM assertion a WHERE a.ended IS NULL;

-- Contents that a replica would give back at a location: its copy is good, and its ledger asserts that it is there.
-- Asked with a location, so assertions are found by their key (`+` keeps the index by content out of it).
CREATE VIEW restorable AS
    SELECT s.mailbox, s.key, p.content, s.as_of, p.replica
    FROM payload p INDEXED BY payload_by_content
    CROSS JOIN current_assertion s ON s.replica = p.replica AND +s.content = p.content
    WHERE p.state = 1;

-- What the checks of a replica compare with. First what its ledger was when it was last read or written: its whole
-- lines, counted, and a digest over their hashes; changed together with `replica.ledger_bytes`.
CREATE TABLE checks (
    replica INTEGER PRIMARY KEY, lines INTEGER NOT NULL, digest BLOB NOT NULL,
    cycle INTEGER NOT NULL,           -- the scrub cycle that last read both logs through
    lengths_to INTEGER NOT NULL       -- the segment up to which lengths were checked; 0: all of them
);

-- Lines of a log (`Log`) that could be read once and cannot any more, until they are written again.
CREATE TABLE log_damage (
    replica INTEGER NOT NULL, log INTEGER NOT NULL,
    at INTEGER NOT NULL, lines INTEGER NOT NULL,
    unreadable INTEGER NOT NULL,      -- the medium answers with an error there
    PRIMARY KEY (replica, log)
) WITHOUT ROWID;

-- What was said of a drive and found out about it, in the order of `id`; for a person.
CREATE TABLE drive_history (
    id INTEGER PRIMARY KEY, drive INTEGER NOT NULL,
    at TEXT NOT NULL, what TEXT NOT NULL, why TEXT, place TEXT
);
CREATE INDEX drive_history_by_drive ON drive_history (drive);

-- Drives that were here at once, though their file systems have one serial number: two drives, then.
CREATE TABLE drives_apart (
    one TEXT NOT NULL, other TEXT NOT NULL,
    PRIMARY KEY (one, other)
) WITHOUT ROWID;
