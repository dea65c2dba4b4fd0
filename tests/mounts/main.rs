//! Which mounts count as removable drives, on a host made of files: the kernel's tables and its tree of devices, as
//! documented. `tests/vm` tests the same with a real kernel.
//!
//! Layout of the files: proc_pid_mountinfo(5), proc_swaps(5), the kernel's Documentation/ABI/stable/sysfs-block
//! (`partition`, `diskseq`, `slaves`) and sysfs(5).
#![allow(clippy::unwrap_used, clippy::expect_used, missing_docs, unreachable_pub)]

mod device_use;
mod host;

use host::Host;

#[test]
fn a_stick_on_usb_is_a_drive_with_its_serial_number() {
    let host = Host::on_a_card();
    host.usb_disk("sda", 8, 0, 11);
    host.partition("sda", "sda1", 8, 1);
    host.mount(40, "8:1", "/", "/media/AMBER", "vfat", "/dev/sda1");
    host.write("run/udev/data/b8:1", "I:1\nE:ID_FS_UUID=1A2B-3C4D\nE:ID_FS_TYPE=vfat\n");
    let found = host.found();
    assert_eq!(host.places(&found), ["/media/AMBER"]);
    assert_eq!(found[0].serial.as_deref(), Some("1A2B-3C4D"));
    assert_eq!(
        (found[0].key.mount, found[0].key.device, found[0].key.sequence),
        (40, (8, 1), Some(11))
    );
    assert!(found[0].device.is_there());
}

/// Faults 13 and 12: after a pull the mount stays listed; the next stick may get the same numbers.
#[test]
fn a_pulled_stick_is_gone_though_its_mount_is_listed_and_the_next_one_is_another() {
    let host = Host::on_a_card();
    host.usb_disk("sda", 8, 0, 11);
    host.mount(40, "8:0", "/", "/media/AMBER", "exfat", "/dev/sda");
    let before = host.found();
    host.pull("sda", 8, 0);
    assert!(!before[0].device.is_there());
    assert!(host.found().is_empty());
    host.usb_disk("sda", 8, 0, 12);
    assert!(!before[0].device.is_there());
    let after = host.found();
    assert_ne!(before[0].key, after[0].key);
}

#[test]
fn what_the_system_runs_from_is_no_drive() {
    let host = Host::on_usb("sda", 8);
    host.partition("sda", "sda3", 8, 3);
    host.mount(40, "8:3", "/", "/media/spare", "ext4", "/dev/sda3");
    assert!(host.found().is_empty(), "another partition of the disk behind /");

    let host = Host::on_a_card();
    host.mount(40, "179:1", "/", "/boot/firmware", "vfat", "/dev/mmcblk0p1");
    host.usb_disk("sda", 8, 0, 11);
    host.mount(41, "8:0", "/", "/media/swap", "ext4", "/dev/sda");
    host.write("proc/swaps", "Filename\tType\tSize\tUsed\tPriority\n/dev/sda partition 1 0 -2\n");
    assert!(host.found().is_empty(), "the disk that is swapped to");
}

/// The disk of `/` through encryption over a volume: the disk beneath counts.
#[test]
fn the_disks_beneath_a_mapping_are_kept_off() {
    let host = Host::bare();
    host.usb_disk("sda", 8, 0, 11);
    host.partition("sda", "sda1", 8, 1);
    host.partition("sda", "sda2", 8, 2);
    host.mapping("dm-0", 254, 0, "sda/sda1");
    host.mount(1, "254:0", "/", "/", "ext4", "/dev/mapper/root");
    host.mount(40, "8:2", "/", "/media/AMBER", "vfat", "/dev/sda2");
    assert!(host.found().is_empty());
}

#[test]
fn the_disk_of_the_mailbox_or_the_state_is_no_drive() {
    let host = Host::on_a_card();
    host.usb_disk("sda", 8, 0, 11);
    host.usb_disk("sdb", 8, 16, 12);
    host.mount(40, "8:0", "/", "/srv", "ext4", "/dev/sda");
    host.mount(41, "8:16", "/", "/media/AMBER", "ext4", "/dev/sdb");
    assert_eq!(host.places(&host.found_beside(&["/srv/mail"])), ["/media/AMBER"]);
    assert_eq!(host.places(&host.found_beside(&["/srv/mail/not/made/yet"])), ["/media/AMBER"]);
    assert_eq!(host.places(&host.found()), ["/srv", "/media/AMBER"]);
}

#[test]
fn a_second_card_is_a_drive_and_the_systems_own_is_not() {
    let host = Host::on_a_card();
    host.card("mmcblk1", 179, 32, 21);
    host.mount(40, "179:32", "/", "/media/CARD", "vfat", "/dev/mmcblk1");
    assert_eq!(host.places(&host.found()), ["/media/CARD"]);
    // If it is not known which card the system is on, none is written to.
    let host = Host::bare();
    host.mount(1, "0:30", "/", "/", "overlay", "overlay");
    host.card("mmcblk1", 179, 32, 21);
    host.mount(40, "179:32", "/", "/media/CARD", "vfat", "/dev/mmcblk1");
    assert!(host.found().is_empty());
}

/// The flag `removable` means a medium that can be taken out of its device: a fixed disk on another bus is no drive
/// even with it, and a stick is one even without.
#[test]
fn the_bus_decides_and_not_the_flag() {
    let host = Host::on_a_card();
    host.disk("sdc", 8, 32, "pci0000:00/ata1/host1/target1:0:0/1:0:0:0", None, 31);
    host.write("sys/devices/pci0000:00/ata1/host1/target1:0:0/1:0:0:0/block/sdc/removable", "1\n");
    host.mount(40, "8:32", "/", "/media/CD", "ext4", "/dev/sdc");
    assert!(host.found().is_empty());
    host.usb_disk("sda", 8, 0, 11);
    host.write("sys/class/block/sda/removable", "0\n");
    host.mount(41, "8:0", "/", "/media/AMBER", "ext4", "/dev/sda");
    assert_eq!(host.places(&host.found()), ["/media/AMBER"]);
}

#[test]
fn loops_mappings_network_and_memory_only_when_named() {
    let host = Host::on_a_card();
    host.disk("loop0", 7, 0, "virtual", None, 41);
    host.mount(40, "7:0", "/", "/media/loop", "ext4", "/dev/loop0");
    host.mount(41, "0:50", "/", "/media/net", "nfs4", "host:/export");
    host.mount(42, "0:51", "/", "/media/memory", "tmpfs", "tmpfs");
    assert!(host.found().is_empty());
}

/// A confined service sees a mount twice: below a covered copy of the root, and where it can be reached.
#[test]
fn of_two_entries_for_one_mount_the_one_that_is_seen_counts() {
    let host = Host::on_a_card();
    host.usb_disk("sda", 8, 0, 11);
    host.mount(40, "8:0", "/", "/media/AMBER", "vfat", "/dev/sda");
    host.mount(55, "8:0", "/", "/media/AMBER", "vfat", "/dev/sda");
    let found = host.found();
    assert_eq!((found.len(), found[0].key.mount), (1, 55));
}

#[test]
fn a_part_of_a_stick_mounted_elsewhere_is_not_a_second_drive() {
    let host = Host::on_a_card();
    host.usb_disk("sda", 8, 0, 11);
    host.mount(40, "8:0", "/", "/media/AMBER", "vfat", "/dev/sda");
    host.mount(41, "8:0", "/mail", "/mnt/mail", "vfat", "/dev/sda");
    host.mount(42, "8:0", "/", "/mnt/again", "vfat", "/dev/sda");
    assert_eq!(host.places(&host.found()), ["/media/AMBER"]);
    // It is the same stick at every path where all of it is mounted, and a mounted part of it is no drive.
    let at = |place| host.found_at(place).map(|found| (found.key.mount, found.key.device));
    assert_eq!(at("/media/AMBER"), Some((40, (8, 0))));
    assert_eq!(at("/mnt/again"), Some((42, (8, 0))));
    assert_eq!(at("/mnt/mail"), None);
    assert_eq!(at("/media/AMBER/counterfoil"), None);
}

/// btrfs hides the device's number and mounts a part by rule.
#[test]
fn a_file_system_without_a_number_is_found_by_what_was_mounted() {
    let host = Host::on_a_card();
    host.usb_disk("sda", 8, 0, 11);
    host.mount(40, "0:44", "/@", "/media/AMBER", "btrfs", "/dev/sda");
    assert_eq!(host.places(&host.found()), ["/media/AMBER"]);
}

/// Fault 62: a device that shows a hundred partitions.
#[test]
fn a_device_with_a_hundred_mounts_does_not_get_a_hundred_workers() {
    let host = Host::on_a_card();
    for n in 0..100 {
        host.usb_disk(&format!("sd{n}"), 8, 16 * (n + 1), u64::from(n) + 100);
        host.mount(
            40 + u64::from(n),
            &format!("8:{}", 16 * (n + 1)),
            "/",
            &format!("/media/{n}"),
            "vfat",
            "x",
        );
    }
    assert_eq!(host.found().len(), counterfoil::model::limits::DRIVES_MAX);
}

#[test]
fn names_with_blanks_and_without_sense_are_read_as_they_are() {
    let host = Host::on_a_card();
    host.usb_disk("sda", 8, 0, 11);
    host.mount(40, "8:0", "/", "/media/MY\\040STICK", "vfat", "/dev/sda");
    assert_eq!(host.places(&host.found()), ["/media/MY STICK"]);
    host.write("run/udev/data/b8:0", "E:ID_FS_UUID=\x1b[2J\n");
    assert_eq!(host.found()[0].serial, None);
}

/// What fails together with the mailbox: another partition of its disk, a mapping over one, a file system in an image
/// file on it, another subvolume. Never what lies on another disk.
#[test]
fn what_rests_on_one_disk_is_seen_through_partitions_mappings_and_images() {
    let host = Host::on_a_card();
    let mailbox = ((179, 2), "/home/op/mail");
    host.partition("mmcblk0", "mmcblk0p3", 179, 3);
    host.mount(40, "179:3", "/", "/mnt/shelf", "ext4", "/dev/mmcblk0p3");
    assert!(host.share_a_disk(mailbox, ((179, 3), "/mnt/shelf")), "another partition");
    host.mapping("dm-0", 254, 0, "mmcblk0/mmcblk0p3");
    assert!(host.share_a_disk(mailbox, ((254, 0), "/mnt/vault")), "encryption over a partition");
    host.image("loop0", 7, 0, "/home/op/stick.img");
    assert!(host.share_a_disk(mailbox, ((7, 0), "/mnt/image")), "an image file on it");
    host.image("loop1", 7, 1, "/mnt/image/inner.img");
    host.mount(41, "7:0", "/", "/mnt/image", "ext4", "/dev/loop0");
    assert!(host.share_a_disk(mailbox, ((7, 1), "/mnt/inner")), "an image file in it");

    host.usb_disk("sda", 8, 0, 11);
    host.partition("sda", "sda1", 8, 1);
    host.mount(42, "8:1", "/", "/media/AMBER", "ext4", "/dev/sda1");
    let stick = ((8, 1), "/media/AMBER");
    assert!(!host.share_a_disk(mailbox, stick));
    host.image("loop2", 7, 2, "/media/AMBER/inner.img");
    assert!(
        !host.share_a_disk(mailbox, ((7, 2), "/mnt/on-the-stick")),
        "an image file on the stick"
    );
    assert!(host.share_a_disk(stick, ((7, 2), "/mnt/on-the-stick")));
}

/// Subvolumes have device numbers of their own, which hide that of the device.
#[test]
fn subvolumes_of_one_disk_rest_on_it() {
    let host = Host::bare();
    host.usb_disk("sda", 8, 0, 11);
    host.partition("sda", "sda2", 8, 2);
    host.usb_disk("sdb", 8, 16, 12);
    host.mount(1, "0:30", "/@", "/", "btrfs", "/dev/sda2");
    host.mount(40, "0:31", "/@shelf", "/mnt/shelf", "btrfs", "/dev/sda2");
    host.mount(41, "0:40", "/", "/media/AMBER", "btrfs", "/dev/sdb");
    let mailbox = ((0, 30), "/home/op/mail");
    assert!(host.share_a_disk(mailbox, ((0, 31), "/mnt/shelf")));
    assert!(!host.share_a_disk(mailbox, ((0, 40), "/media/AMBER")));
    // In memory, and over a network: on no disk.
    host.mount(42, "0:50", "/", "/mnt/memory", "tmpfs", "tmpfs");
    host.mount(43, "0:51", "/", "/mnt/net", "nfs4", "q.example.org:/shelf");
    for at in ["/mnt/memory", "/mnt/net"] {
        assert!(!host.share_a_disk(mailbox, ((0, 50), at)), "{at}");
        assert!(
            !host.share_a_disk(((0, 50), at), ((0, 50), at)),
            "{at} rests on nothing that is known"
        );
    }
}

/// Two images that name each other are odd, but do not make the search endless.
#[test]
fn images_that_lead_in_a_circle_end() {
    let host = Host::on_a_card();
    host.image("loop0", 7, 0, "/mnt/b/a.img");
    host.image("loop1", 7, 1, "/mnt/a/b.img");
    host.mount(40, "7:0", "/", "/mnt/a", "ext4", "/dev/loop0");
    host.mount(41, "7:1", "/", "/mnt/b", "ext4", "/dev/loop1");
    assert!(!host.share_a_disk(((179, 2), "/home/op/mail"), ((7, 0), "/mnt/a")));
}
