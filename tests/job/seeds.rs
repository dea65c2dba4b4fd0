//! The inputs that the fuzzer begins with, and each on which it ever failed: `tests/fuzz` without the fuzzer.

#[allow(unreachable_pub, clippy::duplicate_mod, reason = "a library of its own for the fuzzer")]
#[path = "../fuzz/src/lib.rs"]
pub(crate) mod oracles;

use std::path::PathBuf;

type Check = fn(&[u8]);

#[test]
fn every_input_kept_for_the_fuzzer_holds() {
    let readers: [(&str, Check); 7] = [
        ("admission", oracles::admission::hold),
        ("config", oracles::config::hold),
        ("drive_json", oracles::drive_json::hold),
        ("headers", oracles::headers::hold),
        ("ledger", oracles::ledger::hold),
        ("manifest", oracles::manifest::hold),
        ("mountinfo", oracles::mountinfo::hold),
    ];
    let seeds = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("tests/fuzz/seeds");
    let folders = std::fs::read_dir(&seeds).unwrap().count();
    assert_eq!(folders, readers.len(), "a reader's seeds are not tried");
    for (reader, check) in readers {
        let mut inputs = 0;
        for seed in std::fs::read_dir(seeds.join(reader)).unwrap() {
            let path = seed.unwrap().path();
            println!("{}", path.display());
            check(&std::fs::read(&path).unwrap());
            inputs += 1;
        }
        assert!(inputs > 3, "{reader}: {inputs} seeds");
    }
}
