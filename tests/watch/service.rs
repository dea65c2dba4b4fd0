//! Signals, the service manager, idling, being killed.

use crate::post::Post;
use std::os::unix::net::UnixDatagram;
use std::time::{Duration, Instant};

#[test]
fn it_ends_cleanly_and_soon_when_asked() {
    for signal in ["TERM", "INT"] {
        let mut post = Post::new(&["amber"]);
        post.deliver("one", "1");
        post.start();
        post.until_mirrored("amber", &["one"]);
        let asked = Instant::now();
        post.signal(signal);
        assert!(post.ended().success());
        assert!(asked.elapsed() < Duration::from_secs(5), "{signal}");
    }
}

#[test]
fn a_new_config_is_taken_and_a_bad_one_refused() {
    let mut post = Post::new(&["amber"]);
    post.start();
    post.deliver("one", "1");
    post.until_mirrored("amber", &["one"]);

    std::fs::write(post.path("config.toml"), "stattion = \"x\"\n").unwrap();
    post.signal("HUP");
    post.until("the bad config is refused", || post.log().contains("stattion"));
    post.deliver("two", "2");
    post.until_mirrored("amber", &["one", "two"]);

    std::fs::create_dir(post.path("birch")).unwrap();
    post.sticks.push("birch");
    post.config("");
    post.signal("HUP");
    post.until_mirrored("birch", &["one", "two"]);
}

/// sd_notify(3): the states that the service manager is notified of, in order.
#[test]
fn the_service_manager_is_told() {
    let mut post = Post::new(&["amber"]);
    let socket = UnixDatagram::bind(post.path("notify")).unwrap();
    socket.set_read_timeout(Some(Duration::from_secs(30))).unwrap();
    let wait_for = |wanted: &str| {
        let mut buffer = [0; 4096];
        loop {
            let got =
                socket.recv(&mut buffer).unwrap_or_else(|e| panic!("{wanted} never came: {e}"));
            let text = String::from_utf8_lossy(&buffer[..got]).into_owned();
            if text.contains(wanted) {
                return text;
            }
        }
    };
    post.deliver("one", "1");
    let notify = post.path("notify");
    post.start_with(&[("NOTIFY_SOCKET", &notify), ("WATCHDOG_USEC", "400000".as_ref())]);
    wait_for("READY=1");
    wait_for("STATUS=amber: copying");
    wait_for("WATCHDOG=1");
    wait_for("STATUS=amber: safe to pull");
    post.signal("HUP");
    assert!(wait_for("RELOADING=1").contains("MONOTONIC_USEC="));
    wait_for("READY=1");
    post.signal("TERM");
    wait_for("STOPPING=1");
    assert!(post.ended().success());
}

#[test]
fn a_second_daemon_and_a_mirror_beside_it_are_refused_and_an_audit_is_not() {
    let mut post = Post::new(&["amber"]);
    post.deliver("one", "1");
    post.start();
    post.until_mirrored("amber", &["one"]);
    for command in ["watch", "mirror"] {
        let output = post.command(command).output().unwrap();
        assert_eq!(output.status.code(), Some(3), "{command}");
        assert!(String::from_utf8_lossy(&output.stderr).contains("another counterfoil"));
    }
    assert_eq!(post.command("audit").output().unwrap().status.code(), Some(0));
    let status = post.command("status").arg("--json").output().unwrap();
    let status: serde_json::Value = serde_json::from_slice(&status.stdout).unwrap();
    assert_eq!(status["daemon"], true);
}

/// How often each thread has gone to sleep.
fn switches(pid: u32) -> Vec<(String, u64)> {
    let tasks = std::fs::read_dir(format!("/proc/{pid}/task")).unwrap();
    let of = |task: std::io::Result<std::fs::DirEntry>| {
        let task = task.unwrap().path();
        let status = std::fs::read_to_string(task.join("status")).unwrap();
        let line = status.lines().find(|l| l.starts_with("voluntary_ctxt_switches")).unwrap();
        let name = std::fs::read_to_string(task.join("comm")).unwrap();
        (name, line.split_whitespace().last().unwrap().parse().unwrap())
    };
    tasks.map(of).collect()
}

/// On a battery every wake-up counts. Between two timers there is none; a few seconds show it.
#[test]
fn an_idle_daemon_does_not_wake_up() {
    let mut post = Post::new(&["amber"]);
    post.deliver("one", "1");
    post.start();
    post.until("it may be pulled", || post.log().contains("amber: safe to pull"));
    post.until("the audit is written", || post.path("state/audit.json").exists());
    // The work after the last change ends first: two counts a second apart are the same.
    post.until("it has come to rest", || {
        let before = switches(post.pid());
        std::thread::sleep(Duration::from_secs(1));
        switches(post.pid()) == before
    });
    let before = switches(post.pid());
    std::thread::sleep(Duration::from_secs(4));
    assert_eq!(switches(post.pid()), before);
}

/// It is killed ten times while mail pours in: nothing is lost, nothing copied twice, the bag stays whole.
#[test]
fn killed_again_and_again_while_mail_pours_in() {
    let mut post = Post::new(&["amber"]);
    let mut all = Vec::new();
    for round in 0..10 {
        post.start();
        for n in 0..30 {
            let name = format!("{round}/{n}");
            post.deliver(&name, &format!("message {name}"));
            all.push(name);
        }
        if round % 2 == 0 {
            let last = all.last().unwrap().clone();
            post.until_mirrored("amber", &[&last]);
        }
        post.signal("KILL");
        post.ended();
    }
    post.start();
    post.until_mirrored("amber", &all.iter().map(String::as_str).collect::<Vec<_>>());
    post.stop();
    all.sort();
    assert_eq!(post.recorded_paths("amber", "mirrored"), all);
    assert_eq!(post.restored(), post.mail());
    let check = std::process::Command::new("sha256sum")
        .args(["--strict", "--quiet", "-c", "manifest-sha256.txt"])
        .current_dir(post.path("amber/counterfoil/pier-4"))
        .status();
    assert!(check.unwrap().success());
}

#[test]
fn the_audit_lies_beside_the_catalogue_after_a_change() {
    let mut post = Post::new(&["amber"]);
    post.deliver("one", "From: q2rvr@example.org\r\nSubject: Gauge\r\n\r\n412 cm\r\n");
    post.start();
    post.until_mirrored("amber", &["one"]);
    let (page, json) = (post.path("state/audit.html"), post.path("state/audit.json"));
    post.until("the page is written", || page.exists() && json.exists());
    let told: serde_json::Value = serde_json::from_slice(&std::fs::read(json).unwrap()).unwrap();
    assert_eq!((&told["schema"], &told["station"]), (&1.into(), &"pier-4".into()));
    assert_eq!(told["messages"]["total"], 1);
    assert!(std::fs::read_to_string(page).unwrap().contains("If this card died now"));
}

/// Each is reported once, and not before its time: what is mirrored in time is never reported.
#[test]
fn mail_that_stays_unmirrored_is_told_once() {
    let mut post = Post::new(&["amber"]);
    let told = post.path("told");
    let tell = format!("cat >>{}", told.display());
    post.config_with(
        "",
        &format!("[notify]\ncommand = [\"sh\", \"-c\", {tell:?}]\nafter = \"2s\"\n"),
    );
    post.deliver("one", "1");
    post.start();
    post.until_mirrored("amber", &["one"]);
    std::fs::rename(post.path("amber"), post.path("gone")).unwrap();
    post.deliver("two", "From: q2rvr@example.org\r\nSubject: Gauge\r\n\r\n412 cm\r\n");
    let lines = || -> Vec<serde_json::Value> {
        let text = std::fs::read_to_string(&told).unwrap_or_default();
        text.lines().map(|line| serde_json::from_str(line).unwrap()).collect()
    };
    post.until("it is told", || lines().len() == 1);
    post.deliver("three", "3");
    post.until("so is the next", || lines().len() == 2);
    for (line, path) in lines().iter().zip(["two", "three"]) {
        assert_eq!(
            (&line["event"], &line["messages"]),
            (&"unmirrored".into(), &1.into()),
            "{line}"
        );
        assert_eq!((&line["first"]["path"], &line["after_seconds"]), (&path.into(), &2.into()));
    }
    assert_eq!(lines()[0]["first"]["subject"], "Gauge");
}
