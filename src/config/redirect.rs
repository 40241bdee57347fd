//! The same bench on other ports.
//!
//! Place in the data's path: a simulated bench writes a bench file that points at its own ports.
//! The text is kept, comments and all, but for the links' transports; the result is read again
//! before it is given out.

use super::bench_file::{BenchFile, parity_word, parse_bench};
use super::problem::ConfigErrors;
use super::source::{Finding, Source, Span};
use crate::units::{LinkName, LinkTransport};
use std::collections::BTreeMap;
use toml::de::{DeTable, DeValue};

/// The bench file's text with the named links on other transports.
///
/// # Errors
/// A link's transport that is spread over dotted keys or a table of its own; or a transport that
/// the link's devices cannot use.
///
/// # Panics
/// Where a link is named that the bench does not have.
pub fn redirect_links(
    bench: &BenchFile,
    transports: &BTreeMap<LinkName, LinkTransport>,
) -> Result<String, ConfigErrors> {
    let file = bench.path.display().to_string();
    let source = Source {
        file: &file,
        text: &bench.text,
    };
    let document = source.document()?;
    let mut cuts: Vec<(Span, String)> = Vec::new();
    let mut findings = Vec::new();
    for (name, transport) in transports {
        let written = written_transport(&document, name);
        let (key, span) = written.expect("a sound bench's link has a transport");
        let inline = bench.text[span.clone()].ends_with(['}', '"', '\'']);
        if inline {
            cuts.push((span, toml_of(transport)));
        } else {
            let message = format!("link `{name}` cannot be redirected as it is written");
            let finding = Finding::new(span, format!("link.{name}.{key}"), message);
            findings.push(finding.help(format!("write {key} = … in one piece in [link.{name}]")));
        }
    }
    if !findings.is_empty() {
        return Err(source.errors(findings));
    }
    cuts.sort_by_key(|(span, _)| std::cmp::Reverse(span.start));
    let mut text = bench.text.clone();
    for (span, replacement) in cuts {
        text.replace_range(span, &replacement);
    }
    parse_bench(&bench.path, text).map(|redirected| redirected.text)
}

/// The key of a link's transport, and the span from the key's start to its value's end.
fn written_transport(document: &DeTable<'_>, name: &LinkName) -> Option<(&'static str, Span)> {
    let links = document.get("link")?.get_ref();
    let link = links.get(name.as_str())?.get_ref();
    let DeValue::Table(link) = link else {
        return None;
    };
    ["serial", "usb", "tcp"].into_iter().find_map(|key| {
        let (written, value) = link.get_key_value(key)?;
        let (start, end) = (written.span().start, value.span().end);
        Some((key, start..end.max(start)))
    })
}

fn toml_of(transport: &LinkTransport) -> String {
    // A JSON text is a TOML basic text, for both escape the same characters.
    let quoted = |text: &str| serde_json::Value::from(text).to_string();
    match transport {
        LinkTransport::Tcp { address } => format!("tcp = {}", quoted(address)),
        LinkTransport::SerialPath { path, settings } => format!(
            "serial = {{ path = {}, baud = {}, parity = \"{}\", stop_bits = {} }}",
            quoted(path),
            settings.baud,
            parity_word(settings.parity),
            settings.stop_bits
        ),
        LinkTransport::SerialUsb { usb, settings } => {
            let mut identity = Vec::new();
            identity.extend(usb.vendor.map(|number| format!("vendor = {number:#06x}")));
            identity.extend(usb.product.map(|number| format!("product = {number:#06x}")));
            let serial_number = usb.serial_number.as_deref().map(quoted);
            identity.extend(serial_number.map(|text| format!("serial_number = {text}")));
            let location = usb.location.as_deref().map(quoted);
            identity.extend(location.map(|text| format!("location = {text}")));
            format!(
                "serial = {{ usb = {{ {} }}, baud = {}, parity = \"{}\", stop_bits = {} }}",
                identity.join(", "),
                settings.baud,
                parity_word(settings.parity),
                settings.stop_bits
            )
        }
    }
}
