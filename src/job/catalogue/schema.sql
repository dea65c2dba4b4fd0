-- The catalogue: the host's own database of the mailbox and of what each drive's ledger says.
-- A cache: everything in it is read again from mailbox and drives when it is lost.
CREATE TABLE meta (name TEXT PRIMARY KEY, value TEXT NOT NULL) WITHOUT ROWID;

-- A content seen anywhere: in the mailbox or on a drive. Headers for display only.
CREATE TABLE content (
    id INTEGER PRIMARY KEY,
    sha256 BLOB NOT NULL,
    bytes INTEGER NOT NULL,           -- beside the digest, since a ledger may lie about it
    sender TEXT, receivers TEXT, subject TEXT, date TEXT,
    body INTEGER, quoted INTEGER, attached INTEGER,   -- octets, as stored; NULL until it was read
    -- From the ledgers' lines, for display only, in claimed seconds. First sight: of the earliest change that a line
    -- tells of, with that change's order, and whether something vouched for the clock. The first proven copy, and
    -- how long the content had waited for it: where several drives tell of it, the shortest wait.
    seen INTEGER, seen_era INTEGER, seen_tick INTEGER, clock INTEGER, proven INTEGER, waited INTEGER,
    UNIQUE (sha256, bytes)
);

CREATE TABLE mailbox (id INTEGER PRIMARY KEY, name TEXT NOT NULL UNIQUE, root BLOB);

-- One row a path ever seen in a mailbox. `key` is the path with NUL for '/', so that the rows sort
-- as a sorted walk visits the files. `tick` numbers the changes a drive has to be told of.
CREATE TABLE file (
    mailbox INTEGER NOT NULL, key BLOB NOT NULL,
    state INTEGER NOT NULL,
    bytes INTEGER NOT NULL, modified_s INTEGER NOT NULL, modified_n INTEGER NOT NULL,
    changed INTEGER NOT NULL, inode INTEGER NOT NULL, mode INTEGER NOT NULL,
    looked INTEGER NOT NULL,          -- monotonic milliseconds of the first look at these facts
    first_seen INTEGER NOT NULL,      -- claimed wall time, seconds
    clock INTEGER NOT NULL,           -- whether something vouched for that
    content INTEGER,                  -- what it was when last read
    good INTEGER,                     -- the last version that was not suspect, if this one is
    suspect TEXT,
    tick INTEGER NOT NULL,
    PRIMARY KEY (mailbox, key)
) WITHOUT ROWID;
CREATE INDEX file_by_tick ON file (tick);
-- With state and tick, so that a content of a million files is not gone through for each of them.
CREATE INDEX file_by_content ON file (content, state, tick);
CREATE INDEX file_unsettled ON file (state) WHERE state > 1;
CREATE INDEX file_good ON file (good) WHERE good IS NOT NULL;

CREATE TABLE drive (
    id INTEGER PRIMARY KEY, uuid TEXT NOT NULL UNIQUE,
    label TEXT NOT NULL, found_at BLOB NOT NULL,
    state TEXT NOT NULL, detail TEXT NOT NULL,
    last_seen TEXT, last_verified TEXT,
    medium TEXT NOT NULL,             -- what it was when last seen: usb, card, other
    away TEXT,                        -- since when it is elsewhere, as the operator declared
    worn TEXT,                        -- why it is to be replaced soon; NULL while it is not
    distrust TEXT,                    -- why nothing on it counts any more; NULL while it is trusted
    wrong INTEGER NOT NULL DEFAULT 0, -- points for copies once right and now others' octets
    fell_to INTEGER, falls INTEGER NOT NULL DEFAULT 0,  -- where its ledger last fell back to, how often in a row
    room INTEGER,                     -- octets free after the last pass
    known_since TEXT,                 -- when this card first saw it
    serial TEXT,                      -- serial number of the file system that it was last seen on
    folder BLOB,                      -- the plain folder that it was last seen in; NULL: it was on a device
    origin TEXT,                      -- the drive that it was copied from; itself, where it is no copy
    same_device TEXT,                 -- the mailbox on whose own device it was last seen; NULL: of none
    -- Since when its operator gives it up, why, and where it went. Taken back by the operator only.
    forgotten TEXT, forgotten_why TEXT, forgotten_place TEXT,
    -- Since when another drive stands where it was, which one, and how that is known (`ReplacedHow`). Taken back as
    -- soon as it is seen.
    replaced TEXT, replaced_by TEXT, replaced_how TEXT
);

-- Every place where a drive was ever found, and the last one found there: what is there without it is an empty
-- mount point, wherever the drive is now.
CREATE TABLE found (at BLOB PRIMARY KEY, drive INTEGER NOT NULL) WITHOUT ROWID;

-- What is known of a station's ledger on a drive: as far as `ledger_bytes` it need not be read again.
CREATE TABLE book (
    id INTEGER PRIMARY KEY, drive INTEGER NOT NULL, station TEXT NOT NULL,
    ledger_bytes INTEGER NOT NULL, head BLOB NOT NULL, seq INTEGER NOT NULL,
    manifest_bytes INTEGER NOT NULL,
    segment INTEGER NOT NULL, segment_used INTEGER NOT NULL, next_number INTEGER NOT NULL,
    era INTEGER NOT NULL,             -- the latest era in the ledger
    card TEXT NOT NULL,               -- the card that wrote in that era
    session TEXT,                     -- the mount last written in; NULL while a batch is under way
    opened INTEGER NOT NULL,          -- whether this session's `opened` line is written
    told INTEGER NOT NULL,            -- the tick up to which the ledger tells of the mailbox
    unproven INTEGER NOT NULL,        -- lines were read that nobody here made durable
    scattered INTEGER NOT NULL,       -- copies without a line may be in any segment
    trusted INTEGER NOT NULL DEFAULT 1,  -- 0: of a drive that is not; its copies make no message safe
    UNIQUE (drive, station)
);

-- Re-reading, by rounds over all copies of a book. A round is due by its own age, claimed or counted.
CREATE TABLE reread (
    book INTEGER PRIMARY KEY,
    round INTEGER NOT NULL,           -- the round under way, or the last one
    open INTEGER NOT NULL,            -- 1: it is under way
    begun INTEGER NOT NULL,           -- claimed seconds
    waited INTEGER NOT NULL,          -- seconds since then that were counted, whatever the clock claims
    boot TEXT, at INTEGER NOT NULL,   -- the boot and its seconds up to which they are; NULL: not counted yet
    errors INTEGER NOT NULL           -- copies in this round that the medium would not give
);

-- Octets written to a book, by days of the calendar on which something vouched for the clock.
CREATE TABLE filled (
    book INTEGER NOT NULL, day INTEGER NOT NULL, bytes INTEGER NOT NULL,
    PRIMARY KEY (book, day)
) WITHOUT ROWID;
-- Mounts in which a sync failed: what the system remembers of them may not be on the medium.
CREATE TABLE lost_pages (session TEXT PRIMARY KEY) WITHOUT ROWID;

CREATE TABLE book_mailbox (
    book INTEGER NOT NULL, mailbox INTEGER NOT NULL, root BLOB NOT NULL,
    PRIMARY KEY (book, mailbox)
) WITHOUT ROWID;

CREATE TABLE payload (
    book INTEGER NOT NULL, number INTEGER NOT NULL,
    segment INTEGER NOT NULL, extension TEXT NOT NULL,
    content INTEGER NOT NULL, state INTEGER NOT NULL,
    proven INTEGER NOT NULL,          -- claimed seconds of the last time it was read and was right; for display
    reread INTEGER NOT NULL,          -- 0: when it was made, in the same mount; 1: in a later look
    round INTEGER NOT NULL,           -- the round of re-reading that last came to it
    PRIMARY KEY (book, number)
) WITHOUT ROWID;
CREATE INDEX payload_by_content ON payload (content, book);
-- Few: what is to be made again is found without going through a book.
CREATE INDEX payload_lost ON payload (book) WHERE state IN (2, 3);
CREATE INDEX payload_given_up ON payload (book) WHERE state = 6;

-- Where, by a drive's ledger, a message is or was. No content: it says only that one left.
CREATE TABLE place (
    book INTEGER NOT NULL, mailbox INTEGER NOT NULL, key BLOB NOT NULL,
    content INTEGER, good INTEGER, good_modified TEXT, suspect TEXT,
    modified_s INTEGER NOT NULL, modified_n INTEGER NOT NULL, mode INTEGER NOT NULL,
    era INTEGER NOT NULL, tick INTEGER NOT NULL,
    gone INTEGER NOT NULL,            -- 0 there, 1 removed, 2 vanished, 3 moved away
    PRIMARY KEY (book, mailbox, key)
) WITHOUT ROWID;
CREATE INDEX place_by_content ON place (content, book);
CREATE INDEX place_good ON place (good) WHERE good IS NOT NULL;

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
