//! Removable drives as the kernel shows them: what is mounted, on which device, and when that changes.
//! Never reads what is on a drive, and never accesses the medium.

mod device_beneath;
mod device_use;
mod finder;
mod system;
mod watch;

pub use device_use::{CardKind, DeviceUse};
pub use finder::{Finder, MountKey, MountedDrive};
pub use system::{BlockDevice, System};
pub use watch::MountWatch;
