//! The fixture: a host whose tables and tree of devices are files in a temporary folder.
//! Makes no assertions.

use counterfoil::disk::mounts::{DeviceUse, Finder, MountedDrive, System};
use std::cell::RefCell;
use std::fs;
use std::os::unix::fs::symlink;
use std::path::{Path, PathBuf};

pub struct Host {
    dir: tempfile::TempDir,
    table: RefCell<Vec<(u64, PathBuf)>>,
}

impl Host {
    pub fn bare() -> Self {
        let host = Self { dir: tempfile::tempdir().unwrap(), table: RefCell::default() };
        for folder in
            ["proc/self", "sys/dev/block", "sys/class/block", "sys/bus/usb", "sys/bus/mmc"]
        {
            fs::create_dir_all(host.path(folder)).unwrap();
        }
        host.write("proc/self/mountinfo", "");
        host
    }

    /// A board that runs from its memory card.
    pub fn on_a_card() -> Self {
        let host = Self::bare();
        host.card("mmcblk0", 179, 0, 1);
        host.partition("mmcblk0", "mmcblk0p2", 179, 2);
        host.partition("mmcblk0", "mmcblk0p1", 179, 1);
        host.mount(1, "179:2", "/", "/", "ext4", "/dev/mmcblk0p2");
        host
    }

    /// A board that runs from a disk on USB.
    pub fn on_usb(name: &str, major: u32) -> Self {
        let host = Self::bare();
        host.usb_disk(name, major, 0, 1);
        host.partition(name, &format!("{name}2"), major, 2);
        host.mount(1, &format!("{major}:2"), "/", "/", "ext4", "/dev/root");
        host
    }

    fn path(&self, below: &str) -> PathBuf {
        self.dir.path().join(below)
    }

    pub fn write(&self, below: &str, text: &str) {
        fs::create_dir_all(self.path(below).parent().unwrap()).unwrap();
        fs::write(self.path(below), text).unwrap();
    }

    pub fn usb_disk(&self, name: &str, major: u32, minor: u32, sequence: u64) {
        let place = format!("pci0000:00/usb1/1-{minor}/host{minor}/0:0:0:{minor}");
        self.disk(
            name,
            major,
            minor,
            &place,
            Some(("usb", &format!("pci0000:00/usb1/1-{minor}"))),
            sequence,
        );
    }

    pub fn card(&self, name: &str, major: u32, minor: u32, sequence: u64) {
        let place = format!("platform/soc/mmc_host/mmc{minor}/mmc{minor}:0001");
        self.disk(name, major, minor, &place, Some(("mmc", &place)), sequence);
    }

    /// A disk at a path of the tree, with the bus of a device above it.
    pub fn disk(
        &self,
        name: &str,
        major: u32,
        minor: u32,
        place: &str,
        bus: Option<(&str, &str)>,
        sequence: u64,
    ) {
        let device = format!("sys/devices/{place}/block/{name}");
        fs::create_dir_all(self.path(&device)).unwrap();
        self.write(&format!("{device}/diskseq"), &format!("{sequence}\n"));
        if let Some((bus, above)) = bus {
            let link = self.path(&format!("sys/devices/{above}/subsystem"));
            symlink(self.path("sys/bus").join(bus), link).unwrap();
        }
        self.number(name, &device, major, minor);
    }

    pub fn partition(&self, disk: &str, name: &str, major: u32, minor: u32) {
        let disk = fs::canonicalize(self.path("sys/class/block").join(disk)).unwrap();
        let device = disk.join(name);
        let device = device.strip_prefix(fs::canonicalize(self.dir.path()).unwrap()).unwrap();
        let device = device.to_str().unwrap();
        self.write(&format!("{device}/partition"), "1\n");
        self.number(name, device, major, minor);
    }

    /// A mapping over a partition, `DISK/PARTITION`.
    pub fn mapping(&self, name: &str, major: u32, minor: u32, over: &str) {
        self.disk(name, major, minor, "virtual", None, 99);
        let part = over.split('/').next_back().unwrap();
        let slaves = self.path(&format!("sys/devices/virtual/block/{name}/slaves"));
        fs::create_dir_all(&slaves).unwrap();
        let beneath = fs::canonicalize(self.path("sys/class/block").join(part)).unwrap();
        symlink(beneath, slaves.join(part)).unwrap();
    }

    fn number(&self, name: &str, device: &str, major: u32, minor: u32) {
        let device = self.path(device);
        fs::write(device.join("dev"), format!("{major}:{minor}\n")).unwrap();
        symlink(&device, self.path(&format!("sys/dev/block/{major}:{minor}"))).unwrap();
        symlink(&device, self.path("sys/class/block").join(name)).unwrap();
    }

    /// The device vanishes; its mounts stay listed.
    pub fn pull(&self, name: &str, major: u32, minor: u32) {
        let device = fs::canonicalize(self.path("sys/class/block").join(name)).unwrap();
        fs::remove_file(self.path("sys/class/block").join(name)).unwrap();
        fs::remove_file(self.path(&format!("sys/dev/block/{major}:{minor}"))).unwrap();
        fs::remove_dir_all(device).unwrap();
        fs::remove_dir_all(self.path(&format!("sys/devices/pci0000:00/usb1/1-{minor}"))).unwrap();
    }

    /// A line of the table. `at` as the kernel writes it.
    pub fn mount(&self, id: u64, device: &str, root: &str, at: &str, fs_type: &str, source: &str) {
        let mut table = fs::read_to_string(self.path("proc/self/mountinfo")).unwrap();
        table.push_str(&format!(
            "{id} 1 {device} {root} {at} rw shared:1 - {fs_type} {source} rw\n"
        ));
        self.write("proc/self/mountinfo", &table);
        self.table.borrow_mut().push((id, at.replace("\\040", " ").into()));
    }

    pub fn found(&self) -> Vec<MountedDrive> {
        self.found_beside(&[])
    }

    pub fn found_at(&self, at: &str) -> Option<MountedDrive> {
        Finder::new(self.system(), Vec::new()).find_at(Path::new(at))
    }

    pub fn found_beside(&self, keep_off: &[&str]) -> Vec<MountedDrive> {
        Finder::new(self.system(), keep_off.iter().map(PathBuf::from).collect()).find()
    }

    /// Whether two paths lie on one disk, each given with the device that is visible there.
    pub fn share_a_disk(&self, one: ((u32, u32), &str), other: ((u32, u32), &str)) -> bool {
        let beneath =
            |(device, at): ((u32, u32), &str)| self.system().disks_beneath(device, Path::new(at));
        !beneath(one).is_disjoint(&beneath(other))
    }

    fn system(&self) -> System {
        let table = self.table.borrow().clone();
        // The latest mount that covers a path is visible there.
        let seen = move |path: &Path| {
            let covering = table.iter().filter(|(_, at)| path.starts_with(at));
            covering.max_by_key(|(id, at)| (at.components().count(), *id)).map(|(id, _)| *id)
        };
        System::at(fs::canonicalize(self.dir.path()).unwrap(), seen)
    }

    /// The use of the device that is visible at a path.
    pub fn device_use(&self, device: (u32, u32), at: &str) -> DeviceUse {
        self.system().device_use(device, Path::new(at))
    }

    pub fn written_by_this_process(&self) -> Option<u64> {
        self.system().written_by_this_process()
    }

    /// A loop device that shows the contents of a file.
    pub fn image(&self, name: &str, major: u32, minor: u32, file: &str) {
        self.disk(name, major, minor, "virtual", None, 98);
        self.write(
            &format!("sys/devices/virtual/block/{name}/loop/backing_file"),
            &format!("{file}\n"),
        );
    }

    pub fn places(&self, found: &[MountedDrive]) -> Vec<String> {
        found.iter().map(|found| found.key.mount_point.to_str().unwrap().to_owned()).collect()
    }
}
