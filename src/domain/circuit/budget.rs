//! The supply budget: whether each call's loads pull in, what they draw, and how long the run
//! may be.
//!
//! Place in the data's path: `check --profile --bench` prints its warnings before anything is
//! wired. Every load of a call is taken to close at once, as a controller does it; a bench that
//! closes one relay after the other asks less of the supply.

use super::band::supplies;
use super::class2::{self, Class2Finding};
use super::{
    Circuit, CircuitError, CircuitValues, ClosedContacts, HeatingSupply, LoadState, Protection,
    RATED, Solution,
};
use crate::domain::{BenchMap, Call, Profile, TruthTable};
use crate::units::{Amps, Terminal, VoltAmperes, Volts};

/// No run longer than this is looked for.
const LONGEST_FEET: f64 = 5000.0;

/// No coil pulls in at this tension: that is how the moment of inrush is solved.
const OUT_OF_REACH: Volts = Volts(1e9);

/// How closely the longest run is found.
const FEET_TOLERANCE: f64 = 0.1;

/// The longest cable from controller to equipment with which a call pulls its loads in.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum LongestRun {
    /// Up to so many feet.
    Feet(f64),
    /// Any length up to the 5000 ft that are looked at.
    Any,
    /// None: the supply itself is too weak for the call.
    None,
}

/// One load in one call.
#[derive(Debug, Clone, PartialEq)]
pub struct LoadBudget {
    /// Its line.
    pub terminal: Terminal,
    /// Tension across it.
    pub volts: Volts,
    /// What the way from the supply and back drops.
    pub drop: Volts,
    /// Sealed volt-amperes at 24 V.
    pub sealed: VoltAmperes,
    /// Volt-amperes at 24 V while the armature is open.
    pub inrush: VoltAmperes,
    /// What it does.
    pub state: LoadState,
}

/// One supply in one call.
#[derive(Debug, Clone, PartialEq)]
pub struct SupplyBudget {
    /// The rail.
    pub rail: Terminal,
    /// Tension at its terminals.
    pub volts: Volts,
    /// What is drawn.
    pub drawn: VoltAmperes,
    /// Its rating.
    pub rated: VoltAmperes,
    /// The size that a textbook asks for, at 24 V: what is drawn with nothing called (controller
    /// and outdoor board), all loads sealed, and the largest one's inrush in place of its sealed
    /// volt-amperes.
    pub wanted: VoltAmperes,
    /// What it gives while every armature is still open.
    pub inrush: Amps,
    /// What opens on overload, and above which current.
    pub protection: Protection,
    /// Whether its fuse or limiter opens.
    pub fuse_open: bool,
}

impl SupplyBudget {
    /// `fuse` or `limiter`.
    #[must_use]
    pub fn protection_word(&self) -> &'static str {
        if self.protection.latches() {
            "fuse"
        } else {
            "limiter"
        }
    }

    fn warnings(&self, call: &Call) -> Vec<String> {
        let (rail, word) = (&self.rail, self.protection_word());
        let limit = Amps(self.protection.opens_above_amps());
        let mut warnings = Vec::new();
        if self.fuse_open {
            warnings.push(format!("{call}: the {word} of {rail} opens"));
        } else if self.drawn > self.rated {
            let (drawn, rated) = (self.drawn, self.rated);
            warnings.push(format!(
                "{call}: {drawn:.0} drawn from {rail}, rated {rated:.0}"
            ));
        }
        if self.inrush > limit {
            let then = if self.protection.latches() {
                "only a slow fuse outlasts that"
            } else {
                "it may open before the loads are in"
            };
            warnings.push(format!(
                "{call}: inrush of {:.2} from {rail} is above the {limit:.2} of its {word}; {then}",
                self.inrush
            ));
        }
        warnings
    }
}

/// One call.
#[derive(Debug, Clone, PartialEq)]
pub struct CallBudget {
    /// The call.
    pub call: Call,
    /// The loads of its lines.
    pub loads: Vec<LoadBudget>,
    /// The supplies.
    pub supplies: Vec<SupplyBudget>,
    /// The longest run that pulls all loads in.
    pub longest_run: LongestRun,
}

impl CallBudget {
    /// Loads that do not pull in, or chatter.
    pub fn starved(&self) -> impl Iterator<Item = &LoadBudget> {
        let mut loads = self.loads.iter();
        std::iter::from_fn(move || loads.find(|load| load.state != LoadState::PulledIn))
    }

    /// What is wrong with the call's supply, in a person's words; empty where nothing is.
    #[must_use]
    pub fn warnings(&self) -> Vec<String> {
        let mut warnings = Vec::new();
        let call = &self.call;
        for supply in &self.supplies {
            warnings.extend(supply.warnings(call));
        }
        let starved: Vec<String> = self
            .starved()
            .map(|load| format!("{} at {:.1}", load.terminal, load.volts))
            .collect();
        if !starved.is_empty() {
            let run = match self.longest_run {
                LongestRun::Feet(feet) => format!("it would with a run of {feet:.0} ft"),
                LongestRun::Any => "the length of the run is not the cause".to_owned(),
                LongestRun::None => "it would not with any run: the supply is too weak".to_owned(),
            };
            warnings.push(format!(
                "{call}: cannot pull in {}; {run}",
                starved.join(", ")
            ));
        }
        warnings
    }
}

/// The budget of every call.
#[derive(Debug, Clone, PartialEq)]
pub struct Budget {
    /// Calls that apply, in the order of the table.
    pub calls: Vec<CallBudget>,
    /// Where the supply is outside Class 2, by rail.
    pub class2: Vec<(Terminal, Class2Finding)>,
    /// Values that cannot be right together, in a person's words.
    pub remarks: Vec<String>,
}

impl Budget {
    /// Works the budget out.
    ///
    /// # Errors
    /// [`CircuitError`] where a value is outside physics.
    pub fn of(
        profile: &Profile,
        bench: Option<&BenchMap>,
        values: &CircuitValues,
    ) -> Result<Self, CircuitError> {
        let circuit = Circuit::new(profile, bench, values.clone())?;
        let at_length = |feet: f64| {
            let mut values = values.clone();
            values.cable.feet = feet;
            Circuit::new(profile, bench, values)
        };
        let rushing = Circuit::new(profile, bench, rushing(&circuit))?;
        let standing = standing(&circuit)?;
        let table = TruthTable::of(profile);
        let mut calls = Vec::new();
        for row in table.rows().iter().filter(|row| row.applicable) {
            let closed = ClosedContacts::of(&row.demanded);
            let longest_run = longest_run(&closed, &at_length)?;
            let inrush = rushing.solve(&closed)?;
            let call = row.call.clone();
            let mut call = call_budget(&circuit, call, (&closed, &inrush), longest_run)?;
            for (supply, standing) in call.supplies.iter_mut().zip(&standing) {
                supply.wanted.0 += standing.0;
            }
            calls.push(call);
        }
        Ok(Self {
            calls,
            class2: class2_findings(&circuit),
            remarks: remarks(&circuit),
        })
    }

    /// Every warning, in a person's words.
    #[must_use]
    pub fn warnings(&self) -> Vec<String> {
        let calls = self.calls.iter().flat_map(CallBudget::warnings);
        let class2 = self.class2.iter();
        let class2 = class2.map(|(rail, finding)| format!("supply {rail}: {finding}"));
        calls
            .chain(class2)
            .chain(self.remarks.iter().cloned())
            .collect()
    }
}

/// The values of the moment at which every armature is still open and no fuse has warmed.
fn rushing(circuit: &Circuit) -> CircuitValues {
    let mut values = circuit.values().clone();
    values.coils = circuit.coils();
    for coil in values.coils.values_mut() {
        coil.pick_up = OUT_OF_REACH;
    }
    for supply in supplies(&mut values) {
        supply.protection = Protection::Fuse {
            ohms: supply.protection.ohms(),
            opens_above_amps: f64::MAX,
        };
    }
    values
}

/// What each supply gives with nothing called, at 24 V: the boards that always draw.
fn standing(circuit: &Circuit) -> Result<Vec<VoltAmperes>, CircuitError> {
    let idle = circuit.solve(&ClosedContacts::none())?;
    let supplies = idle.supplies().into_iter();
    let at_rated = supplies.map(|supply| {
        let scale = if supply.volts.0 > 0.0 {
            RATED.0 / supply.volts.0
        } else {
            0.0
        };
        VoltAmperes(supply.volt_amperes.0 * scale * scale)
    });
    Ok(at_rated.collect())
}

fn supplies_by_rail(circuit: &Circuit) -> Vec<(Terminal, super::SupplyValues)> {
    let values = circuit.values();
    let mut supplies = vec![values.supply];
    if let HeatingSupply::Transformer { supply, .. } = &values.heating_supply {
        supplies.push(*supply);
    }
    let rails = circuit.layout.supplies.iter().map(|site| site.rail.clone());
    rails.zip(supplies).collect()
}

fn class2_findings(circuit: &Circuit) -> Vec<(Terminal, Class2Finding)> {
    let mut found = Vec::new();
    for (rail, supply) in supplies_by_rail(circuit) {
        let findings = class2::findings(&supply).into_iter();
        found.extend(findings.map(|finding| (rail.clone(), finding)));
    }
    found
}

/// What cannot be right, or does not fit: a winding's impedance is never less than its
/// direct-current resistance, and a solid-state output needs its least load.
fn remarks(circuit: &Circuit) -> Vec<String> {
    let loads = circuit.layout.loads.iter();
    let impossible = loads
        .clone()
        .filter(|load| load.coil.unsealed_ohms < load.coil.dc_ohms)
        .map(|load| {
            format!(
                "load of {}: unsealed {} ohm is less than its DC resistance of {} ohm, which no \
                 winding can have; measure both again",
                load.terminal, load.coil.unsealed_ohms, load.coil.dc_ohms
            )
        });
    let outputs = circuit.values().solid_state.iter();
    let starved = outputs.flat_map(|output| {
        loads.clone().filter_map(|load| {
            let amps = RATED.0 / load.coil.sealed_ohms;
            (amps < output.minimum_load_amps).then(|| {
                format!(
                    "load of {}: {amps:.3} A is less than the {:.3} A that holds its solid-state \
                     output on",
                    load.terminal, output.minimum_load_amps
                )
            })
        })
    });
    impossible.chain(starved).collect()
}

/// Whether every load of the call pulls in.
fn pulls_in(circuit: &Circuit, closed: &ClosedContacts) -> Result<bool, CircuitError> {
    let solution = circuit.solve(closed)?;
    let called = |line: &Terminal| closed.0.contains(line);
    let loads = solution.loads();
    let mut loads = loads.iter().filter(|load| called(&load.terminal));
    Ok(loads.all(|load| load.state == LoadState::PulledIn))
}

fn longest_run(
    closed: &ClosedContacts,
    at_length: &dyn Fn(f64) -> Result<Circuit, CircuitError>,
) -> Result<LongestRun, CircuitError> {
    if pulls_in(&at_length(LONGEST_FEET)?, closed)? {
        return Ok(LongestRun::Any);
    }
    if !pulls_in(&at_length(FEET_TOLERANCE)?, closed)? {
        return Ok(LongestRun::None);
    }
    let (mut good, mut bad) = (FEET_TOLERANCE, LONGEST_FEET);
    while bad - good > FEET_TOLERANCE {
        let middle = f64::midpoint(good, bad);
        if pulls_in(&at_length(middle)?, closed)? {
            good = middle;
        } else {
            bad = middle;
        }
    }
    Ok(LongestRun::Feet(good))
}

fn call_budget(
    circuit: &Circuit,
    call: Call,
    (closed, inrush): (&ClosedContacts, &Solution),
    longest_run: LongestRun,
) -> Result<CallBudget, CircuitError> {
    let solution = circuit.solve(closed)?;
    let mut loads = Vec::new();
    for (load, site) in solution.loads().into_iter().zip(&circuit.layout.loads) {
        if !closed.0.contains(&load.terminal) {
            continue;
        }
        let rail = circuit.rail_of(&load.terminal);
        let supply = solution.supplies().into_iter().find(|s| s.rail == rail);
        let at_supply = supply.map_or(load.volts, |supply| supply.volts);
        loads.push(LoadBudget {
            drop: Volts(at_supply.0 - load.volts.0),
            terminal: load.terminal,
            volts: load.volts,
            sealed: VoltAmperes(site.coil.sealed_volt_amperes()),
            inrush: VoltAmperes(site.coil.inrush_volt_amperes()),
            state: load.state,
        });
    }
    let wanted = |rail: &Terminal| {
        let here = |load: &&LoadBudget| circuit.rail_of(&load.terminal) == *rail;
        let sealed: f64 = loads.iter().filter(here).map(|load| load.sealed.0).sum();
        let surges = loads.iter().filter(here);
        let surges = surges.map(|load| load.inrush.0 - load.sealed.0);
        VoltAmperes(sealed + surges.fold(0.0, f64::max))
    };
    let ratings = supplies_by_rail(circuit);
    let readings = solution.supplies().into_iter().zip(inrush.supplies());
    let supplies = readings
        .zip(&ratings)
        .map(|((reading, inrush), (rail, supply))| SupplyBudget {
            rail: rail.clone(),
            volts: reading.volts,
            drawn: reading.volt_amperes,
            rated: VoltAmperes(supply.rated_volt_amperes),
            wanted: wanted(rail),
            inrush: inrush.amps,
            protection: supply.protection,
            fuse_open: reading.fuse_open,
        })
        .collect();
    Ok(CallBudget {
        call,
        loads,
        supplies,
        longest_run,
    })
}

impl Circuit {
    /// The rail that feeds a line.
    fn rail_of(&self, line: &Terminal) -> Terminal {
        let supplies = &self.layout.supplies;
        let heating = self.layout.heating_side.contains(line);
        let site = supplies.iter().find(|site| {
            let is_heating = self.layout.heating_side.contains(&site.rail);
            is_heating == heating
        });
        site.unwrap_or(&supplies[0]).rail.clone()
    }
}
