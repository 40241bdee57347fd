//! The test bench: which relay drives which line, and what senses it, at which end.
//!
//! Place in the data's path: `config` makes one from the bench file, checked; the plan, the
//! simulator and the app read it. It holds links and devices as descriptions only and opens
//! nothing.

use super::circuit::CircuitValues;
use super::measurement::Bands;
use super::profile::file_words;
use crate::units::{
    CoilAddress, DeviceName, DeviceSpec, End, InputAddress, LinkName, LinkSpec, Milliseconds, Ohms,
    Quantity, Terminal,
};
use serde::{Deserialize, Serialize};
use std::collections::{BTreeMap, BTreeSet};

file_words!(
    /// What is being proven.
    UnderTest {
        /// The wiring: the bench drives the controller end and senses the equipment end.
        Wiring = "wiring",
        /// A room controller: the bench supplies R, C and loads.
        Controller = "controller",
        /// The equipment, with the harness in place of the controller.
        Equipment = "equipment",
    }
);
file_words!(
    /// What hangs on the lines.
    Loads {
        /// Dummy coils of the bench's own.
        Dummy = "dummy",
        /// Nothing: loads are lifted.
        Disconnected = "disconnected",
        /// Real machines.
        Real = "real",
    }
);
file_words!(
    /// Where the transformer sits.
    SupplySource {
        /// At the equipment end: it feeds the relays through the R conductor under test.
        Equipment = "equipment",
        /// In the bench: R and C are not proven.
        Bench = "bench",
    }
);
file_words!(
    /// A supply terminal.
    Rail {
        /// The only supply, or the joined one.
        R = "R",
        /// The cooling side's supply.
        Rc = "Rc",
        /// The heating side's supply.
        Rh = "Rh",
    }
);

impl Rail {
    /// The rail as a terminal.
    #[must_use]
    pub fn terminal(self) -> Terminal {
        Terminal::known(self.word())
    }

    /// The supply on a line's relay where nobody says: Rh for W and E, Rc for all others (heating
    /// side and cooling side; common practice, no source), joined where the supply is single.
    #[must_use]
    pub fn usual_for(line: &Terminal) -> Self {
        match line.as_str() {
            "W1" | "W2" | "W3" | "E" => Self::Rh,
            _ => Self::Rc,
        }
    }
}

/// A relay: a coil of a device.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
pub struct RelayAt {
    /// The device.
    pub device: DeviceName,
    /// The coil's address on it.
    pub coil: CoilAddress,
}

/// How a line is driven.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Drive {
    /// The relay that closes the line onto its common.
    pub relay: RelayAt,
    /// The supply on the relay's common contact. Where the bench file does not say and the supply
    /// is single: Rh for W and E lines, Rc for all others, joined by the jumper.
    pub common: Rail,
}

/// What senses a line.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum SenseMeans {
    /// A digital input: presence only.
    Input {
        /// The device.
        device: DeviceName,
        /// The input's address on it.
        input: InputAddress,
    },
    /// A meter, directly or through one relay of its multiplexer.
    Meter {
        /// The meter.
        device: DeviceName,
        /// The multiplexer's relay; `None` where the meter sits on this point alone.
        through: Option<RelayAt>,
        /// Resistance in series with the meter; default 0.
        series_ohms: Ohms,
        /// Load across the meter while it reads; `None` where there is none.
        load_ohms: Option<Ohms>,
    },
    /// A person who looks and answers.
    Operator,
}

/// One point at which something is sensed.
#[derive(Debug, Clone, PartialEq)]
pub struct Sense {
    /// By what.
    pub means: SenseMeans,
    /// At which end.
    pub end: End,
    /// Which quantity.
    pub quantity: Quantity,
}

/// A dummy coil's data, or a real one's. Every value is in ohms at mains frequency unless said.
#[derive(Debug, Clone, PartialEq)]
pub struct Load {
    /// Magnitude of the impedance with the armature sealed.
    pub sealed_ohms: Option<Ohms>,
    /// Power factor of the sealed coil, 0 to 1.
    pub power_factor: Option<f64>,
    /// Magnitude of the impedance with the armature open.
    pub unsealed_ohms: Option<Ohms>,
    /// What an ohmmeter reads.
    pub dc_ohms: Option<Ohms>,
}

/// One line of the bench.
#[derive(Debug, Clone, PartialEq)]
pub struct BenchLine {
    /// The terminal.
    pub terminal: Terminal,
    /// How it is driven; `None` where it is only sensed.
    pub drive: Option<Drive>,
    /// What senses it, in the file's order; at least one.
    pub senses: Vec<Sense>,
    /// The load on it.
    pub load: Option<Load>,
}

/// One point at which the supply is sensed.
#[derive(Debug, Clone, PartialEq)]
pub struct SupplySense {
    /// Which supply terminal, against the common of the same end.
    pub rail: Rail,
    /// By what, and at which end.
    pub sense: Sense,
}

/// How the bench is fed.
#[derive(Debug, Clone, PartialEq)]
pub struct SupplyMap {
    /// Where the transformer sits.
    pub source: SupplySource,
    /// What senses the supply; may be empty.
    pub senses: Vec<SupplySense>,
    /// Whether a room controller under test gets C.
    pub c_to_controller: Option<bool>,
}

/// How long the bench waits, and how it reads an input that follows the mains.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct BenchTiming {
    /// From the last relay's closing to the first reading.
    pub settle: Milliseconds,
    /// From a relay's closing to the reading of the supply.
    pub supply_settle: Milliseconds,
    /// From the opening of the relays to the release check.
    pub release: Milliseconds,
    /// How long a room controller's own timers are waited for.
    pub controller_wait: Milliseconds,
    /// How often it is looked at meanwhile.
    pub controller_look: Milliseconds,
    /// How often an input is read within three mains cycles.
    pub samples: u8,
    /// Mains frequency in hertz, 50 or 60.
    pub mains_hertz: u8,
}

impl Default for BenchTiming {
    /// Settle 150 ms and release 150 ms: three times the longest of contact bounce, release and
    /// three mains cycles (figures from memory), so that a slow relay is not called a fault.
    fn default() -> Self {
        Self {
            settle: Milliseconds(150),
            supply_settle: Milliseconds(50),
            release: Milliseconds(150),
            controller_wait: Milliseconds(1_200_000),
            controller_look: Milliseconds(2_000),
            samples: 8,
            mains_hertz: 60,
        }
    }
}

impl BenchTiming {
    /// Three mains cycles, rounded up to whole milliseconds.
    #[must_use]
    pub fn three_cycles(&self) -> Milliseconds {
        Milliseconds(3000_u64.div_ceil(u64::from(self.mains_hertz.max(1))))
    }
}

/// How a call is provoked where a room controller makes it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Stimulus {
    /// A relay.
    Relay(RelayAt),
    /// A person.
    Operator,
}

/// A bench that obeys every rule. `config` alone makes one.
#[derive(Debug, Clone, PartialEq)]
pub struct BenchMap {
    /// Its name.
    pub name: String,
    /// What is being proven.
    pub under_test: UnderTest,
    /// What hangs on the lines.
    pub loads: Loads,
    /// Links by name.
    pub links: BTreeMap<LinkName, LinkSpec>,
    /// Devices by name.
    pub devices: BTreeMap<DeviceName, DeviceSpec>,
    /// How it is fed.
    pub supply: SupplyMap,
    /// Lines by terminal.
    pub lines: BTreeMap<Terminal, BenchLine>,
    /// Calls that a stimulus provokes.
    pub stimuli: BTreeMap<super::Call, Stimulus>,
    /// The relay that feeds all others, where there is one.
    pub master: Option<RelayAt>,
    /// Waits.
    pub timing: BenchTiming,
    /// Where a measured voltage counts as on and as off.
    pub bands: Bands,
    /// Electrical values of bench and cable.
    pub circuit: CircuitValues,
}

impl BenchMap {
    /// Lines beyond those that the profile wires at which nobody looks: a person would have to move
    /// a meter's leads to each of them in every call. None on real loads, where every line counts,
    /// and none where the meter would be left with a single point.
    #[must_use]
    pub fn unvisited_lines(&self, wired: &[Terminal]) -> BTreeSet<Terminal> {
        let leads = |sense: &Sense| match &sense.means {
            SenseMeans::Meter {
                device,
                through: None,
                ..
            } => Some(device.clone()),
            _ => None,
        };
        let mut visited: BTreeMap<DeviceName, usize> = BTreeMap::new();
        let wired_lines = self.lines.values().filter(|l| wired.contains(&l.terminal));
        let of_lines = wired_lines.flat_map(|line| &line.senses);
        let of_supply = self.supply.senses.iter().map(|supply| &supply.sense);
        for device in of_lines.chain(of_supply).filter_map(leads) {
            *visited.entry(device).or_default() += 1;
        }
        let by_hand = |sense: &Sense| {
            leads(sense).is_some_and(|meter| visited.get(&meter).is_some_and(|points| *points > 1))
        };
        self.lines
            .values()
            .filter(|line| self.loads != Loads::Real && !wired.contains(&line.terminal))
            .filter(|line| !line.senses.is_empty() && line.senses.iter().all(by_hand))
            .map(|line| line.terminal.clone())
            .collect()
    }
}
