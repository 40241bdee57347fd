//! The installations that the circuit's tests share.

use coilcall::domain::circuit::{Circuit, CircuitValues, ClosedContacts, Fault};
use coilcall::domain::profile::{
    Arrangement, Auxiliary, Changeover, FanInHeat, Interface, Kind, Profile, ProfileDraft,
};
use coilcall::units::Terminal;

pub(super) fn terminals(names: &[&'static str]) -> Vec<Terminal> {
    names.iter().copied().map(Terminal::known).collect()
}

/// The profile that a test or a netlist names.
pub(super) fn profile(name: &str) -> Profile {
    let heat_pump = ProfileDraft {
        name: Some(name.to_owned()),
        kind: Some(Kind::HeatPump),
        compressor_stages: Some(2),
        heat_stages: Some(1),
        changeover: Some(Changeover::O),
        fan_in_heat: Some(FanInHeat::Controller),
        present: Some(terminals(&["E"])),
        ..ProfileDraft::default()
    };
    let draft = match name {
        "two-stage-heat-pump" => heat_pump,
        "one-stage-heat-pump" => ProfileDraft {
            compressor_stages: Some(1),
            ..heat_pump
        },
        "two-auxiliary-lines" => ProfileDraft {
            compressor_stages: Some(1),
            heat_stages: Some(2),
            present: None,
            ..heat_pump
        },
        "heating-valve" => ProfileDraft {
            changeover: Some(Changeover::B),
            compressor_stages: Some(1),
            ..heat_pump
        },
        "common-on-b" => ProfileDraft {
            compressor_stages: Some(1),
            common_on: Some(Terminal::known("B")),
            ..heat_pump
        },
        "conventional" => ProfileDraft {
            interface: Some(Interface::Conventional),
            changeover: None,
            present: None,
            ..heat_pump
        },
        "furnace-and-cooling" => ProfileDraft {
            name: Some(name.to_owned()),
            kind: Some(Kind::FurnaceAndCooling),
            compressor_stages: Some(1),
            heat_stages: Some(1),
            fan_in_heat: Some(FanInHeat::Equipment),
            ..ProfileDraft::default()
        },
        "heat-pump-and-boiler" => ProfileDraft {
            name: Some(name.to_owned()),
            kind: Some(Kind::HeatPumpAndBoiler),
            compressor_stages: Some(1),
            heat_stages: Some(1),
            changeover: Some(Changeover::O),
            fan_in_heat: Some(FanInHeat::None),
            auxiliary: Some(Auxiliary::Adds),
            arrangement: Some(Arrangement::Dual),
            ..ProfileDraft::default()
        },
        _ => panic!("no such profile: {name}"),
    };
    Profile::new(draft).unwrap_or_else(|problems| panic!("{name}: {problems:?}"))
}

/// Faults as written, separated by spaces.
pub(super) fn faults(written: &str) -> Vec<Fault> {
    let each = written.split_whitespace();
    each.map(|fault| fault.parse().unwrap_or_else(|e| panic!("{e}")))
        .collect()
}

/// The circuit of a profile without a bench, with faults.
pub(super) fn circuit(name: &str, written: &str) -> Circuit {
    with_values(name, written, CircuitValues::default())
}

pub(super) fn with_values(name: &str, written: &str, values: CircuitValues) -> Circuit {
    Circuit::new(&profile(name), None, values)
        .and_then(|healthy| healthy.with_faults(&faults(written)))
        .unwrap_or_else(|error| panic!("{name} {written}: {error}"))
}

/// Contacts as written, separated by spaces.
pub(super) fn closed(lines: &str) -> ClosedContacts {
    let lines = lines.split_whitespace();
    ClosedContacts(
        lines
            .map(|line| Terminal::new(line).expect("a terminal"))
            .collect(),
    )
}
