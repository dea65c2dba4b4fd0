//! The communications log: `log` is what it says; `text`, `data` and `page` are its forms.
//! Never shows raw text of a message, and never claims to be anybody's official form.

mod data;
mod log;
mod page;
mod text;

pub(in crate::cli) use data::{csv, json};
pub(in crate::cli) use log::{Head, LogSheet};
pub(in crate::cli) use page::html;
pub(in crate::cli) use text::{summary, text};
