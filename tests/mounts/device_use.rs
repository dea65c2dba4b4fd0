//! What the kernel counts and says of the card: written to it, and its wear, on a host made of files. Files that nobody
//! can make sense of are not known, and no error.
//!
//! Contents of the files: the kernel's Documentation/block/stat.rst, Documentation/ABI/testing/sysfs-fs-ext4,
//! Documentation/ABI/testing/sysfs-bus-mmc; proc_pid_io(5).

use crate::host::Host;
use counterfoil::disk::mounts::{CardKind, DeviceUse};
use counterfoil::model::{Reserve, Wear};

/// Reads, writes and flushes; the seventh column is the sectors written.
const STAT: &str = "  812 12 34567 890 4321 56 2048 789 0 1000 2000 0 0 0 0 17 3\n";

/// A board that runs from a card with these files of its device, and a file system of this kind.
fn board(card: &[(&str, &str)], ext4: bool) -> Host {
    let host = Host::on_a_card();
    let disk = "sys/devices/platform/soc/mmc_host/mmc0/mmc0:0001/block/mmcblk0";
    host.write(&format!("{disk}/stat"), STAT);
    for (name, text) in card {
        host.write(&format!("{disk}/device/{name}"), text);
    }
    if ext4 {
        host.write("sys/fs/ext4/mmcblk0p2/lifetime_write_kbytes", "3000\n");
        host.write("sys/fs/ext4/mmcblk0p2/session_write_kbytes", "40\n");
    }
    host
}

fn use_of(host: &Host) -> DeviceUse {
    host.device_use((179, 2), "/home/op/mail")
}

#[test]
fn an_emmc_says_how_worn_it_is_and_the_kernel_what_was_written_to_it() {
    for (life_time, tenths, is_worn) in
        [("0x01 0x08", 8, false), ("0x01 0x09", 9, true), ("0x0b 0x01", 11, true)]
    {
        let device = [("type", "MMC\n"), ("life_time", life_time), ("pre_eol_info", "0x01\n")];
        let found = use_of(&board(&device, true));
        let wear = Wear { tenths: Some(tenths), reserve: Some(Reserve::Normal) };
        let kind = Some(CardKind::Emmc);
        let written_ever = Some(3000 << 10);
        assert_eq!(found, DeviceUse { written: Some(2048 * 512), written_ever, kind, wear });
        assert_eq!(found.wear.is_worn(), is_worn);
    }
    let urgent = [("type", "MMC\n"), ("life_time", "0x01 0x01\n"), ("pre_eol_info", "0x03\n")];
    assert!(use_of(&board(&urgent, true)).wear.is_worn());
}

#[test]
fn an_sd_card_is_one_and_says_nothing_of_its_wear() {
    let found = use_of(&board(&[("type", "SD\n")], true));
    assert_eq!((found.kind, found.wear), (Some(CardKind::Sd), Wear::default()));
    assert_eq!(found.written, Some(2048 * 512));
}

#[test]
fn another_file_system_is_counted_by_its_disk_and_an_ext4_without_that_count_by_its_own() {
    let vfat = use_of(&board(&[], false));
    assert_eq!((vfat.written, vfat.written_ever), (Some(2048 * 512), None));
    let host = board(&[], true);
    host.write("sys/devices/platform/soc/mmc_host/mmc0/mmc0:0001/block/mmcblk0/stat", "none");
    let ext4 = use_of(&host);
    assert_eq!((ext4.written, ext4.written_ever), (Some(40 << 10), Some(3000 << 10)));
}

/// The files of a disk beneath a mapping are those of the disk; the file system has the name of the mapping.
#[test]
fn the_disk_beneath_a_mapping_is_the_one_that_counts() {
    let host = Host::bare();
    host.disk("nvme0n1", 259, 0, "pci0000:00/nvme/nvme0", None, 5);
    host.partition("nvme0n1", "nvme0n1p2", 259, 2);
    host.mapping("dm-0", 254, 0, "nvme0n1/nvme0n1p2");
    host.mount(1, "254:0", "/", "/", "ext4", "/dev/mapper/root");
    host.write("sys/devices/pci0000:00/nvme/nvme0/block/nvme0n1/stat", STAT);
    host.write("sys/devices/virtual/block/dm-0/stat", &STAT.replace("2048", "9"));
    host.write("sys/fs/ext4/dm-0/lifetime_write_kbytes", "7\n");
    let found = host.device_use((254, 0), "/home/op/mail");
    assert_eq!((found.kind, found.wear), (None, Wear::default()), "an NVMe is no card");
    assert_eq!(found.written_ever, Some(7 << 10));
    assert_eq!(found.written, Some(2048 * 512), "nothing is counted twice");
}

#[test]
fn what_is_absent_or_hostile_is_not_known() {
    assert_eq!(Host::bare().device_use((8, 1), "/"), DeviceUse::default());
    assert_eq!(Host::on_a_card().device_use((0, 40), "/nowhere"), DeviceUse::default());
    let huge = "9".repeat(1 << 20);
    for odd in ["", "\0\0\0", "-1 -1 -1 -1 -1 -1 -1", "18446744073709551615\n", &huge, "0x99"] {
        let host = board(&[("type", odd), ("life_time", odd), ("pre_eol_info", odd)], true);
        host.write("sys/devices/platform/soc/mmc_host/mmc0/mmc0:0001/block/mmcblk0/stat", odd);
        host.write("sys/fs/ext4/mmcblk0p2/lifetime_write_kbytes", odd);
        host.write("sys/fs/ext4/mmcblk0p2/session_write_kbytes", odd);
        host.write("proc/self/io", odd);
        assert_eq!(use_of(&host), DeviceUse::default(), "{odd:.40?}");
        assert_eq!(host.written_by_this_process(), None);
    }
}

#[test]
fn what_this_process_has_written_is_one_line_of_its_counts() {
    let host = Host::bare();
    assert_eq!(host.written_by_this_process(), None);
    host.write(
        "proc/self/io",
        "rchar: 1\nwchar: 2\nread_bytes: 3\nwrite_bytes: 8192\ncancelled_write_bytes: 5\n",
    );
    assert_eq!(host.written_by_this_process(), Some(8192));
}
