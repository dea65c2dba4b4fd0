//! What must hold of a ledger's reader, whatever stands in the file.
//! Never uses the reader's own idea of a hash: the chain is followed here a second time.

use super::lines;
use super::medium;
use super::taker::Taker;
use counterfoil::job::replica::{LineReader, Piece};
use counterfoil::model::Digest;
use counterfoil::model::ledger::{Chain, ChainBreak, ChainReader, Line, LineTrust, LineVerdict};
use counterfoil::model::limits::{COUNT_MAX, LEDGER_LINE_BYTES};

/// Holds the reader against one input: the first byte says what is made of the rest.
pub fn hold(input: &[u8]) {
    let mut taker = Taker(input);
    match taker.byte() % 4 {
        0 => drop(file(&taker)),
        1 => damaged(&mut taker),
        2 => written(&mut taker),
        _ => forged(&mut taker),
    }
}

/// What a file was read as.
#[derive(Debug, PartialEq)]
struct Read {
    lines: Vec<(Line, LineTrust)>,
    newer: Vec<u32>,
    chain: Chain,
    at: u64,
    broken: Option<ChainBreak>,
}

/// Reads a file in pieces, as the program does.
fn in_pieces(bytes: &[u8], piece: usize) -> Read {
    let mut reader = ChainReader::default();
    let mut read =
        Read { lines: Vec::new(), newer: Vec::new(), chain: Chain::default(), at: 0, broken: None };
    let mut pieces = LineReader::new(medium::source(bytes, piece));
    while let Some(piece) = pieces.next().expect("memory does not fail") {
        match piece {
            Piece::Line(raw, length) => {
                assert!(raw.len() <= LEDGER_LINE_BYTES, "a line of {} bytes", raw.len());
                let head = reader.chain().head;
                match reader.line(raw, length) {
                    LineVerdict::Line(line, trust) => {
                        if trust == LineTrust::Sound {
                            assert!(follows(raw, &head), "a line is sound and its hash is wrong");
                        }
                        read.lines.push((*line, trust));
                    }
                    LineVerdict::Newer(version) => read.newer.push(version),
                    LineVerdict::Junk => {}
                }
            }
            Piece::TooLong(length) => reader.junk(length),
        }
    }
    assert!(pieces.no_final_newline == bytes.last().is_some_and(|last| *last != b'\n'), "unended");
    (read.chain, read.at, read.broken) = (reader.chain(), reader.offset(), reader.broken());
    read
}

/// Whether a raw line carries the hash that a line behind this head must carry.
fn follows(raw: &[u8], head: &Digest) -> bool {
    let text = std::str::from_utf8(raw).expect("a line is text");
    let (body, tail) = text.rsplit_once(",\"hash\":").expect("a line has a hash");
    Digest::of(format!("{head}{body}").as_bytes()).to_string()
        == tail.trim_end_matches('\r').trim_matches(['"', '}']).to_ascii_lowercase()
}

/// What holds of any file; how it was read.
fn file(taker: &Taker<'_>) -> Read {
    judged(taker.0)
}

fn judged(bytes: &[u8]) -> Read {
    let read = in_pieces(bytes, usize::MAX);
    for piece in medium::pieces(bytes) {
        assert_eq!(in_pieces(bytes, piece), read, "in pieces of {piece}");
    }
    assert_eq!(read.at, bytes.len() as u64, "every byte is counted once");
    let mut before = 0;
    for (line, _) in &read.lines {
        assert!(line.seq > before, "numbers of lines rise: {} behind {before}", line.seq);
        before = line.seq;
        reads_back(line);
    }
    if let Some(broken) = read.broken {
        assert!(broken.offset < read.at && broken.junk <= read.at);
    }
    read
}

/// A line that was taken, written by us, is the same line.
fn reads_back(line: &Line) {
    let mut chain = Chain { seq: line.seq - 1, ..Chain::default() };
    let text = chain.write(&line.stamp, line.event.clone());
    let raw = text.strip_suffix('\n').expect("a line is ended");
    let verdict = ChainReader::resume(Chain { seq: line.seq - 1, ..Chain::default() }, 0, 0)
        .line(raw.as_bytes(), text.len() as u64);
    assert_eq!(verdict, LineVerdict::Line(Box::new(line.clone()), LineTrust::Sound));
}

/// A sound ledger that was damaged: nothing is taken that was not written, and all before the damage is sound.
fn damaged(taker: &mut Taker<'_>) {
    let lines = lines::ledger(taker, false);
    let mut bytes = lines.concat().into_bytes();
    let whole = judged(&bytes).lines;
    assert_eq!(whole.len(), lines.len());
    let untouched = lines::damage(&mut bytes, taker);
    let read = judged(&bytes);
    let sound = read.lines.iter().filter(|(_, trust)| *trust == LineTrust::Sound).count();
    assert!(
        read.lines.iter().take(sound).eq(whole.iter().take(sound)),
        "sound lines are the first ones of the ledger"
    );
    let kept = bytes[..untouched].iter().filter(|&&b| b == b'\n').count();
    assert!(sound >= kept, "{kept} lines were not touched, {sound} are sound");
    for (line, _) in &read.lines {
        assert!(whole.iter().any(|(old, _)| old == line), "{line:?} was never written");
    }
}

/// Any event, at any number, reads back.
fn written(taker: &mut Taker<'_>) {
    let seq = taker.number(8) % (COUNT_MAX / 2);
    let mut chain = Chain { seq, head: Digest::of(taker.some(1)) };
    let mut reader = ChainReader::resume(chain, 7, 0);
    let mut at = 7;
    while !taker.is_empty() {
        let event = lines::event(taker);
        let stamp = lines::stamp(taker);
        let text = chain.write(&stamp, event.clone());
        assert!(text.len() <= LEDGER_LINE_BYTES && text.matches('\n').count() == 1, "{text}");
        at += text.len() as u64;
        let raw = text.strip_suffix('\n').expect("a line is ended");
        let LineVerdict::Line(line, LineTrust::Sound) =
            reader.line(raw.as_bytes(), text.len() as u64)
        else {
            panic!("not read back: {text}");
        };
        assert_eq!((line.event, line.stamp), (event, stamp));
        assert_eq!((reader.chain(), reader.offset(), reader.broken()), (chain, at, None));
    }
}

/// Lines whose hashes are right and whose contents are anything: as one who knows the format may write them.
fn forged(taker: &mut Taker<'_>) {
    let mut head = Chain::default().head.to_string();
    let mut file = String::new();
    for body in taker.0.split(|&b| b == b'\n') {
        let body = String::from_utf8_lossy(body);
        let body = body.strip_suffix('}').unwrap_or(&body);
        let hash = Digest::of(format!("{head}{body}").as_bytes()).to_string();
        file.push_str(&format!("{body},\"hash\":\"{hash}\"}}\n"));
        // A line that is refused is not followed.
        let verdict =
            ChainReader::resume(Chain { head: head.parse().expect("a digest"), seq: 0 }, 0, 0)
                .line(file.lines().next_back().unwrap_or_default().as_bytes(), 1);
        if matches!(verdict, LineVerdict::Line(..)) {
            head = hash;
        }
    }
    judged(file.as_bytes());
}
