//! Owns sticks whose ledgers are correctly chained, of any length, and entirely invented: anybody can write them who
//! can read the program. None of it is kept in memory. Never decides what should become of them.

use counterfoil::model::Digest;
use std::fs;
use std::io::{BufWriter, Write as _};
use std::path::{Path, PathBuf};

/// The parameters of a flood.
#[derive(Clone, Copy)]
pub(crate) struct Flood {
    /// Number of lines in its ledger.
    pub(crate) lines: u64,
    /// Number of files that look like copies.
    pub(crate) copies: u32,
    /// Each line speaks as of a different writer.
    pub(crate) writers: bool,
    /// Each line names a different mailbox.
    pub(crate) mailboxes: bool,
    /// Length of each path.
    pub(crate) path_bytes: usize,
}

impl Flood {
    pub(crate) const fn of(lines: u64) -> Self {
        Self { lines, copies: 0, writers: false, mailboxes: false, path_bytes: 24 }
    }

    /// Writes the stick, with an id of its own, and returns the path of its ledger.
    pub(crate) fn make(self, stick: &Path, station: &str) -> PathBuf {
        let home = stick.join("counterfoil");
        let bag = home.join(station);
        for number in 0..self.copies {
            let folder = bag.join(format!("data/{:04}", 1 + number / 2_000));
            if number % 2_000 == 0 {
                fs::create_dir_all(&folder).unwrap();
            }
            fs::write(folder.join(format!("{:08}.EML", number + 1)), "").unwrap();
        }
        fs::create_dir_all(bag.join("data")).unwrap();
        let id = &Digest::of(stick.as_os_str().as_encoded_bytes()).to_string()[..16];
        let output =
            format!("{{\"format\":1,\"id\":\"{id}\",\"made\":\"2003-07-01T08:52:37Z\"}}\n");
        fs::write(home.join("drive.json"), output).unwrap();
        fs::write(
            bag.join("bagit.txt"),
            "BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n",
        )
        .unwrap();
        fs::write(bag.join("manifest-sha256.txt"), "").unwrap();
        let ledger = bag.join("ledger.jsonl");
        let mut file = BufWriter::with_capacity(1 << 20, fs::File::create(&ledger).unwrap());
        let mut head = "0".repeat(64);
        for number in 1..=self.lines {
            let line = self.line(number);
            head = Digest::of(format!("{head}{line}").as_bytes()).to_string();
            writeln!(file, "{line},\"hash\":\"{head}\"}}").unwrap();
        }
        file.flush().unwrap();
        ledger
    }

    fn line(&self, number: u64) -> String {
        let digest = Digest::of(&number.to_le_bytes());
        let writer = if self.writers { number + 1 } else { 0xaa };
        let mailbox = if self.mailboxes { format!("m{number}") } else { "mail".to_owned() };
        // In no order, since the digests are in none.
        let path: String = digest.to_string().chars().cycle().take(self.path_bytes).collect();
        let path = path.as_bytes().chunks(200).map(|part| std::str::from_utf8(part).unwrap());
        let path = path.collect::<Vec<_>>().join("/");
        format!(
            "{{\"v\":1,\"seq\":{number},\"boot\":\"b\",\"time\":\"2003-07-01T08:52:37Z\",\"clock\":\"unsure\",\
             \"kind\":\"mirrored\",\"payload\":\"data/0001/{:08}.EML\",\"sha256\":\"{digest}\",\"bytes\":4096,\
             \"mailbox\":\"{mailbox}\",\"path\":\"{path}\",\"modified\":\"2003-07-01T08:52:37Z\",\"mode\":\"0644\",\
             \"first_seen\":\"2003-07-01T08:52:37Z\",\"as_of\":\"{writer:016x}:{number}\"",
            1 + number % 99_999_998
        )
    }
}
