//! Time and events: the loop that watches the mailbox and serves the drives as they come and go.
//! Makes no words for a person and touches no file system but through `disk` and `job`.

pub mod clock;
