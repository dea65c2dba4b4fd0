//! What may befall a drive: one file a kind of harm.

mod full;
mod halves;
mod hostile;
mod ledger;
mod lost_logs;
mod mount_point;
mod read_only;
mod rot;
mod untrusted;
