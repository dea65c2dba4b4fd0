//! The bag's own files: `bagit.txt`, `bag-info.txt` and the lines of the payload manifest (RFC 8493, sections 2.1 and
//! 2.2.2). Lists nothing but our own payload names.

use super::digest::{Digest, Identity};
use super::names::{PayloadName, RelName, StationName};
use super::time::Timestamp;

/// The folder on a drive that holds everything of ours.
pub const HOME: &str = "counterfoil";
/// The file that makes a folder a drive.
pub const DRIVE_FILE: &str = "counterfoil/drive.json";
/// A file in a drive's root that keeps the program from ever writing there.
pub const SKIP_FILE: &str = "counterfoil.skip";
/// Below a station's folder: the ledger.
pub const LEDGER: &str = "ledger.jsonl";
/// Below a station's folder: the payload manifest.
pub const MANIFEST: &str = "manifest-sha256.txt";
/// Below a station's folder: the copies.
pub const PAYLOAD: &str = "data";
/// Below a station's folder: the bag declaration.
pub const DECLARATION: &str = "bagit.txt";
/// Below a station's folder: facts about the bag.
pub const INFO: &str = "bag-info.txt";
/// Below a station's folder: what this is, for a person.
pub const README: &str = "README.TXT";

/// Below a station's folder: the station's config, for the next card.
pub const CONFIG: &str = "config.toml";
/// Below a station's folder: the first page of the list of its messages.
pub const INDEX: &str = "index.html";
/// On a drive: the programs to restore with.
pub const PROGRAMS: &str = "counterfoil/program";

/// RFC 8493, section 2.1.1: exactly these two lines.
pub const DECLARATION_TEXT: &str = "BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n";

/// The file of a further id, which a drive gets when it is found to be a copy of another.
pub fn drive_file(number: u32) -> RelName {
    RelName::fixed(HOME).join(&RelName::fixed(&format!("drive-{number}.json")))
}

/// The folder of a station on a drive.
pub fn station_dir(station: &StationName) -> RelName {
    RelName::fixed(HOME).join(&RelName::fixed(station.as_str()))
}

/// `bag-info.txt`: no Payload-Oxum, so nothing here changes when a message is added.
pub fn info_text(station: &StationName, made: Timestamp) -> String {
    let date: String = made.to_rfc3339().chars().take(10).collect();
    format!(
        "External-Identifier: {station}\n\
         External-Description: Copies of the messages of a mail station\n\
         Bagging-Date: {date}\n\
         Counterfoil-Ledger: {LEDGER}\n"
    )
}

/// A program that a drive carries, for the README.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct CarriedProgram {
    /// Its name, as `counterfoil-x86_64`.
    pub name: String,
    /// Content of the program; the file on a drive may be longer, filled up with NUL.
    pub identity: Identity,
}

/// `README.TXT`: for whoever finds the stick, with or without the program. Lines that begin with `$` are followed to
/// the letter by a test.
pub fn readme_text(station: &StationName, programs: &[CarriedProgram]) -> String {
    let text = include_str!("readme.txt");
    let programs = match programs {
        [] => "No program is on this drive.".to_owned(),
        programs => programs.iter().fold(PROGRAMS_TEXT.to_owned(), |text, program| {
            let CarriedProgram { name, identity: Identity { digest, bytes } } = program;
            let computer = name.rsplit('-').next().unwrap_or_default();
            text + &format!(
                "\nOn a computer that answers {computer} to \"uname -m\":\n  \
                 $ d=$(mktemp -d) && head -c {bytes} \"../program/{name}\" > \"$d/counterfoil\" && \
                 (cd \"$d\" && echo \"{digest}  counterfoil\" | sha256sum -c) && \
                 chmod 700 \"$d/counterfoil\" && \"$d/counterfoil\" restore --drive ../.. --station STATION \
                 --into \"$HOME/restored\""
            )
        }),
    };
    text.replace("PROGRAMS", &programs).replace("STATION", station.as_str())
}

/// How to check a program, before the lines that run one. Nothing on a stick proves anything against whoever changed
/// the stick: only what the operator noted does.
const PROGRAMS_TEXT: &str = "\
A stick often may not run programs, and somebody may have changed the one on it. So
it is copied into a new folder, the copy is checked, and only then run, all in one
line. The number of 64 digits in the line is the SHA-256 that the copy must have.
Compare it first with the one that the station shows, on its page and after
\"counterfoil status\": whoever can change the program can change this text too.";

/// A page of the list of messages, by its number from 1, the oldest.
pub fn index_page(page: u32) -> RelName {
    RelName::fixed(&format!("index-{page}.html"))
}

/// One manifest line with its line feed: digest, two blanks, path, so that coreutils' check reads it.
pub fn manifest_line(digest: &Digest, payload: PayloadName) -> String {
    format!("{digest}  {payload}\n")
}

/// Reads one manifest line (without line feed): hex in either case, blanks or tabs between
/// (RFC 8493, section 2.1.3). Any path that is not one of our payload names is refused.
pub fn read_manifest_line(line: &[u8]) -> Option<(Digest, PayloadName)> {
    let line = std::str::from_utf8(line).ok()?;
    let line = line.strip_suffix('\r').unwrap_or(line);
    let (digest, path) = line.split_once([' ', '\t'])?;
    let path = path.trim_start_matches([' ', '\t']);
    Some((digest.parse().ok()?, path.parse().ok()?))
}

/// Bytes of exactly this length that every reader of the manifest skips: they overwrite a torn end, which cannot be cut
/// off on FAT. A comment line, or a single line feed.
pub fn filler(bytes: u64) -> Vec<u8> {
    let bytes = usize::try_from(bytes).unwrap_or(usize::MAX);
    let mut out = vec![b' '; bytes];
    if let Some(last) = out.last_mut() {
        *last = b'\n';
    }
    if bytes > 1 {
        out[0] = b'#';
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    /// RFC 8493, section 2.1.1 (check value 10: 54 bytes and this digest).
    #[test]
    fn the_declaration_is_the_one_of_the_rfc() {
        assert_eq!(DECLARATION_TEXT.len(), 54);
        assert_eq!(
            Digest::of(DECLARATION_TEXT.as_bytes()).to_string(),
            "1712ecfb074bf29c4188ad3421032509159a09739fd604f8fe57038b4ddefcc9"
        );
    }

    /// RFC 8493, section 2.1.3: case of the digits and kind of the blanks are free (check value 15).
    #[test]
    fn manifest_lines_read_as_the_rfc_allows() {
        let digest = Digest::of(b"abc");
        let payload: PayloadName = "data/0001/00000001.EML".parse().unwrap();
        let line = manifest_line(&digest, payload);
        let upper =
            line.trim_end().replacen(&digest.to_string(), &digest.to_string().to_uppercase(), 1);
        for text in [line.trim_end().to_owned(), upper, format!("{digest}\t{payload}\r")] {
            assert_eq!(read_manifest_line(text.as_bytes()), Some((digest, payload)), "{text}");
        }
        for path in ["../x", "/etc/x", "~u/x", "data/../../x", "data/0001/x"] {
            assert_eq!(read_manifest_line(format!("{digest}  {path}").as_bytes()), None);
        }
    }

    /// RFC 8493, section 2.2.2: lines of at most 79 characters, colon and one blank.
    #[test]
    fn bag_info_is_well_formed() {
        let text =
            info_text(&"pier-4".parse().unwrap(), Timestamp { seconds: 880_127_706, nanos: 0 });
        assert!(text.contains("Bagging-Date: 1997-11-21\n"));
        for line in text.lines() {
            let (label, value) = line.split_once(": ").unwrap();
            assert!(line.len() <= 79 && !label.contains(' ') && !value.starts_with(' '));
        }
    }

    #[test]
    fn a_filler_covers_exactly_and_ends_a_line() {
        for bytes in [0, 1, 2, 500] {
            let filler = filler(bytes);
            assert_eq!(filler.len() as u64, bytes);
            assert!(bytes == 0 || filler.ends_with(b"\n"));
        }
    }
}
