//! What the simulator has found in the program, each with a seed that found it: these run first. A seed belongs to the
//! current generator of histories: whoever changes that finds new seeds for these, by undoing the fix and searching for
//! a seed that finds the fault.

/// The harm, and the seed of a history in which it occurred.
pub(crate) const FOUND: [(&str, u64); 6] = [
    (
        "a message restored and then cut short taken for a new one, where it had once vanished",
        60_696,
    ),
    ("the good version of a damaged message taken for debris, after the logs were lost", 57_468),
    ("a failed sync forgotten with the catalogue", 20_037),
    ("a number used twice, after a folder could not be listed", 3_815),
    ("a pass without end, over the second place of a message whose first was gone", 8_924),
    ("a copy without a line passed over, in a folder before the last", 4_759),
];

/// Seeds that have found sabotages, tried before any other.
pub(crate) const SABOTAGE_SEEDS: [u64; 9] = [1, 12, 4, 13, 25, 300, 663, 1_355, 2_023];
