//! A solved circuit as the `coilcall.circuit` document.
//!
//! Place in the data's path: the `circuit` command writes it as JSON. Tensions are rms against the
//! equipment's common; angles are against the (cooling side's) transformer.

use super::{LoadState, Solution};
use num_complex::Complex64;
use serde::Serialize;

/// The whole document; fields as in its JSON.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct CircuitDocument {
    /// Always `coilcall.circuit`.
    pub format: &'static str,
    /// Always 1.
    pub version: u32,
    /// Mains frequency.
    pub frequency_hz: f64,
    /// Every node.
    pub nodes: Vec<NodeDocument>,
    /// Every element.
    pub branches: Vec<BranchDocument>,
    /// Every load.
    pub loads: Vec<LoadDocument>,
    /// The only supply, or the cooling side's.
    pub supply: SupplyDocument,
    /// The heating side's supply, where there is one.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub heating_supply: Option<SupplyDocument>,
}

/// One node.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct NodeDocument {
    /// Its name, such as `Y1@equipment`.
    pub node: String,
    /// Its tension.
    pub volts: f64,
    /// Its phase.
    pub degrees: f64,
}

/// One element.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct BranchDocument {
    /// Its name.
    pub element: String,
    /// Its current.
    pub amps: f64,
    /// The current's phase.
    pub degrees: f64,
}

/// One load.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct LoadDocument {
    /// Its line.
    pub terminal: String,
    /// Tension across it.
    pub volts: f64,
    /// Whether it is pulled in; a load that chatters is not.
    pub pulled_in: bool,
    /// Whether it chatters; left out where it does not.
    #[serde(skip_serializing_if = "std::ops::Not::not")]
    pub chatters: bool,
}

/// One supply.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct SupplyDocument {
    /// Tension at its terminals.
    pub volts: f64,
    /// What is drawn.
    pub volt_amperes: f64,
    /// `closed` or `open`.
    pub fuse: &'static str,
}

/// Magnitude and degrees; a phase of nothing is 0.
fn polar(phasor: Complex64) -> (f64, f64) {
    let magnitude = phasor.norm();
    if magnitude == 0.0 {
        (0.0, 0.0)
    } else {
        (magnitude, phasor.arg().to_degrees())
    }
}

impl Solution {
    /// The document of this solution.
    #[must_use]
    pub fn document(&self) -> CircuitDocument {
        let nodes = self.nodes().map(|(name, tension)| {
            let (volts, degrees) = polar(tension);
            let node = name.to_owned();
            NodeDocument {
                node,
                volts,
                degrees,
            }
        });
        let branches = self.branches().into_iter().map(|(name, current)| {
            let (amps, degrees) = polar(current);
            let element = name.to_owned();
            BranchDocument {
                element,
                amps,
                degrees,
            }
        });
        let loads = self.loads().into_iter().map(|load| LoadDocument {
            terminal: load.terminal.to_string(),
            volts: load.volts.0,
            pulled_in: load.state == LoadState::PulledIn,
            chatters: load.state == LoadState::Chatters,
        });
        let mut supplies = self.supplies().into_iter().map(|supply| SupplyDocument {
            volts: supply.volts.0,
            volt_amperes: supply.volt_amperes.0,
            fuse: if supply.fuse_open { "open" } else { "closed" },
        });
        CircuitDocument {
            format: "coilcall.circuit",
            version: 1,
            frequency_hz: self.hertz(),
            nodes: nodes.collect(),
            branches: branches.collect(),
            loads: loads.collect(),
            supply: supplies.next().expect("every circuit has a supply"),
            heating_supply: supplies.next(),
        }
    }
}
