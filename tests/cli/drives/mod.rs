//! What may befall a drive: one file a kind of harm.

mod clones;
mod forgotten;
mod full;
mod halves;
mod hostile;
mod ledger;
mod lost_logs;
mod mount_point;
mod read_only;
mod refused;
mod replaced;
mod rot;
mod rotten_id;
mod same_device;
mod untrusted;
mod wiped;
