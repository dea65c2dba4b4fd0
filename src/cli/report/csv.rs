//! Tables as files for a spreadsheet: RFC 4180, in UTF-8.
//! Never writes a field that a spreadsheet would run as a formula, or that steers whatever shows it.

use crate::cli::notices::CliError;
use crate::model::escape;

/// A table: its heads, then a row for each record.
pub(in crate::cli) fn table<R, F>(
    heads: &[&str],
    rows: impl IntoIterator<Item = R>,
) -> Result<Vec<u8>, CliError>
where
    R: IntoIterator<Item = F>,
    F: AsRef<str>,
{
    // RFC 4180, section 2: lines end in CRLF, and quotes stand only where they are needed.
    let mut writer =
        csv::WriterBuilder::new().terminator(csv::Terminator::CRLF).from_writer(Vec::new());
    let failed = |error: &dyn std::fmt::Display| {
        CliError::failed(format!("a table cannot be written as CSV: {error}"))
    };
    writer.write_record(heads).map_err(|e| failed(&e))?;
    for row in rows {
        let fields = row.into_iter().map(|field| defused(field.as_ref()));
        writer.write_record(fields).map_err(|e| failed(&e))?;
    }
    writer.into_inner().map_err(|e| failed(&e))
}

/// Text as it may stand in a field. What a spreadsheet takes for a formula gets an apostrophe in front, which
/// spreadsheets take for "this is text": the usual advice against formulas in exported tables. Blanks and quotes
/// before the sign are passed over by some; the wide forms of the signs are taken for signs by others.
fn defused(text: &str) -> String {
    let first = text.trim_start_matches(|c: char| {
        c != '\t' && c != '\r' && (c.is_whitespace() || "\"'".contains(c))
    });
    let formula = first.starts_with([
        '=', '+', '-', '@', '\t', '\r', '\u{ff1d}', '\u{ff0b}', '\u{ff0d}', '\u{ff20}',
    ]);
    let shown = escape::shown(text.as_bytes());
    if formula { format!("'{shown}") } else { shown }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn written(fields: &[&str]) -> String {
        let rows = [fields.iter().copied()];
        let bytes = table(&["A"].repeat(fields.len()), rows).unwrap();
        let text = String::from_utf8(bytes).unwrap();
        text.split_once("\r\n").unwrap().1.to_owned()
    }

    /// RFC 4180, section 2, rules 1 and 5 to 7.
    #[test]
    fn fields_are_quoted_as_rfc_4180_has_it() {
        assert_eq!(written(&["a\"b,c", "plain", ""]), "\"a\"\"b,c\",plain,\r\n");
        assert_eq!(table(&["A", "B"], [["1", "2"]]).unwrap(), b"A,B\r\n1,2\r\n");
        assert_eq!(table(&["A"], Vec::<[&str; 1]>::new()).unwrap(), b"A\r\n");
    }

    #[test]
    fn no_field_is_a_live_formula() {
        for (text, expected) in [
            ("=1+1", "'=1+1"),
            ("+1", "'+1"),
            ("-1", "'-1"),
            ("@SUM(A1)", "'@SUM(A1)"),
            ("\t=1", "'\\u{9}=1"),
            ("\r=1", "'\\u{d}=1"),
            ("  =1", "'  =1"),
            ("\u{a0}=1", "'\u{a0}=1"),
            ("'=1", "''=1"),
            ("\u{ff1d}1", "'\u{ff1d}1"),
            ("1=1", "1=1"),
            ("Re: -1", "Re: -1"),
        ] {
            assert_eq!(defused(text), expected, "{text:?}");
        }
        assert_eq!(written(&["\"=1"]), "\"'\"\"=1\"\r\n");
    }

    #[test]
    fn nothing_steers_whatever_shows_it() {
        let field = defused("a\u{1b}[31m\u{202e}b\r\nc");
        assert_eq!(field, "a\\u{1b}[31m\\u{202e}b\\u{d}\\u{a}c");
    }
}
