//! The frame of the page and the order of its parts.

use super::{diagram, mark, matrix, sections};
use crate::report::RunView;
use maud::{DOCTYPE, Markup, PreEscaped, html};
use std::io::{self, Write};

const STYLE: &str = include_str!("style.css");

/// Writes the whole page.
pub(in crate::report) fn write(view: &RunView, out: &mut dyn Write) -> io::Result<()> {
    out.write_all(page(view).into_string().as_bytes())?;
    out.write_all(b"\n")
}

fn page(view: &RunView) -> Markup {
    let subject = view.subject.as_deref().unwrap_or(&view.bench.name);
    html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                meta name="color-scheme" content="light dark";
                title { (view.verdict.spoken()) " - " (subject) " - control wiring test report" }
                style { (PreEscaped(STYLE)) }
            }
            body {
                (mark::definitions())
                main {
                    (sections::not_safe(view))
                    (sections::heading(view))
                    (sections::simulated(view))
                    (sections::explanation(view))
                    (matrix::section(view))
                    (sections::troubled_calls(view))
                    (diagram::section(view))
                    (sections::changeover(view))
                    (sections::controller_supply(view))
                    (sections::limits(view))
                    (sections::troubles(view))
                    (sections::cautions())
                    (sections::record(view))
                }
            }
        }
    }
}
