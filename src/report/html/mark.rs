//! A cell's mark as a drawn shape beside its word, so that neither a font nor a colour is needed.

use crate::report::CellMark;
use maud::{Markup, html};

/// The shapes, once for the page; a mark refers to its shape by name.
pub(super) fn definitions() -> Markup {
    html! {
        svg xmlns="http://www.w3.org/2000/svg" class="definitions" aria-hidden="true" {
            symbol id="shape-on" viewBox="0 0 12 12" {
                circle cx="6" cy="6" r="5" fill="currentColor" {}
            }
            symbol id="shape-dead" viewBox="0 0 12 12" {
                circle cx="6" cy="6" r="4" fill="none" stroke="currentColor" stroke-width="1.5" {}
            }
            symbol id="shape-wrong" viewBox="0 0 12 12" {
                path d="M1 1h10v10H1z" fill="none" stroke="currentColor" stroke-width="1.5" {}
                path d="M3.2 3.2l5.6 5.6M8.8 3.2L3.2 8.8" stroke="currentColor"
                    stroke-width="1.8" {}
            }
            symbol id="shape-unclear" viewBox="0 0 12 12" {
                path d="M6 .8L11.2 6 6 11.2.8 6z" fill="none" stroke="currentColor"
                    stroke-width="1.5" {}
                path d="M4 6h4" stroke="currentColor" stroke-width="1.8" {}
            }
            symbol id="shape-none" viewBox="0 0 12 12" {
                path d="M2 6h8" stroke="currentColor" stroke-width="1.5" {}
            }
        }
    }
}

/// A shape by name.
pub(super) fn shape(name: &str) -> Markup {
    html! {
        svg class="shape" viewBox="0 0 12 12" aria-hidden="true" {
            use href=(format!("#shape-{name}")) {}
        }
    }
}

/// The class of a cell, and the name of its shape.
pub(super) fn look(mark: CellMark) -> (&'static str, &'static str) {
    match mark {
        CellMark::On | CellMark::EitherOn => ("on", "on"),
        CellMark::Dead | CellMark::EitherDead => ("dead", "dead"),
        CellMark::WrongOn | CellMark::WrongDead | CellMark::Held | CellMark::Drop => {
            ("wrong", "wrong")
        }
        CellMark::Unclear => ("unclear", "unclear"),
        CellMark::NotJudged => ("none", "none"),
    }
}

/// A cell's word, and a second one where the first does not say all.
pub(super) fn words(mark: CellMark) -> (&'static str, &'static str) {
    match mark {
        CellMark::On => ("live", ""),
        CellMark::Dead => ("dead", ""),
        CellMark::EitherOn => ("live", "either is right"),
        CellMark::EitherDead => ("dead", "either is right"),
        CellMark::WrongOn => ("LIVE", "should be dead"),
        CellMark::WrongDead => ("DEAD", "should be live"),
        CellMark::Held => ("HELD", "live after release"),
        CellMark::Drop => ("DROP", "supply collapsed"),
        CellMark::Unclear => ("unclear", ""),
        CellMark::NotJudged => ("not judged", ""),
    }
}

/// Shape and words.
pub(super) fn cell(mark: CellMark) -> Markup {
    let (word, second) = words(mark);
    let (_, name) = look(mark);
    html! {
        (shape(name)) " " span.word { (word) }
        @if !second.is_empty() { small { (second) } }
    }
}
