//! Ledgers with other wording, each line chained to the one before as the program would have chained it: for sabotages
//! that write or read other lines than the program does. Never repairs a line that was not whole.

use counterfoil::model::Digest;

const HASH: &[u8] = b",\"hash\":\"";

/// A line without its hash, and that hash; `None` if it is not a line.
fn split_bytes(line: &[u8]) -> Option<(&[u8], &[u8])> {
    let at = line.windows(HASH.len()).rposition(|window| window == HASH)?;
    Some((&line[..at], line[at + HASH.len()..].strip_suffix(b"\"}\n")?))
}

fn split(line: &[u8]) -> Option<(&str, &str)> {
    let (body, hash) = split_bytes(line)?;
    Some((std::str::from_utf8(body).ok()?, std::str::from_utf8(hash).ok()?))
}

fn link(head: &str, body: &[u8]) -> String {
    Digest::of(&[head.as_bytes(), body].concat()).to_string()
}

/// A ledger as it would read if the hashes were ignored: each line gets the hash that it should have.
pub(crate) fn rehashed(ledger: &[u8]) -> Vec<u8> {
    let mut head = "0".repeat(64);
    let mut text = Vec::with_capacity(ledger.len());
    for line in lines(ledger) {
        let Some((body, _)) = split_bytes(line) else {
            text.extend_from_slice(line);
            continue;
        };
        head = link(&head, body);
        text.extend_from_slice(body);
        text.extend_from_slice(format!(",\"hash\":\"{head}\"}}\n").as_bytes());
    }
    text
}

fn lines(ledger: &[u8]) -> impl Iterator<Item = &[u8]> {
    ledger.split_inclusive(|byte| *byte == b'\n')
}

/// The hash that the next line is chained to.
fn head(ledger: &[u8]) -> String {
    let last = lines(ledger).last().and_then(split);
    last.map_or_else(|| "0".repeat(64), |(_, hash)| hash.to_owned())
}

fn chained(mut head: String, bodies: impl Iterator<Item = String>) -> Vec<u8> {
    let mut text = String::new();
    for body in bodies {
        head = link(&head, body.as_bytes());
        text += &format!("{body},\"hash\":\"{head}\"}}\n");
    }
    text.into_bytes()
}

/// The text of a field in a line.
fn field<'a>(body: &'a str, name: &str) -> Option<&'a str> {
    let begin = body.find(&format!("\"{name}\":"))? + name.len() + 3;
    let rest = &body[begin..];
    rest.get(..rest.find([',', '}']).unwrap_or(rest.len()))
}

fn is_kind(body: &str, kind: &str) -> bool {
    field(body, "kind").is_some_and(|found| found.trim_matches('"') == kind)
}

/// Lines to be appended to a ledger, in another order: departures before everything else about messages.
pub(crate) fn departures_first(ledger: &[u8], new: &[u8]) -> Option<Vec<u8>> {
    let bodies: Vec<&str> =
        lines(new).map(|line| split(line).map(|split| split.0)).collect::<Option<_>>()?;
    let first = bodies.iter().position(|body| field(body, "sha256").is_some())?;
    let (mut reordered, rest) = (bodies[..first].to_vec(), &bodies[first..]);
    let (left, others): (Vec<&str>, Vec<&str>) =
        rest.iter().partition(|body| is_kind(body, "removed"));
    reordered.extend(left.into_iter().chain(others));
    // The line numbers stay where they are.
    let number = |body: &str| field(body, "seq").map(str::to_owned).unwrap_or_default();
    let renumbered = reordered.iter().zip(&bodies).map(|(body, at)| {
        body.replacen(&format!("\"seq\":{}", number(body)), &format!("\"seq\":{}", number(at)), 1)
    });
    Some(chained(head(ledger), renumbered))
}

/// Lines that repeat what a ledger already says, replaced by one mark of the same length.
pub(crate) fn marked(ledger: &[u8], new: &[u8]) -> Option<Vec<u8>> {
    let place = |body: &str| {
        (field(body, "path").map(str::to_owned), field(body, "sha256").map(str::to_owned))
    };
    let stands = |body: &str| {
        let known = lines(ledger).filter_map(split).map(|split| split.0);
        let last = known.filter(|known| place(known) == place(body)).last();
        is_kind(body, "placed") && last.is_some_and(|last| !is_kind(last, "removed"))
    };
    let all: Vec<&str> =
        lines(new).map(|line| split(line).map(|split| split.0)).collect::<Option<_>>()?;
    let again: Vec<&str> = all.iter().copied().filter(|body| stands(body)).collect();
    let last = again.last()?;
    let begin = &last[..last.find("\"kind\"")?];
    let mailbox = field(last, "mailbox")?;
    let mark = format!(
        "{begin}\"kind\":\"mark\",\"as_of\":{},\"mailboxes\":[{mailbox}]",
        field(last, "as_of")?
    );
    let bodies = all.iter().filter(|body| !stands(body)).map(|body| (*body).to_owned());
    let short = chained(head(ledger), bodies.clone().chain([mark.clone()]));
    let room = new.len().checked_sub(short.len())?;
    Some(chained(head(ledger), bodies.chain([format!("{mark}{}", " ".repeat(room))])))
}

/// A whole ledger with its lines reworded. Whatever is not a line stays as it is.
pub(crate) fn reworded(ledger: &[u8], reword: impl Fn(&str) -> String) -> Vec<u8> {
    let zeros = "0".repeat(64);
    let (mut head, mut claimed) = ((zeros.clone(), zeros), None::<(String, String)>);
    let mut text = Vec::with_capacity(ledger.len());
    for line in lines(ledger) {
        let Some((body, hash)) = split(line) else {
            claimed = None;
            text.extend_from_slice(line);
            continue;
        };
        let follows = [Some(&head), claimed.as_ref()];
        let before =
            follows.into_iter().flatten().find(|(was, _)| link(was, body.as_bytes()) == hash);
        claimed = match before {
            None => {
                text.extend_from_slice(line);
                Some((hash.to_owned(), hash.to_owned()))
            }
            Some((_, now)) => {
                let line = chained(now.clone(), [reword(body)].into_iter());
                head = (
                    hash.to_owned(),
                    split(&line).map(|split| split.1.to_owned()).unwrap_or_default(),
                );
                text.extend_from_slice(&line);
                Some(head.clone())
            }
        };
    }
    text
}

/// A departure whose writer knew of any number of gaps.
pub(crate) fn knows_every_gap(body: &str) -> String {
    match field(body, "gaps") {
        Some(gaps) => body.replacen(&format!("\"gaps\":{gaps}"), "\"gaps\":999", 1),
        None => body.to_owned(),
    }
}
