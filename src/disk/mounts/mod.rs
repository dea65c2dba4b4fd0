//! Removable drives as the kernel shows them: what is mounted, on which device, and when that changes.
//! Never looks at what is on a drive, and never makes the medium do anything.

mod device_beneath;
mod finder;
mod system;
mod watch;

pub use finder::{Finder, Found, MountKey};
pub use system::{BlockDevice, System};
pub use watch::MountWatch;
