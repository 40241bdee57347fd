//! `ports`: the serial ports of this machine, and which of them may not be opened.

use super::error::AppError;
use crate::driver::{self, PortAccess, PortDescription};
use std::io::Write;

/// Writes the list of serial ports.
///
/// # Errors
/// The writer's.
pub fn list_ports(json: bool, out: &mut dyn Write) -> Result<(), AppError> {
    let ports = driver::list_ports();
    if json {
        let document = serde_json::json!({
            "format": "coilcall.ports",
            "version": 1,
            "ports": ports.iter().map(as_json).collect::<Vec<_>>(),
        });
        serde_json::to_writer_pretty(&mut *out, &document).map_err(std::io::Error::from)?;
        writeln!(out)?;
        return Ok(());
    }
    if ports.is_empty() {
        writeln!(out, "no serial ports; plug the adapter in and ask again")?;
    }
    for port in &ports {
        write_port(port, out)?;
    }
    Ok(())
}

fn write_port(port: &PortDescription, out: &mut dyn Write) -> std::io::Result<()> {
    writeln!(out, "{}", port.path)?;
    if let Some(product) = &port.product {
        writeln!(out, "  calls itself   {product}")?;
    }
    if let Some(usb) = &port.usb {
        let number = |value: Option<u16>| value.map_or("-".to_owned(), |v| format!("0x{v:04x}"));
        writeln!(out, "  vendor         {}", number(usb.vendor))?;
        writeln!(out, "  product        {}", number(usb.product))?;
        writeln!(
            out,
            "  serial_number  {}",
            usb.serial_number.as_deref().unwrap_or("-")
        )?;
        writeln!(
            out,
            "  location       {}",
            usb.location.as_deref().unwrap_or("-")
        )?;
    }
    match &port.access {
        PortAccess::Permitted => writeln!(out, "  may be opened"),
        PortAccess::NotPermitted(help) => writeln!(out, "  may not be opened: {help}"),
    }
}

fn as_json(port: &PortDescription) -> serde_json::Value {
    let may_be_opened = port.access == PortAccess::Permitted;
    let usb = port.usb.as_ref().map(|usb| {
        serde_json::json!({
            "vendor": usb.vendor,
            "product": usb.product,
            "serial_number": usb.serial_number,
            "location": usb.location,
        })
    });
    serde_json::json!({
        "path": port.path,
        "calls_itself": port.product,
        "usb": usb,
        "may_be_opened": may_be_opened,
        "help": match &port.access {
            PortAccess::Permitted => None,
            PortAccess::NotPermitted(help) => Some(help),
        },
    })
}
