//! Which serial ports there are, and whether this user may open them.
//!
//! Place in the data's path: for the list shown to people and for finding an adapter by its
//! identity. No port is opened to learn this: opening raises the control lines, which resets some
//! boards.

use crate::units::UsbIdentity;
use std::path::Path;
use tokio_serial::SerialPortType;

/// Whether a port may be opened by this user.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum PortAccess {
    /// The file's permissions allow it.
    Permitted,
    /// They do not; the text says what would help.
    NotPermitted(String),
}

/// One serial port of this machine.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct PortDescription {
    /// Its device file, or the system's name for it.
    pub path: String,
    /// Which USB adapter it is, with its location; `None` for a port of another kind.
    pub usb: Option<UsbIdentity>,
    /// What the adapter calls itself.
    pub product: Option<String>,
    /// Whether it may be opened.
    pub access: PortAccess,
}

/// Every serial port, sorted by path. Pseudo-terminals are not among them.
#[must_use]
pub fn list_ports() -> Vec<PortDescription> {
    // Without this directory, as in some containers, the library would panic.
    if cfg!(target_os = "linux") && !Path::new("/sys/class/tty").is_dir() {
        return Vec::new();
    }
    let mut ports: Vec<PortDescription> = tokio_serial::available_ports()
        .unwrap_or_default()
        .into_iter()
        .map(|port| {
            let (usb, product) = match port.port_type {
                SerialPortType::UsbPort(usb) => (
                    Some(UsbIdentity {
                        vendor: Some(usb.vid),
                        product: Some(usb.pid),
                        serial_number: usb.serial_number,
                        location: usb.location.map(|location| location.to_string()),
                    }),
                    usb.product,
                ),
                _ => (None, None),
            };
            PortDescription {
                access: access(Path::new(&port.port_name)),
                path: port.port_name,
                usb,
                product,
            }
        })
        .collect();
    ports.sort_by(|a, b| a.path.cmp(&b.path));
    ports
}

/// Every field that is wanted is there.
pub(super) fn matches_identity(wanted: &UsbIdentity, found: &UsbIdentity) -> bool {
    fn fits<T: PartialEq>(wanted: Option<&T>, found: Option<&T>) -> bool {
        wanted.is_none() || wanted == found
    }
    fits(wanted.vendor.as_ref(), found.vendor.as_ref())
        && fits(wanted.product.as_ref(), found.product.as_ref())
        && fits(wanted.serial_number.as_ref(), found.serial_number.as_ref())
        && fits(wanted.location.as_ref(), found.location.as_ref())
}

/// The identity in a person's words.
pub(super) fn plain_identity(usb: &UsbIdentity) -> String {
    let number = |number: Option<u16>| number.map_or("any".into(), |n| format!("{n:04x}"));
    let mut words = format!("USB adapter {}:{}", number(usb.vendor), number(usb.product));
    if let Some(serial_number) = &usb.serial_number {
        words.push_str(&format!(" with serial number {serial_number}"));
    }
    if let Some(location) = &usb.location {
        words.push_str(&format!(" at {location}"));
    }
    words
}

/// The ports that exist, the nearest names first.
pub(super) fn nearest_paths(wanted: &str, ports: &[PortDescription]) -> String {
    let mut paths: Vec<&str> = ports.iter().map(|port| port.path.as_str()).collect();
    paths.sort_by_key(|path| (strsim::damerau_levenshtein(wanted, path), *path));
    paths.truncate(3);
    if paths.is_empty() {
        "no serial port was found on this machine".into()
    } else {
        format!("nearest: {}", paths.join(", "))
    }
}

/// Why it may not be opened and what would help.
pub(super) fn not_permitted_detail(path: &Path) -> String {
    match access(path) {
        PortAccess::NotPermitted(why) => why,
        PortAccess::Permitted => "its permissions allow it, something else forbids it".into(),
    }
}

#[cfg(unix)]
fn access(path: &Path) -> PortAccess {
    use std::os::unix::fs::MetadataExt;
    let Ok(file) = path.metadata() else {
        return PortAccess::NotPermitted("its permissions cannot be read".into());
    };
    let user = User::of_this_process();
    if user.may_read_and_write(file.mode(), file.uid(), file.gid()) {
        PortAccess::Permitted
    } else {
        let group = group_name(file.gid()).unwrap_or_else(|| file.gid().to_string());
        PortAccess::NotPermitted(format!(
            "it belongs to group {group}, and this user is not a member"
        ))
    }
}

#[cfg(not(unix))]
fn access(_: &Path) -> PortAccess {
    PortAccess::Permitted
}

/// Who this process runs as, for the permission bits of a file.
#[cfg(unix)]
#[derive(Debug)]
struct User {
    user: u32,
    groups: Vec<u32>,
}

#[cfg(unix)]
impl User {
    /// Read from the kernel's own account of this process. Where there is none, the user is taken
    /// to be nobody in particular: then only what everybody may open is permitted.
    fn of_this_process() -> Self {
        Self::from_status(&std::fs::read_to_string("/proc/self/status").unwrap_or_default())
    }

    /// `Uid:` and `Gid:` list real, effective, saved and file-system ids (proc(5)).
    fn from_status(status: &str) -> Self {
        let numbers = |key: &str| -> Vec<u32> {
            let line = status.lines().find_map(|line| line.strip_prefix(key));
            let words = line.unwrap_or_default().split_whitespace();
            words.filter_map(|word| word.parse().ok()).collect()
        };
        let mut groups = numbers("Groups:");
        groups.extend(numbers("Gid:").get(1));
        Self {
            user: numbers("Uid:").get(1).copied().unwrap_or(u32::MAX),
            groups,
        }
    }

    fn may_read_and_write(&self, mode: u32, owner: u32, group: u32) -> bool {
        let shift = if self.user == owner {
            6
        } else if self.groups.contains(&group) {
            3
        } else {
            0
        };
        self.user == 0 || (mode >> shift) & 0o6 == 0o6
    }
}

#[cfg(unix)]
fn group_name(group: u32) -> Option<String> {
    let groups = std::fs::read_to_string("/etc/group").ok()?;
    groups.lines().find_map(|line| {
        let mut fields = line.split(':');
        let name = fields.next()?;
        let number: u32 = fields.nth(1)?.parse().ok()?;
        (number == group).then(|| name.to_owned())
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn adapter() -> UsbIdentity {
        UsbIdentity {
            vendor: Some(0x1234),
            product: Some(0x5678),
            serial_number: Some("A1".into()),
            location: Some("1-2.3".into()),
        }
    }

    #[test]
    fn every_given_field_must_match() {
        let only_vendor = UsbIdentity {
            vendor: Some(0x1234),
            ..UsbIdentity::default()
        };
        assert!(matches_identity(&only_vendor, &adapter()));
        assert!(matches_identity(&adapter(), &adapter()));
        let elsewhere = UsbIdentity {
            location: Some("1-2.4".into()),
            ..adapter()
        };
        assert!(!matches_identity(&elsewhere, &adapter()));
        // An adapter without a serial number is not the one that was asked for by number.
        let nameless = UsbIdentity {
            serial_number: None,
            ..adapter()
        };
        assert!(!matches_identity(&adapter(), &nameless));
    }

    #[test]
    fn nearest_names_come_first() {
        let port = |path: &str| PortDescription {
            path: path.into(),
            usb: None,
            product: None,
            access: PortAccess::Permitted,
        };
        let ports = ["/dev/ttyACM0", "/dev/ttyS0", "/dev/ttyUSB1"].map(port);
        assert_eq!(
            nearest_paths("/dev/ttyUSB0", &ports),
            "nearest: /dev/ttyUSB1, /dev/ttyS0, /dev/ttyACM0"
        );
        assert_eq!(
            nearest_paths("/dev/ttyUSB0", &[]),
            "no serial port was found on this machine"
        );
    }

    #[cfg(unix)]
    #[test]
    fn permission_bits_are_those_of_owner_group_or_others() {
        let status = "Name:\tx\nUid:\t1000\t1000\t1000\t1000\nGid:\t1000\t100\t1000\t1000\n\
                      Groups:\t20 27\n";
        let user = User::from_status(status);
        assert!(user.may_read_and_write(0o600, 1000, 0));
        assert!(user.may_read_and_write(0o660, 0, 20));
        assert!(user.may_read_and_write(0o660, 0, 100));
        assert!(!user.may_read_and_write(0o660, 0, 5));
        assert!(!user.may_read_and_write(0o440, 0, 20));
        // The owner's bits hold for the owner, even where the group's would allow more.
        assert!(!user.may_read_and_write(0o060, 1000, 20));
        assert!(user.may_read_and_write(0o666, 0, 5));
        let superuser = User::from_status("Uid:\t0\t0\t0\t0\n");
        assert!(superuser.may_read_and_write(0o600, 5, 5));
    }
}
