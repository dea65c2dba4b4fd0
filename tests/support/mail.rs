//! The sample messages of all tests, so that one file says what a message looks like.
//! Never writes a file.

/// A message with these headers: sender, receiver, subject, and any further header lines.
fn with_head(from: &str, to: &str, subject: &str, more: &str, body: &str) -> String {
    format!("From: {from}\r\nTo: {to}\r\nSubject: {subject}\r\n{more}\r\n{body}")
}

/// A message to the relief centre, with that subject and body.
pub(crate) fn message(subject: &str, body: &str) -> String {
    with_head("Q0AAA <q0aaa@example.org>", "relief@example.org", subject, "", body)
}

/// A message of two hundred bytes or so, whose body names the subject.
pub(crate) fn mail(subject: &str) -> Vec<u8> {
    let body = format!("Water level, road state and needs of {subject}.\r\n");
    message(subject, &body).into_bytes()
}

/// A message from net control to this station, with a date: reports name sender, receiver and time.
pub(crate) fn dated_mail(subject: &str) -> String {
    let body = format!("{subject}: please acknowledge.\r\n");
    let date = "Date: Tue, 1 Jul 2003 10:52:37 +0200\r\n";
    with_head("Net control <q0net@example.org>", "q1pier@example.org", subject, date, &body)
}

/// A message of about this many bytes, whose lines differ from message to message, so that no two are alike by chance.
pub(crate) fn long_mail(number: usize, bytes: usize) -> Vec<u8> {
    let more =
        format!("Date: Fri, 21 Nov 1997 09:55:06 -0600\r\nMessage-ID: <{number}@example.org>\r\n");
    let subject = format!("Situation report {number}");
    let mut text =
        with_head("Q0AAA <q0aaa@example.org>", "Relief <relief@example.org>", &subject, &more, "");
    let mut line = number as u64;
    while text.len() + 70 < bytes {
        line = line.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        text.push_str(&format!("Pier 4: water {line:020}, road {:020}\r\n", line.rotate_left(17)));
    }
    text.into_bytes()
}
