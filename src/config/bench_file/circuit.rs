//! `[circuit]`: electrical values of bench, cable and equipment, where they are known better than
//! by default.
//!
//! Place in the data's path: changes [`CircuitValues`] key by key; what no such part can have is
//! refused at its key. Bench and profile have the same table. Each key is written once, in a list
//! that reader, schema and the effective values share.

use crate::config::nearest::listed;
use crate::config::table::{Located, Reals, TableReader};
use crate::domain::bench_map::Load;
use crate::domain::circuit::conductor::Stranding;
use crate::domain::circuit::{
    CableValues, CircuitError, CircuitValues, CoilValues, ContactValues, FaultValues,
    HeatingSupply, Protection, SolidStateValues, SupplyValues,
};
use crate::units::{Ohms, Place, Terminal, Volts};

/// One number of a table: its key, what it takes, and where it goes.
pub(in crate::config) struct Key<T> {
    pub(in crate::config) name: &'static str,
    pub(in crate::config) reals: Reals,
    get: fn(&T) -> f64,
    set: fn(&mut T, f64),
}

macro_rules! keys {
    ($list:ident: $of:ty; $($name:literal, $reals:ident, $($path:ident).+, $unit:literal;)+) => {
        pub(in crate::config) const $list: &[Key<$of>] = &[$(Key {
            name: $name,
            reals: Reals::$reals,
            get: |values| values.$($path).+ / $unit,
            set: |values, number| values.$($path).+ = number * $unit,
        }),+];
    };
}

keys! { SUPPLY: SupplyValues;
    "rated_va", Positive, rated_volt_amperes, 1.0;
    "open_circuit_v", NotNegative, open_circuit_volts, 1.0;
    "source_ohms_at_40_va", Positive, ohms_at_40_volt_amperes, 1.0;
    "source_reactance_ohms_at_40_va", NotNegative, reactance_ohms_at_40_volt_amperes, 1.0;
    "mains_v", NotNegative, mains_volts, 1.0;
    "primary_tap_v", Positive, primary_tap_volts, 1.0;
}
keys! { CABLE: CableValues;
    "awg", NotNegative, gauge_awg, 1.0;
    "length_ft", Positive, feet, 1.0;
    "temperature_c", Any, celsius, 1.0;
    "microhenries_per_ft", NotNegative, henries_per_foot, 1e-6;
    "picofarads_per_ft", NotNegative, coupling_farads_per_foot, 1e-12;
    "joint_ohms", Positive, joint_ohms, 1.0;
}
keys! { CONTACTS: ContactValues;
    "closed_ohms", Positive, closed_ohms, 1.0;
    "jumper_ohms", Positive, jumper_ohms, 1.0;
    "open_ohms", Positive, open_ohms, 1.0;
    "open_picofarads", NotNegative, open_farads, 1e-12;
    "insulation_picofarads", NotNegative, insulation_farads, 1e-12;
}
keys! { SOLID_STATE: SolidStateValues;
    "leakage_a", Positive, leakage_amps, 1.0;
    "snubber_ohms", Positive, snubber_ohms, 1.0;
    "minimum_load_a", NotNegative, minimum_load_amps, 1.0;
}
keys! { FAULTS: FaultValues;
    "short_ohms", Positive, short_ohms, 1.0;
    "coil_short_ohms", Positive, coil_short_ohms, 1.0;
    "opens_under_load_above_a", NotNegative, opens_under_load_above_amps, 1.0;
    "wrong_tap_mains_v", NotNegative, wrong_tap_mains_volts, 1.0;
    "wrong_tap_v", Positive, wrong_tap_volts, 1.0;
}
keys! { INSTRUMENTS: CircuitValues;
    "indicator_ohms", Positive, indicator_ohms, 1.0;
    "power_stealing_ohms", Positive, power_stealing_ohms, 1.0;
    "meter_ohms", Positive, meter_ohms, 1.0;
    "digital_input_ohms", Positive, digital_input_ohms, 1.0;
}

/// The two boards' own loads and the coil's keys, each read by hand.
pub(in crate::config) const BOARDS: [&str; 2] = ["controller_ohms", "outdoor_board_ohms"];

/// A coil's numbers in the order of its keys.
pub(in crate::config) fn coil_numbers(coil: &CoilValues) -> [f64; 6] {
    [
        coil.sealed_ohms,
        coil.unsealed_ohms,
        coil.power_factor,
        coil.dc_ohms,
        coil.pick_up.0,
        coil.drop_out.0,
    ]
}

pub(in crate::config) const COIL: [(&str, Reals); 6] = [
    ("sealed_ohms", Reals::Positive),
    ("unsealed_ohms", Reals::Positive),
    ("power_factor", Reals::Fraction),
    ("dc_ohms", Reals::Positive),
    ("pick_up_v", Reals::Positive),
    ("drop_out_v", Reals::Positive),
];
/// What has joints beside the lines.
const SUPPLY_TERMINALS: [&str; 4] = ["R", "Rc", "Rh", "C"];
pub(in crate::config) const JOINT: [(&str, Place); 3] = [
    ("controller_ohms", Place::Controller),
    ("equipment_ohms", Place::Equipment),
    ("outdoor_ohms", Place::Outdoor),
];

/// Every number of a list as it stands, for the effective values.
pub(in crate::config) fn numbers<'k, T>(
    keys: &'k [Key<T>],
    values: &'k T,
) -> impl Iterator<Item = (&'static str, f64)> {
    keys.iter().map(|key| (key.name, (key.get)(values)))
}

/// Reads every key of a list into a part; where the part then cannot be, the keys whose values
/// alone are outside physics are told. `within` puts the part into an otherwise usual circuit.
fn read_numbers<T: Clone + Default>(
    table: &TableReader<'_>,
    keys: &[Key<T>],
    values: &mut T,
    within: fn(T) -> CircuitValues,
) {
    let stated: Vec<_> = keys
        .iter()
        .filter_map(|key| Some((key, table.number(key.name, key.reals)?)))
        .collect();
    for (key, number) in &stated {
        (key.set)(values, number.value);
    }
    if within(values.clone()).check().is_ok() {
        return;
    }
    for (key, number) in stated {
        let mut alone = T::default();
        (key.set)(&mut alone, number.value);
        tell_outside_physics(table, &number, &within(alone));
    }
}

/// A finding at the number's key, where the circuit with it is outside physics.
fn tell_outside_physics(table: &TableReader<'_>, number: &Located<f64>, with: &CircuitValues) {
    if let Err(error) = with.check() {
        table.findings().add(number.finding(error.to_string()));
    }
}

/// Whose coils and joints a file may name.
pub(in crate::config) struct Wired<'a> {
    /// From a name to its terminal: the aliases Y and W.
    pub(in crate::config) resolve: &'a dyn Fn(&str) -> Result<Terminal, String>,
    /// The lines; `None` where a mistake in the file leaves them unknown.
    pub(in crate::config) lines: Option<Vec<Terminal>>,
}

/// The given values with what the file states in their place.
pub(in crate::config) fn read_circuit(
    root: &TableReader<'_>,
    mut values: CircuitValues,
    wired: &Wired<'_>,
) -> CircuitValues {
    let Some(table) = root.table("circuit") else {
        return values;
    };
    read_numbers(&table, INSTRUMENTS, &mut values, |values| values);
    if let Some(earthed) = table.boolean("common_earthed") {
        values.common_earthed = earthed.value;
    }
    let boards = [&mut values.controller_ohms, &mut values.outdoor_board_ohms];
    for (key, ohms) in BOARDS.into_iter().zip(boards) {
        // 0 stands for a board that is not there.
        if let Some(number) = table.number(key, Reals::NotNegative) {
            *ohms = (number.value > 0.0).then_some(number.value);
            let with = CircuitValues {
                controller_ohms: *ohms,
                ..CircuitValues::default()
            };
            tell_outside_physics(&table, &number, &with);
        }
    }
    if let Some(inner) = table.table("supply") {
        read_supply(&inner, &mut values.supply, |supply| CircuitValues {
            supply,
            ..CircuitValues::default()
        });
        inner.finish();
    }
    read_heating_supply(&table, &mut values);
    read_cables(&table, &mut values);
    for (key, apply) in [
        (
            "contacts",
            read_contacts as fn(&TableReader<'_>, &mut CircuitValues),
        ),
        ("solid_state", read_solid_state),
        ("leaking", |inner, values| {
            read_numbers(inner, SOLID_STATE, &mut values.leaking, with_output)
        }),
        ("faults", |inner, values| {
            read_numbers(inner, FAULTS, &mut values.faults, |faults| CircuitValues {
                faults,
                ..CircuitValues::default()
            })
        }),
    ] {
        if let Some(inner) = table.table(key) {
            apply(&inner, &mut values);
            inner.finish();
        }
    }
    read_coils(&table, wired, &mut values);
    read_joints(&table, wired, &mut values);
    if let (Err(error), false) = (values.check(), table.findings().any()) {
        let message = match &error {
            CircuitError::OutsidePhysics { .. } => error.to_string(),
            other => format!("the values make no circuit: {other}"),
        };
        table.findings().add(table.place().finding(message));
    }
    table.finish();
    values
}

fn read_contacts(table: &TableReader<'_>, values: &mut CircuitValues) {
    read_numbers(table, CONTACTS, &mut values.contacts, |contacts| {
        CircuitValues {
            contacts,
            ..CircuitValues::default()
        }
    });
}

fn with_output(output: SolidStateValues) -> CircuitValues {
    CircuitValues {
        solid_state: Some(output),
        ..CircuitValues::default()
    }
}

fn read_solid_state(table: &TableReader<'_>, values: &mut CircuitValues) {
    let mut output = values.solid_state.unwrap_or_default();
    read_numbers(table, SOLID_STATE, &mut output, with_output);
    values.solid_state = Some(output);
}

fn read_supply(
    table: &TableReader<'_>,
    supply: &mut SupplyValues,
    within: fn(SupplyValues) -> CircuitValues,
) {
    read_numbers(table, SUPPLY, supply, within);
    let ohms = table.number("protection_ohms", Reals::Positive);
    if let Some(ohms) = &ohms {
        let mut alone = SupplyValues::default();
        alone.protection = Protection::Fuse {
            ohms: ohms.value,
            opens_above_amps: alone.protection.opens_above_amps(),
        };
        tell_outside_physics(table, ohms, &within(alone));
    }
    let ohms = ohms.map_or(supply.protection.ohms(), |ohms| ohms.value);
    let opens = supply.protection.opens_above_amps();
    let latches = supply.protection.latches();
    read_full_load(table, supply);
    if table.has("fuse_opens_above_a") && table.has("limiter_opens_above_a") {
        let keys = ["fuse_opens_above_a", "limiter_opens_above_a"];
        table.one_of(&keys, "a fuse, or an electronic limiter");
    }
    let fuse = table.number("fuse_opens_above_a", Reals::Positive);
    let limiter = table.number("limiter_opens_above_a", Reals::Positive);
    let (latches, opens_above_amps) = match (fuse, limiter) {
        (Some(fuse), _) => (true, fuse.value),
        (None, Some(limiter)) => (false, limiter.value),
        (None, None) => (latches, opens),
    };
    supply.protection = if latches {
        Protection::Fuse {
            ohms,
            opens_above_amps,
        }
    } else {
        Protection::Limiter {
            ohms,
            opens_above_amps,
        }
    };
}

/// Rating and regulation in place of the source's resistance.
fn read_full_load(table: &TableReader<'_>, supply: &mut SupplyValues) {
    let Some(full_load) = table.number("full_load_v", Reals::Positive) else {
        return;
    };
    if table.has("source_ohms_at_40_va") {
        let keys = ["full_load_v", "source_ohms_at_40_va"];
        table.one_of(
            &keys,
            "volts at the rated current, or the source's resistance",
        );
        return;
    }
    match supply.source_ohms_for(Volts(full_load.value)) {
        Some(ohms) => supply.ohms_at_40_volt_amperes = ohms,
        None => {
            let message = format!(
                "a transformer of {} V open-circuit gives less than that at its rated current",
                supply.open_circuit_volts
            );
            table.findings().add(full_load.finding(message));
        }
    }
}

fn read_heating_supply(table: &TableReader<'_>, values: &mut CircuitValues) {
    let Some(inner) = table.table("heating_supply") else {
        return;
    };
    let dry = inner.boolean("dry_contact").map(|dry| dry.value);
    // A table that says anything else of it means a transformer.
    if dry != Some(true) && values.heating_supply == HeatingSupply::DryContact {
        values.heating_supply = CircuitValues::for_bench().heating_supply;
    }
    if let HeatingSupply::Transformer {
        supply,
        opposed,
        commons_joined,
    } = &mut values.heating_supply
    {
        read_supply(&inner, supply, |supply| CircuitValues {
            heating_supply: HeatingSupply::Transformer {
                supply,
                opposed: false,
                commons_joined: false,
            },
            ..CircuitValues::default()
        });
        for (key, flag) in [("opposed", opposed), ("commons_joined", commons_joined)] {
            if let Some(stated) = inner.boolean(key) {
                *flag = stated.value;
            }
        }
    }
    if dry == Some(true) {
        values.heating_supply = HeatingSupply::DryContact;
    }
    inner.finish();
}

fn read_cables(table: &TableReader<'_>, values: &mut CircuitValues) {
    if let Some(inner) = table.table("cable") {
        read_cable(&inner, &mut values.cable, |cable| CircuitValues {
            cable,
            ..CircuitValues::default()
        });
        inner.finish();
    }
    if let Some(inner) = table.table("outdoor_cable") {
        let fitted = inner.boolean("fitted").is_none_or(|fitted| fitted.value);
        let usual = CircuitValues::default().outdoor_cable.unwrap_or_default();
        let mut cable = values.outdoor_cable.unwrap_or(usual);
        read_cable(&inner, &mut cable, |cable| CircuitValues {
            outdoor_cable: Some(cable),
            ..CircuitValues::default()
        });
        values.outdoor_cable = fitted.then_some(cable);
        inner.finish();
    }
}

fn read_cable(
    table: &TableReader<'_>,
    cable: &mut CableValues,
    within: fn(CableValues) -> CircuitValues,
) {
    read_numbers(table, CABLE, cable, within);
    let made = table.word("stranding", STRANDINGS, stranding_word);
    if let Some(stranding) = made {
        cable.stranding = stranding.value;
    }
}

pub(in crate::config) const STRANDINGS: &[Stranding] = &[Stranding::Solid, Stranding::Stranded];

pub(in crate::config) fn stranding_word(stranding: Stranding) -> &'static str {
    match stranding {
        Stranding::Solid => "solid",
        Stranding::Stranded => "stranded",
    }
}

/// The terminals of `[circuit.KEY.NAME]` with their tables.
fn by_terminal<'d>(
    table: &TableReader<'d>,
    (key, also): (&'static str, &[&'static str]),
    wired: &Wired<'_>,
) -> Vec<(Terminal, TableReader<'d>)> {
    let mut found = Vec::new();
    for (name, inner) in table.named_tables(key) {
        let there = |terminal: &Terminal| {
            let lines = wired.lines.as_ref();
            lines.is_none_or(|lines| lines.contains(terminal)) || also.contains(&terminal.as_str())
        };
        match (wired.resolve)(&name.value) {
            Ok(terminal) if there(&terminal) => found.push((terminal, inner)),
            Ok(terminal) => {
                let lines = wired.lines.iter().flatten().map(Terminal::as_str);
                let known = listed(lines.chain(also.iter().copied()));
                let message = format!("there is no {terminal} here");
                let finding = name.finding(message).help(format!("there is {known}"));
                table.findings().add(finding);
            }
            Err(message) => table.findings().add(name.finding(message)),
        }
    }
    found
}

fn read_coils(table: &TableReader<'_>, wired: &Wired<'_>, values: &mut CircuitValues) {
    for (terminal, inner) in by_terminal(table, ("coil", &[]), wired) {
        let stated = values.coils.get(&terminal).copied();
        let mut coil = stated.unwrap_or_else(|| CoilValues::default_for(&terminal));
        let number = |index: usize| {
            let (key, reals) = COIL[index];
            inner.number(key, reals).map(|number| number.value)
        };
        coil = coil.with_bench_load(&Load {
            sealed_ohms: number(0).map(Ohms),
            unsealed_ohms: number(1).map(Ohms),
            power_factor: number(2),
            dc_ohms: number(3).map(Ohms),
        });
        let pick_up = number(4).unwrap_or(coil.pick_up.0);
        let drop_out = number(5).unwrap_or(coil.drop_out.0);
        (coil.pick_up, coil.drop_out) = (Volts(pick_up), Volts(drop_out));
        if let (true, Some(low)) = (drop_out > pick_up, inner.number("drop_out_v", Reals::Any)) {
            let message = format!("a coil that pulls in at {pick_up} V drops out below that");
            inner.findings().add(low.finding(message));
        }
        let mut alone = CircuitValues::default();
        alone.coils.insert(terminal.clone(), coil);
        if let (Err(error), false) = (alone.check(), inner.findings().any()) {
            inner
                .findings()
                .add(inner.place().finding(error.to_string()));
        }
        inner.finish();
        values.coils.insert(terminal, coil);
    }
}

fn read_joints(table: &TableReader<'_>, wired: &Wired<'_>, values: &mut CircuitValues) {
    for (terminal, inner) in by_terminal(table, ("joint", &SUPPLY_TERMINALS), wired) {
        for (key, place) in JOINT {
            if let Some(ohms) = inner.number(key, Reals::Positive) {
                values.joints.insert((terminal.clone(), place), ohms.value);
                let mut alone = CircuitValues::default();
                alone.joints.insert((terminal.clone(), place), ohms.value);
                tell_outside_physics(&inner, &ohms, &alone);
            }
        }
        inner.finish();
    }
}
