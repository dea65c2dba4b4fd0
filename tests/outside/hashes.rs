//! SHA-256, on which every report "mirrored" depends, compared with the vectors of NIST and with coreutils. Never with
//! values of our own making.

use crate::tools::{nist_vectors, run};
use counterfoil::model::{Digest, Hasher};
use std::fs;

/// The fields of a response file of NIST's Cryptographic Algorithm Validation System, in order.
fn fields(file: &str) -> Vec<(String, String)> {
    let at = nist_vectors().join(file);
    let text = fs::read_to_string(&at).unwrap_or_else(|e| panic!("{}: {e}", at.display()));
    let fields = text.lines().filter(|line| !line.starts_with(['#', '[']));
    let fields = fields.filter_map(|line| line.split_once(" = "));
    fields.map(|(name, value)| (name.to_owned(), value.trim().to_owned())).collect()
}

fn bytes(hex: &str) -> Vec<u8> {
    let pair = |at| u8::from_str_radix(&hex[at..at + 2], 16).unwrap();
    (0..hex.len()).step_by(2).map(pair).collect()
}

/// Message and digest of every vector of a file. `Len` counts bits, and an empty message is
/// given as `00`.
fn messages(file: &str) -> Vec<(Vec<u8>, Digest)> {
    let fields = fields(file);
    let vectors = fields.chunks(3).map(|vector| {
        let [(len, bits), (msg, hex), (md, digest)] = vector else {
            panic!("odd vector {vector:?}")
        };
        assert_eq!([len, msg, md], ["Len", "Msg", "MD"]);
        let mut message = bytes(hex);
        message.truncate(bits.parse::<usize>().unwrap() / 8);
        (message, digest.parse().unwrap())
    });
    vectors.collect()
}

fn in_chunks(message: &[u8], size: usize) -> Digest {
    let mut hasher = Hasher::default();
    message.chunks(size).for_each(|chunk| hasher.update(chunk));
    let identity = hasher.finish();
    assert_eq!(identity.bytes, message.len() as u64);
    identity.digest
}

/// NIST CAVS, `SHA256ShortMsg.rsp` and `SHA256LongMsg.rsp`: at once, and in pieces as they arrive from a slow stick.
#[test]
fn every_message_of_nist_has_the_digest_nist_gives() {
    for (file, count) in [("SHA256ShortMsg.rsp", 65), ("SHA256LongMsg.rsp", 64)] {
        let vectors = messages(file);
        assert_eq!(vectors.len(), count, "{file}");
        for (message, expected) in vectors {
            let bytes = message.len();
            assert_eq!(Digest::of(&message), expected, "{file}, {bytes} bytes");
            for size in [1, 3, 61, 64, 65, 1000] {
                assert_eq!(in_chunks(&message, size), expected, "{file}, {bytes} bytes by {size}");
            }
        }
    }
}

/// NIST CAVS, `SHA256Monte.rsp`, chained as NIST's SHAVS document (section 6.4) describes.
#[test]
fn the_hundred_monte_carlo_rounds_of_nist_come_out_right() {
    let mut fields = fields("SHA256Monte.rsp").into_iter();
    let (name, hex) = fields.next().unwrap();
    assert_eq!(name, "Seed");
    let mut seed: Digest = hex.parse().unwrap();
    let expected: Vec<_> = fields.collect();
    assert_eq!(expected.len(), 200, "COUNT and MD of 100 rounds");
    for (round, pair) in expected.chunks(2).enumerate() {
        assert_eq!(pair[0], ("COUNT".to_owned(), round.to_string()));
        let mut last = [seed; 3];
        for _ in 0..1000 {
            let mut hasher = Hasher::default();
            last.iter().for_each(|digest| hasher.update(digest.as_bytes()));
            last = [last[1], last[2], hasher.finish().digest];
        }
        seed = last[2];
        assert_eq!(("MD".to_owned(), seed.to_string()), pair[1], "round {round}");
    }
}

/// The published examples: FIPS 180-4 (`abc`, two blocks) and FIPS 180-2 (a million `a`).
#[test]
fn the_examples_of_the_standard_come_out_right() {
    let two_blocks = b"abcdbcdecdefdefgefghfghighijhijkijkljklmklmnlmnomnopnopq";
    let million = vec![b'a'; 1_000_000];
    let cases = [
        (&b"abc"[..], "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"),
        (two_blocks, "248d6a61d20638b8e5c026930c3e6039a33ce45964ff2167f6ecedd419db06c1"),
        (&million, "cdc76e5c9914fb9281a1c7e284d73e67f1809a48a497200e046d39ccc7112cd0"),
    ];
    for (message, expected) in cases {
        assert_eq!(Digest::of(message).to_string(), expected);
        for size in [1, 7, 4096, 65_537] {
            assert_eq!(in_chunks(message, size).to_string(), expected, "by {size}");
        }
    }
}

/// `sha256sum` of coreutils, at the lengths where the padding of FIPS 180-4 (section 5.1.1) changes its form.
#[test]
fn coreutils_agrees_at_every_edge_of_the_padding() {
    let dir = tempfile::tempdir().unwrap();
    let lengths = [0, 1, 54, 55, 56, 57, 63, 64, 65, 118, 119, 120, 127, 128, 129];
    for length in lengths {
        let message: Vec<u8> = (0..length).map(|at| (at * 7 + length) as u8).collect();
        fs::write(dir.path().join("message"), &message).unwrap();
        let output = run("sha256sum", &["message".as_ref()], dir.path());
        let expected: Digest = output.out.split(' ').next().unwrap().parse().unwrap();
        assert_eq!(Digest::of(&message), expected, "{length} bytes");
        for size in [1, 13, 55, 64] {
            assert_eq!(in_chunks(&message, size), expected, "{length} bytes by {size}");
        }
    }
}
