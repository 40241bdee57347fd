//! The conductor graph: what is joined to what, and so what is live.
//!
//! Place in the data's path: one [`Physics`] behind the world. It knows on and off only: a joint
//! is perfect or absent, a load is not seen, and a short of more than [`SHORT_OHMS`] counts as no
//! change. Volts, sagging supplies and sneak paths through loads are beyond it, and faults that
//! need them are refused with the list of those that it knows.
//!
//! Each conductor is a node of its own between its two landings, so that a conductor may be broken
//! at an end, moved to another terminal, or touch its neighbour. A point is live where it and its
//! reference are joined to the two poles of one live supply, either way round. A supply whose
//! poles are joined is cut off by its electronic limiter for as long as they are.
//!
//! Fed from the equipment, R, C and the relays' rail are under test: the reference of each end is
//! its own C terminal. Fed from the bench, the bench's own common is the reference of both ends,
//! so that R and C of the cable prove nothing. Two supplies return to one common.

use super::physics::{Contacts, Observations, Physics, Point};
use super::wiring::{Wiring, refuse};
use crate::domain::bench_map::{Rail, SupplySource};
use crate::domain::circuit::{Fault, FaultError, FaultKind};
use crate::domain::profile::Arrangement;
use crate::units::{End, Place, Terminal};
use std::collections::BTreeMap;

/// A short of more than this leaves every on and off as it is.
const SHORT_OHMS: f64 = 50.0;

/// Faults that change the graph or its contacts and senses.
const KNOWN: [FaultKind; 14] = [
    FaultKind::Open,
    FaultKind::Short,
    FaultKind::Swap,
    FaultKind::Shift,
    FaultKind::Mislanded,
    FaultKind::StuckOpen,
    FaultKind::StuckClosed,
    FaultKind::DeadInput,
    FaultKind::Jumper,
    FaultKind::Tied,
    FaultKind::FanTied,
    FaultKind::InvertedChangeover,
    FaultKind::JumperMissing,
    FaultKind::FuseOpen,
];

#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
enum Node {
    Controller(Terminal),
    Conductor(Terminal),
    Equipment(Terminal),
}

/// Where a conductor's two ends are landed.
#[derive(Debug, Clone)]
struct Landing {
    controller: Terminal,
    equipment: Terminal,
    broken_at_controller: bool,
    broken_at_equipment: bool,
}

/// Sets of joined nodes.
#[derive(Debug, Clone)]
struct Joined(Vec<usize>);

impl Joined {
    fn root(&self, mut node: usize) -> usize {
        while self.0[node] != node {
            node = self.0[node];
        }
        node
    }

    fn join(&mut self, a: usize, b: usize) {
        let (a, b) = (self.root(a), self.root(b));
        self.0[a.max(b)] = a.min(b);
    }

    fn together(&self, a: usize, b: usize) -> bool {
        self.root(a) == self.root(b)
    }
}

/// The two poles of one transformer.
#[derive(Debug, Clone, Copy)]
struct Supply {
    hot: usize,
    common: usize,
}

/// The wiring with its faults, ready to be asked.
#[derive(Debug, Clone)]
pub(super) struct Graph {
    /// Everything that is joined whatever the relays do.
    fixed: Joined,
    /// For each driven line, the rail and the terminal that its relay joins.
    relays: BTreeMap<Terminal, (usize, usize)>,
    supplies: Vec<Supply>,
    /// Each point with its node and its reference's node.
    points: Vec<(Point, usize, usize)>,
}

impl Graph {
    /// The sound wiring with these faults put in.
    ///
    /// # Errors
    /// [`FaultError`] where a fault is beyond on and off, or names what this wiring lacks.
    pub(super) fn new(wiring: &Wiring, faults: &[Fault]) -> Result<Self, FaultError> {
        let mut build = Build::sound(wiring);
        // Conductors are moved before anything is joined, so that the order in which faults are
        // given changes nothing but the order of moves among themselves.
        for fault in faults {
            Build::check(fault)?;
            build.move_conductors(fault)?;
        }
        for fault in faults {
            build.join_terminals(fault)?;
        }
        Ok(build.finish())
    }
}

impl Physics for Graph {
    fn observe(&self, contacts: &Contacts) -> Observations {
        let mut joined = self.fixed.clone();
        if contacts.fed {
            for line in &contacts.lines {
                if let Some((rail, terminal)) = self.relays.get(line) {
                    joined.join(*rail, *terminal);
                }
            }
        }
        let alive = |supply: &&Supply| !joined.together(supply.hot, supply.common);
        let supplies: Vec<&Supply> = self.supplies.iter().filter(alive).collect();
        let live = |node: usize, reference: usize| {
            supplies.iter().any(|supply| {
                let upright =
                    joined.together(node, supply.hot) && joined.together(reference, supply.common);
                let reversed =
                    joined.together(node, supply.common) && joined.together(reference, supply.hot);
                upright || reversed
            })
        };
        let seen = |(point, node, reference): &(Point, usize, usize)| {
            (point.clone(), live(*node, *reference))
        };
        Observations {
            live: self.points.iter().map(seen).collect(),
        }
    }
}

/// The graph while faults are being put in.
struct Build<'a> {
    wiring: &'a Wiring,
    landings: BTreeMap<Terminal, Landing>,
    index: BTreeMap<Node, usize>,
    joints: Vec<(usize, usize)>,
    /// The jumper between Rc and Rh at the controller.
    jumper: bool,
    fuse_closed: bool,
}

impl<'a> Build<'a> {
    fn sound(wiring: &'a Wiring) -> Self {
        let mut build = Self {
            wiring,
            landings: BTreeMap::new(),
            index: BTreeMap::new(),
            joints: Vec::new(),
            jumper: wiring.arrangement == Arrangement::Single,
            fuse_closed: true,
        };
        for name in wiring.conductors() {
            build.add(Node::Controller(name.clone()));
            build.add(Node::Conductor(name.clone()));
            build.add(Node::Equipment(name.clone()));
            let landing = Landing {
                controller: name.clone(),
                equipment: name.clone(),
                broken_at_controller: false,
                broken_at_equipment: false,
            };
            build.landings.insert(name, landing);
        }
        for rail in Rail::ALL {
            build.add(Node::Controller(rail.terminal()));
        }
        let rail = |rail: Rail| Node::Controller(rail.terminal());
        build.join(&rail(Rail::R), &rail(Rail::Rc));
        if wiring.arrangement == Arrangement::Single {
            // A bench for two supplies senses both; equipment with one has one terminal for them.
            for rail in [Rail::Rc, Rail::Rh] {
                build.add(Node::Equipment(rail.terminal()));
                let ends = [Rail::R, rail].map(|rail| Node::Equipment(rail.terminal()));
                build.join(&ends[0], &ends[1]);
            }
        }
        for group in &wiring.tied {
            for (a, b) in group.iter().zip(group.iter().skip(1)) {
                build.join(&Node::Equipment(a.clone()), &Node::Equipment(b.clone()));
            }
        }
        build
    }

    fn add(&mut self, node: Node) {
        let next = self.index.len();
        self.index.entry(node).or_insert(next);
    }

    fn at(&self, node: &Node) -> usize {
        self.index[node]
    }

    fn join(&mut self, a: &Node, b: &Node) {
        self.joints.push((self.at(a), self.at(b)));
    }

    fn check(fault: &Fault) -> Result<(), FaultError> {
        if KNOWN.contains(&fault.kind()) {
            return Ok(());
        }
        let known: Vec<&str> = KNOWN.iter().map(|kind| kind.word()).collect();
        let reason = format!(
            "the simulator knows on and off only and cannot set {}; it knows: {}",
            fault.kind(),
            known.join(", ")
        );
        Err(refuse(fault, reason))
    }

    fn move_conductors(&mut self, fault: &Fault) -> Result<(), FaultError> {
        match fault.kind() {
            FaultKind::Open => {
                let name = self.conductor(fault, 0)?;
                let landing = self.landing(&name);
                if fault.place() == Some(Place::Controller) {
                    landing.broken_at_controller = true;
                } else {
                    landing.broken_at_equipment = true;
                }
            }
            FaultKind::Swap | FaultKind::Shift => self.rotate(fault)?,
            FaultKind::Mislanded => {
                let name = self.conductor(fault, 0)?;
                let target = self.terminal(fault, 1, Place::Equipment)?;
                match target {
                    Node::Controller(terminal) => self.landing(&name).controller = terminal,
                    Node::Conductor(terminal) | Node::Equipment(terminal) => {
                        self.landing(&name).equipment = terminal;
                    }
                }
            }
            FaultKind::FanTied => {
                let fan = Terminal::known("G");
                self.known_line(fault, &fan)?;
                self.known_line(fault, &Terminal::known("Y1"))?;
                self.landing(&fan).broken_at_equipment = true;
            }
            FaultKind::JumperMissing => self.jumper = false,
            FaultKind::FuseOpen => self.fuse_closed = false,
            _ => {}
        }
        Ok(())
    }

    /// Lands each named conductor where the next one was, the last where the first was.
    fn rotate(&mut self, fault: &Fault) -> Result<(), FaultError> {
        let count = fault.terminals().len();
        let names: Result<Vec<Terminal>, FaultError> =
            (0..count).map(|i| self.conductor(fault, i)).collect();
        let names = names?;
        let at_controller = fault.place() == Some(Place::Controller);
        let landed = |landing: &Landing| match at_controller {
            true => landing.controller.clone(),
            false => landing.equipment.clone(),
        };
        let before: Vec<Terminal> = names.iter().map(|n| landed(&self.landings[n])).collect();
        for (i, name) in names.iter().enumerate() {
            let target = before[(i + 1) % count].clone();
            let landing = self.landing(name);
            if at_controller {
                landing.controller = target;
            } else {
                landing.equipment = target;
            }
        }
        Ok(())
    }

    fn join_terminals(&mut self, fault: &Fault) -> Result<(), FaultError> {
        match fault.kind() {
            FaultKind::Short if fault.numbers().iter().any(|ohms| *ohms > SHORT_OHMS) => Ok(()),
            FaultKind::Short | FaultKind::Jumper => {
                // A short is two conductors that touch; a jumper lies between terminals.
                let default = match fault.kind() {
                    FaultKind::Short => Place::Middle,
                    _ => Place::Equipment,
                };
                let a = self.terminal(fault, 0, default)?;
                let b = self.terminal(fault, 1, default)?;
                self.join(&a, &b);
                Ok(())
            }
            FaultKind::FanTied => {
                let [fan, compressor] =
                    ["G", "Y1"].map(|name| Node::Equipment(Terminal::known(name)));
                self.join(&fan, &compressor);
                Ok(())
            }
            _ => Ok(()),
        }
    }

    fn landing(&mut self, name: &Terminal) -> &mut Landing {
        self.landings
            .get_mut(name)
            .expect("the conductor was looked up before")
    }

    fn known_line(&self, fault: &Fault, line: &Terminal) -> Result<(), FaultError> {
        if self.wiring.lines.contains(line) {
            return Ok(());
        }
        Err(refuse(fault, format!("there is no line {line} here")))
    }

    /// The conductor that the fault names at this place in its list.
    fn conductor(&self, fault: &Fault, which: usize) -> Result<Terminal, FaultError> {
        let name = self.wiring.named(&fault.terminals()[which]);
        if self.landings.contains_key(&name) {
            return Ok(name);
        }
        let names: Vec<&str> = self.landings.keys().map(Terminal::as_str).collect();
        let reason = format!(
            "no conductor of the cable is called {name}; conductors: {}",
            names.join(" ")
        );
        Err(refuse(fault, reason))
    }

    /// The node that the fault names, at the fault's own place or else at the usual one.
    fn terminal(&self, fault: &Fault, which: usize, usual: Place) -> Result<Node, FaultError> {
        let name = self.wiring.named(&fault.terminals()[which]);
        let place = fault.place().unwrap_or(usual);
        let node = match place {
            Place::Controller => Node::Controller(name.clone()),
            Place::Middle => Node::Conductor(name.clone()),
            Place::Equipment | Place::Outdoor => Node::Equipment(name.clone()),
        };
        if self.index.contains_key(&node) {
            return Ok(node);
        }
        let reason = if self.index.contains_key(&Node::Controller(name.clone())) {
            format!("{name} is a terminal at the controller only; write @controller")
        } else {
            format!("there is no terminal {name} here")
        };
        Err(refuse(fault, reason))
    }

    fn finish(mut self) -> Graph {
        let landings = std::mem::take(&mut self.landings);
        for (name, landing) in landings {
            let conductor = Node::Conductor(name);
            if !landing.broken_at_controller {
                self.join(&conductor, &Node::Controller(landing.controller));
            }
            if !landing.broken_at_equipment {
                self.join(&conductor, &Node::Equipment(landing.equipment));
            }
        }
        if self.jumper {
            let ends = [Rail::Rc, Rail::Rh].map(|rail| Node::Controller(rail.terminal()));
            self.join(&ends[0], &ends[1]);
        }
        let mut fixed = Joined((0..self.index.len()).collect());
        for (a, b) in &self.joints {
            fixed.join(*a, *b);
        }
        Graph {
            fixed,
            relays: self.relays(),
            supplies: self.supplies(),
            points: self.points(),
        }
    }

    fn relays(&self) -> BTreeMap<Terminal, (usize, usize)> {
        let relay = |(line, rail): (&Terminal, &Rail)| {
            let rail = self.at(&Node::Controller(rail.terminal()));
            let terminal = self.index.get(&Node::Controller(line.clone()))?;
            Some((line.clone(), (rail, *terminal)))
        };
        self.wiring.commons.iter().filter_map(relay).collect()
    }

    fn supplies(&self) -> Vec<Supply> {
        if !self.fuse_closed {
            return Vec::new();
        }
        let end = match self.wiring.source {
            SupplySource::Equipment => Node::Equipment,
            SupplySource::Bench => Node::Controller,
        };
        let supply = |hot: Terminal| Supply {
            hot: self.at(&end(hot)),
            common: self.at(&end(self.wiring.common.clone())),
        };
        self.wiring.supplies().into_iter().map(supply).collect()
    }

    fn points(&self) -> Vec<(Point, usize, usize)> {
        let common_at = |end| self.at(&self.reference(end));
        let point = |(node, index): (&Node, &usize)| {
            let (terminal, end) = match node {
                Node::Controller(terminal) => (terminal, End::Controller),
                Node::Equipment(terminal) => (terminal, End::Equipment),
                Node::Conductor(_) => return None,
            };
            let point = Point {
                terminal: terminal.clone(),
                end,
            };
            Some((point, *index, common_at(end)))
        };
        self.index.iter().filter_map(point).collect()
    }

    fn reference(&self, end: End) -> Node {
        let common = self.wiring.common.clone();
        match (self.wiring.source, end) {
            (SupplySource::Equipment, End::Equipment) => Node::Equipment(common),
            (SupplySource::Equipment | SupplySource::Bench, _) => Node::Controller(common),
        }
    }
}

#[cfg(test)]
#[path = "graph_tests.rs"]
mod tests;
