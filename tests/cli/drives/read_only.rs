//! A drive that may only be read: everything but copying works.

use crate::station::{Mounted, Station, expect_same, mail};

/// Fault 20: the write-protect switch is on, or the drive turned read-only.
#[test]
fn a_read_only_drive_can_be_audited_verified_and_restored_from() {
    let (mut station, red) = Station::with_drive();
    station.deliver_many(3);
    station.mirror().expect_safe();
    let mounted = Mounted::read_only(red.path(), &station.path("media/locked"));
    let locked = station.use_drive(mounted.path());
    station.use_only(&[&locked]);
    station.deliver("0009.eml", mail("water level"));
    let before = red.everything();
    let output = station.mirror().expect_failed();
    output.expect_words(&["it can be restored from, but not written", "check its switch"]);
    let output = station.audit().expect_unsafe();
    assert_eq!(output.drive("locked")["state"], "read-only");
    output.expect_unmirrored(&[("0009.eml", "drive-failed")]);
    station.verify().expect_safe().expect_counts(&[("checked", 3), ("good", 3)]);
    station.restore().expect_safe().expect_counts(&[("restored", 3)]);
    station.delete("0009.eml");
    expect_same(&station.inbox(), &station.restored());
    assert_eq!(red.everything(), before);
}

/// Fault 20 beside 22: damage on a read-only drive is told, though it cannot be recorded there.
#[test]
fn damage_on_a_read_only_drive_is_told() {
    let (mut station, red) = Station::with_drive();
    station.deliver_many(3);
    station.mirror().expect_safe();
    red.rot(&red.payload_of("m001.eml"));
    let mounted = Mounted::read_only(red.path(), &station.path("media/locked"));
    let locked = station.use_drive(mounted.path());
    station.use_only(&[&locked]);
    let before = red.everything();
    station.verify().expect_unsafe().expect_counts(&[("good", 2), ("damaged", 1)]);
    station.audit().expect_unsafe().expect_unmirrored(&[("m001.eml", "drive-failed")]);
    assert_eq!(red.everything(), before);
    drop(mounted);
    station.use_only(&[&red]);
    station.mirror().expect_safe().expect_counts(&[("copied", 1)]);
}

/// Fault 34: the drive belongs to another user.
#[test]
fn a_drive_without_permission_names_the_fix() {
    use std::os::unix::fs::PermissionsExt as _;
    let (mut station, red) = Station::with_drive();
    station.deliver("0001.eml", mail("water level"));
    station.run_as_nobody();
    std::os::unix::fs::chown(red.path(), Some(0), Some(0)).unwrap();
    std::fs::set_permissions(red.path(), std::fs::Permissions::from_mode(0o755)).unwrap();
    let output = station.mirror().expect_failed();
    output.expect_words(&["give the user who runs counterfoil the right to it"]);
    assert_eq!(std::fs::read_dir(red.path()).unwrap().count(), 0);
}
