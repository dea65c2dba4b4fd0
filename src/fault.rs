//! Owns what is said of a fault of the program itself. Never says what it was working on.

use std::io::Write as _;
use std::panic::PanicHookInfo;

/// From here on a panic, of whatever thread, is reported by [`fault`] instead of by its message.
pub(crate) fn say_only_where() {
    std::panic::set_hook(Box::new(|info| {
        // A hook that panics has the message printed after all: where nobody listens, nothing is said.
        drop(std::io::stderr().write_all(fault(info).as_bytes()));
    }));
}

/// What is said of a panic: its place. Its message may quote mail, and standard error ends in the journal.
fn fault(info: &PanicHookInfo<'_>) -> String {
    let place = info.location().map_or_else(
        || "an unknown place".to_owned(),
        |place| format!("{}:{}", place.file(), place.line()),
    );
    let version = env!("CARGO_PKG_VERSION");
    format!(
        "counterfoil {version}: a fault of the program itself, at {place}.\n\
         What it was working on is not shown, for that may be mail. Please report the line above. \
         Mail that was called mirrored before stays mirrored. Run the command again; then type: counterfoil audit\n"
    )
}

#[cfg(test)]
mod tests {
    use std::process::Command;

    /// Set in the process that is to panic: this test once more, for a hook is the whole process's.
    const PANIC: &str = "COUNTERFOIL_TEST_PANIC";

    #[test]
    fn a_panic_prints_its_place_and_nothing_of_its_message() {
        if std::env::var_os(PANIC).is_some() {
            return panic_four_times();
        }
        let name = "fault::tests::a_panic_prints_its_place_and_nothing_of_its_message";
        let mut again = Command::new(std::env::current_exe().unwrap());
        let again = again.args(["--exact", name, "--nocapture"]).env(PANIC, "1");
        let ended = again.output().unwrap();
        let said = String::from_utf8_lossy(&ended.stderr);
        assert!(ended.status.success(), "{said}");
        assert_eq!(said.matches(concat!(", at ", file!(), ":")).count(), 4, "{said}");
        assert_eq!(said.matches("Please report the line above.").count(), 4, "{said}");
        let all = said.into_owned() + &String::from_utf8_lossy(&ended.stdout);
        for mail in ["Meals", "Camp", "unreadable"] {
            assert!(!all.contains(mail), "{mail} in {all}");
        }
    }

    #[test]
    fn it_is_the_first_thing_that_main_does() {
        let main = include_str!("main.rs");
        assert!(main.contains("fn main() -> cli::Exit {\n    fault::say_only_where();\n"));
    }

    /// Formatted, as it is, what a slice says of its text, and what an error says of itself.
    fn panic_four_times() {
        super::say_only_where();
        let subject = "Subject: Meals".to_owned();
        let faults: [Box<dyn FnOnce() + Send>; 4] = [
            Box::new(move || panic!("cannot read {subject}")),
            Box::new(|| std::panic::panic_any("Camp 7")),
            Box::new(|| drop("Camp\u{e9}"[..5].to_owned())),
            Box::new(|| drop(String::from_utf8(vec![255]).map_err(|_| "unreadable").unwrap())),
        ];
        for fault in faults {
            assert!(std::thread::spawn(fault).join().is_err());
        }
    }
}
