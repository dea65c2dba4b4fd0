//! What is typed wrong: exit code 2, and nothing is done.

use crate::station::Station;

#[test]
fn what_no_command_understands_is_refused() {
    let station = Station::new();
    let wrong: &[&[&str]] = &[
        &[],
        &["mirrow"],
        &["mirror", "--fast"],
        &["audit", "--json=yes"],
        &["restore", "--into"],
        &["config"],
        &["drives", "add"],
        &["mirror", "--quiet", "--verbose"],
        &["mirror", "--color", "sometimes"],
    ];
    for args in wrong {
        station.run(args).expect_refused();
    }
    assert!(!station.state().exists());
}

#[test]
fn bad_names_on_the_command_line_are_refused() {
    let (mut station, red) = Station::with_drive();
    for name in ["", "..", "a/b", "nul", "pier\u{1b}[2J", "-x"] {
        let mut args = station.arguments(&["mirror"]);
        args.push(format!("--station={name}").into());
        let at = args.iter().position(|word| word == "--station").unwrap();
        args.drain(at..at + 2);
        station.run(&args).expect_refused().expect_harmless();
    }
    station.add_mailbox("b/inbox");
    station.mirror().expect_refused().expect_words(&["two mailboxes are called inbox"]);
    assert_eq!(std::fs::read_dir(red.path()).unwrap().count(), 0);
}

#[test]
fn a_mailbox_is_named_before_an_equals_sign() {
    let (station, red) = Station::with_drive();
    std::fs::create_dir_all(station.path("card/spool=2")).unwrap();
    std::fs::write(station.path("card/spool=2/0001.eml"), "x").unwrap();
    let mut args = station.arguments(&["mirror"]);
    let at = args.iter().position(|word| word == "--mailbox").unwrap();
    args[at + 1] = format!("spool={}", station.path("card/spool=2").display()).into();
    station.run(&args).expect_safe();
    assert_eq!(red.lines_of("mirrored")[0]["mailbox"], "spool");
}
