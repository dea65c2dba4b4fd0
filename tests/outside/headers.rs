//! The headers of a message as the operator sees them, compared with the examples of the RFCs. Only the examples' dates
//! and subjects are used; the people in ours are invented.

use crate::post::Post;
use crate::tools::date_of;
use serde_json::Value;
use std::collections::BTreeMap;

/// Delivers one message for each field and returns the audit's entries, by file name.
fn audited(fields: &[(&str, &str)]) -> BTreeMap<String, Value> {
    let post = Post::new();
    for (name, field) in fields {
        let text = format!("From: Ana Reyes <ana@example.org>\r\n{field}\r\n\r\nAt the pier.\r\n");
        post.deliver(name, text.as_bytes());
    }
    let audit = post.expect(1, "audit", &[], &[]);
    let listed = audit["unmirrored"].as_array().unwrap().iter();
    let listed: BTreeMap<_, _> =
        listed.map(|m| (m["path"].as_str().unwrap().to_owned(), m.clone())).collect();
    assert_eq!(listed.len(), fields.len(), "every message is listed");
    assert!(listed.values().all(|m| m["from"] == "Ana Reyes <ana@example.org>"));
    listed
}

/// RFC 5322, Appendix A and section 4.3; seconds since 1970 converted by `date` (coreutils).
#[test]
fn dates_are_shown_in_utc_as_rfc_5322_means_them() {
    let folded = "Date: Thu,\r\n      13\r\n        Feb\r\n          1969\r\n      23:32\r\n\
                  \x20              -0330 (Newfoundland Time)";
    let spaced = "Date  : Fri, 21 Nov 1997 09(comment):   55  :  06 -0600";
    let cases = [
        ("a-1-1", "Date: Fri, 21 Nov 1997 09:55:06 -0600", 880_127_706),
        ("a-1-2", "Date: Tue, 1 Jul 2003 10:52:37 +0200", 1_057_049_557),
        ("a-1-3", "Date: Thu, 13 Feb 1969 23:32:54 -0330", -27_723_426),
        ("a-3", "Date: Mon, 24 Nov 1997 14:22:01 -0800", 880_410_121),
        ("a-5", folded, -27_723_480),
        ("a-6-2", "Date: 21 Nov 97 09:55:06 GMT", 880_106_106),
        ("a-6-3", spaced, 880_127_706),
        ("4-3-year-49", "Date: 1 Jan 49 00:00:00 GMT", 2_493_072_000),
        ("4-3-year-50", "Date: 1 Jan 50 00:00:00 GMT", -631_152_000),
        ("4-3-year-of-three-digits", "Date: 1 Jan 103 00:00:00 GMT", 1_041_379_200),
        ("4-3-est", "Date: Fri, 21 Nov 1997 09:55:06 EST", 880_124_106),
        ("4-3-pdt", "Date: Fri, 21 Nov 1997 09:55:06 PDT", 880_131_306),
        ("3-3-local-zone-unknown", "Date: Fri, 21 Nov 1997 15:55:06 -0000", 880_127_706),
    ];
    let listed = audited(&cases.map(|(name, field, _)| (name, field)));
    let shown = cases.map(|(name, _, _)| (name, listed[name]["date"].as_str().unwrap().to_owned()));
    let meant = cases.map(|(name, _, seconds)| (name, date_of(seconds)));
    assert_eq!(shown, meant);
    // `date` itself, compared with the zone arithmetic of Appendix A.1.1 done by hand.
    assert_eq!(date_of(880_127_706), "1997-11-21T15:55:06Z");
}

/// RFC 5322, section 2.2.3 (folding), and RFC 2047, section 8 (encoded words).
#[test]
fn subjects_are_shown_unfolded_and_decoded() {
    let cases = [
        ("folded", "Subject: a\r\n b", "a b"),
        ("two-words", "Subject: =?ISO-8859-1?Q?a?= =?ISO-8859-1?Q?b?=", "ab"),
        ("two-words-two-blanks", "Subject: =?ISO-8859-1?Q?a?=  =?ISO-8859-1?Q?b?=", "ab"),
        ("two-lines", "Subject: =?ISO-8859-1?Q?a?=\r\n    =?ISO-8859-1?Q?b?=", "ab"),
        ("word-and-text", "Subject: =?ISO-8859-1?Q?a?= b", "a b"),
        ("blank-within", "Subject: =?ISO-8859-1?Q?a_b?=", "a b"),
        ("two-charsets", "Subject: =?ISO-8859-1?Q?a?= =?ISO-8859-2?Q?_b?=", "a b"),
        (
            "base64",
            "Subject: =?ISO-8859-1?B?SWYgeW91IGNhbiByZWFkIHRoaXMgeW8=?=\r\n    \
             =?ISO-8859-2?B?dSB1bmRlcnN0YW5kIHRoZSBleGFtcGxlLg==?=",
            "If you can read this you understand the example.",
        ),
    ];
    let listed = audited(&cases.map(|(name, field, _)| (name, field)));
    for (name, field, meant) in cases {
        assert_eq!(listed[name]["subject"], meant, "{field:?}");
    }
}
