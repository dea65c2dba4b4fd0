//! The audit's charts, as vector graphics within the page. Each says no more than the table that goes with it.
//! Never says anything by colour: what is drawn is black on white or white on black.

use super::super::shown_time;
use crate::job::report::statistics::{Exposure, SizeGroup};
use crate::model::Timestamp;
use maud::{Markup, html};

/// Size of a chart in its own units; the page scales it to what room there is.
const WIDTH: f64 = 720.0;
const HEIGHT: f64 = 200.0;
/// Room for the labels of the axes.
const LEFT: f64 = 48.0;
const BELOW: f64 = 28.0;
const ABOVE: f64 = 12.0;
const BAR: f64 = 22.0;

/// How many messages were on the card only, over time, up to now.
pub(super) fn steps(exposure: &Exposure, now: Timestamp) -> Markup {
    let (Some(first), Some(last)) = (exposure.steps.first(), exposure.steps.last()) else {
        return html! {};
    };
    let (begin, end) = (first.0.seconds, last.0.seconds.max(now.seconds));
    let span = (end.saturating_sub(begin)).max(1) as f64;
    let most = exposure.most.max(1) as f64;
    let x = |at: i64| LEFT + (WIDTH - LEFT - 8.0) * (at.saturating_sub(begin)) as f64 / span;
    let y = |n: u64| ABOVE + (HEIGHT - ABOVE - BELOW) * (1.0 - n as f64 / most);
    let mut line = format!("M{:.1} {:.1}", x(begin), y(0));
    for (at, exposed) in &exposure.steps {
        line += &format!("H{:.1}V{:.1}", x(at.seconds), y(*exposed));
    }
    line += &format!("H{:.1}", x(end));
    let area = format!("{line}V{:.1}H{:.1}Z", y(0), x(begin));
    let base = HEIGHT - BELOW;
    let title = format!("Messages on the card only, over time: at most {}", exposure.most);
    html! {
        svg viewBox=(format!("0 0 {WIDTH} {HEIGHT}")) width="100%" role="img" aria-label=(title) font-size="12"
            fill="currentColor" {
            path d=(area) fill-opacity="0.2" {}
            path d=(line) fill="none" stroke="currentColor" stroke-width="2" {}
            path d=(format!("M{LEFT} {ABOVE}V{base}H{WIDTH}")) fill="none" stroke="currentColor" {}
            text x=(LEFT - 6.0) y=(ABOVE + 8.0) text-anchor="end" { (exposure.most) }
            text x=(LEFT - 6.0) y=(base) text-anchor="end" { "0" }
            text x=(LEFT) y=(HEIGHT - 8.0) { (shown_time(Some(first.0))) }
            text x=(WIDTH - 2.0) y=(HEIGHT - 8.0) text-anchor="end" {
                (shown_time(Some(Timestamp { seconds: end, nanos: 0 })))
            }
        }
    }
}

/// The size of each group and what it is made of: a bar each, its parts distinguished by how they are drawn.
pub(super) fn bars(shares: &[SizeGroup], label: &str) -> Markup {
    let heaviest = shares.iter().map(|share| share.bytes).max().unwrap_or(0).max(1) as f64;
    let height = BAR * shares.len() as f64 + 4.0;
    html! {
        svg viewBox=(format!("0 0 {WIDTH} {height}")) width="100%" role="img" aria-label=(label) font-size="12"
            fill="currentColor" {
            @for (row, share) in shares.iter().enumerate() {
                (bar(share, row as f64 * BAR + 3.0, heaviest, row + 1))
            }
        }
    }
}

fn bar(share: &SizeGroup, y: f64, heaviest: f64, number: usize) -> Markup {
    let wide = |bytes: u64| (WIDTH - LEFT - 8.0) * bytes as f64 / heaviest;
    let body = wide(share.breakdown.body);
    let quoted = wide(share.breakdown.quoted);
    let attached = wide(share.breakdown.attached);
    let (from_quoted, from_attached) = (LEFT + body, LEFT + body + quoted);
    let (from_head, to) = (from_attached + attached, from_attached + attached + wide(share.head()));
    let tall = BAR - 8.0;
    let middle = y + tall / 2.0;
    html! {
        text x=(LEFT - 8.0) y=(y + tall - 2.0) text-anchor="end" { (number) }
        rect x=(LEFT) y=(y) width=(rounded(body)) height=(tall) {}
        @if quoted > 0.0 {
            rect x=(rounded(from_quoted)) y=(y) width=(rounded(quoted)) height=(tall) fill="none"
                stroke="currentColor" stroke-dasharray="3 2" {}
        }
        @if attached > 0.0 {
            rect x=(rounded(from_attached)) y=(y) width=(rounded(attached)) height=(tall) fill-opacity="0.35"
                stroke="currentColor" {}
        }
        path d=(format!("M{from_head:.1} {middle}H{to:.1}")) stroke="currentColor" stroke-width="2" {}
    }
}

fn rounded(length: f64) -> String {
    format!("{length:.1}")
}
