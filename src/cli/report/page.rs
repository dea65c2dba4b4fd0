//! The frame that all pages of the program share: head, style, cautions, and what a wide table needs.
//! Never lets text from mail or drives in but through [`Untrusted`]; never asks for anything from elsewhere:
//! no script, no request, so that a page is whole on any computer and in ten years.
//!
//! A page is `page("Title", "pier-4, 091630Z JUL 24", &body)`, its body made with `maud::html!`:
//! headings from `h2` on, [`table_box`] around each table that may be wide, [`state`] for every note on how
//! something stands, [`facts`] for a block of names and values.

use crate::model::escape;
use maud::{DOCTYPE, Markup, PreEscaped, Render, html};

/// Text that somebody else wrote: a header of a message, a path, a label, a text of the config. Shown with
/// everything that could be markup or could turn the reading direction made harmless.
pub(in crate::cli) struct Untrusted<T>(pub T);

impl<T: AsRef<[u8]>> Render for Untrusted<T> {
    fn render_to(&self, buffer: &mut String) {
        escape::shown(self.0.as_ref()).render_to(buffer);
    }
}

/// Whether something is as it should be; the sign says it without the colour, and the text without the sign.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(in crate::cli) enum StatusMark {
    /// As it should be.
    Good,
    /// Something has to be done.
    Bad,
    /// Neither, or it is not known.
    Open,
}

/// The style of every page. Black on white and white on black: nothing else can be read both in the sun and by a
/// red lamp, under which red itself is not seen.
const STYLE: &str = include_str!("page.css");

/// What stands at the end of every page.
const CAUTIONS: [&str; 3] = [
    "This page contains other people\u{2019}s messages, or is about them. Keep it under control, hand it over \
     against signature, and destroy it when it is not needed any more.",
    "Figures are estimates, and times are the station\u{2019}s own.",
    "Local emergency procedures and licensed operation come first.",
];

/// A whole page. `title` is ours; `about` stands under it and at the head of each printed sheet: whose page it
/// is, and of when.
pub(in crate::cli) fn page(title: &str, about: &str, body: &Markup) -> String {
    let running = escape::shown(format!("{title} \u{b7} {about}").as_bytes());
    let sheet = format!("@page{{@top-left{{content:{}}}}}", css_string(&running));
    let whole = html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                // Should markup of a message ever get through: nothing is run, and nothing is asked for.
                meta http-equiv="Content-Security-Policy"
                    content="default-src 'none'; style-src 'unsafe-inline'; form-action 'none'; base-uri 'none'";
                meta name="viewport" content="width=device-width, initial-scale=1";
                meta name="color-scheme" content="light dark";
                title { (title) ", " (Untrusted(about)) }
                style { (PreEscaped(STYLE)) (PreEscaped(sheet)) }
            }
            body {
                header {
                    h1 { (title) }
                    p .about { (Untrusted(about)) }
                }
                main { (body) }
                footer {
                    h2 { "Cautions" }
                    ul { @for caution in CAUTIONS { li { (caution) } } }
                    p { "Written by counterfoil " (env!("CARGO_PKG_VERSION")) "." }
                }
            }
        }
    };
    whole.into_string()
}

/// A box around a wide table: it scrolls in there and the page does not, also from the keyboard. `label` names
/// it to whoever does not see it.
pub(in crate::cli) fn table_box(label: &str, table: &Markup) -> Markup {
    html! { div .box role="region" aria-label=(Untrusted(label)) tabindex="0" { (table) } }
}

/// A note on whether something is as it should be, with its sign.
pub(in crate::cli) fn state(sign: StatusMark, text: &str) -> Markup {
    let (mark, class) = match sign {
        StatusMark::Good => ("\u{2713}", "good"),
        StatusMark::Bad => ("!", "bad"),
        StatusMark::Open => ("\u{2013}", "open"),
    };
    html! { span class={ "state " (class) } { span .sign aria-hidden="true" { (mark) } " " (Untrusted(text)) } }
}

/// A block of names and values, as at the head of a form; a value that is not known leaves room to write.
pub(in crate::cli) fn facts<'a>(facts: impl IntoIterator<Item = (&'a str, String)>) -> Markup {
    html! {
        dl .facts {
            @for (name, value) in facts {
                div { dt { (name) } dd { (Untrusted(value)) } }
            }
        }
    }
}

/// Text as a string of CSS (CSS Syntax Level 3, section 4.3.7): whatever is not a plain letter or digit by its
/// number, so that it ends neither the string nor the style.
fn css_string(text: &str) -> String {
    let mut out = String::from("\"");
    for c in text.chars() {
        if c.is_ascii_alphanumeric() {
            out.push(c);
        } else {
            out.push_str(&format!("\\{:x} ", u32::from(c)));
        }
    }
    out.push('"');
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    const HOSTILE: &str =
        "</style><script>alert(1)</script>\"><img src=x onerror=alert(1)>\u{202e}\u{1b}[31m";

    #[test]
    fn nothing_from_outside_becomes_markup() {
        let body = html! {
            h2 { (Untrusted(HOSTILE)) }
            (table_box(HOSTILE, &html! { table { tr { td { (Untrusted(HOSTILE)) } } } }))
            (state(StatusMark::Bad, HOSTILE))
            (facts([("Incident", HOSTILE.to_owned())]))
        };
        let page = page("Log", HOSTILE, &body);
        for dangerous in ["<script", "<img", "\u{202e}", "\u{1b}"] {
            assert!(!page.contains(dangerous), "{dangerous:?} in {page}");
        }
        assert_eq!(page.matches("</style>").count(), 1);
        assert_eq!(page.matches("&lt;script&gt;alert(1)&lt;/script&gt;").count(), 7);
        assert!(page.contains("\\u{202e}\\u{1b}[31m"), "shown for what it is");
    }

    #[test]
    fn a_page_asks_for_nothing_from_elsewhere() {
        let page = page("Log", "pier-4", &html! {});
        for outward in ["src=", "href=", "url(", "@import", "<link", "http://", "https://"] {
            assert!(!page.contains(outward), "{outward}");
        }
        assert!(page.starts_with("<!DOCTYPE html><html lang=\"en\">"));
    }

    #[test]
    fn a_string_of_css_cannot_be_left() {
        assert_eq!(css_string("a\"b\\</style>\n"), "\"a\\22 b\\5c \\3c \\2f style\\3e \\a \"");
    }
}
