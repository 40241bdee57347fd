//! Printed and hand-worked examples, each with its source, on netlists made by hand.

use coilcall::domain::circuit::{ElementKind, Netlist, NodeId};
use num_complex::Complex64;

const MAINS_HERTZ: f64 = 60.0;

/// A netlist being written, against node "C".
struct Bench {
    netlist: Netlist,
}

impl Bench {
    fn new() -> Self {
        let mut netlist = Netlist::new();
        let reference = netlist.node("C");
        netlist.set_reference(reference);
        Self { netlist }
    }

    fn add(&mut self, from: &str, to: &str, kind: ElementKind) -> &mut Self {
        let [a, b] = [from, to].map(|name| self.netlist.node(name));
        let name = format!("{from}-{to}");
        self.netlist
            .add(&name, a, b, kind)
            .expect("a value of physics");
        self
    }

    fn ohms(&mut self, from: &str, to: &str, ohms: f64) -> &mut Self {
        self.add(from, to, ElementKind::Resistor { ohms })
    }

    fn farads(&mut self, from: &str, to: &str, farads: f64) -> &mut Self {
        self.add(from, to, ElementKind::Capacitor { farads })
    }

    /// A supply stiff enough for examples that speak of none (1 uohm).
    fn stiff(&mut self, hot: &str, cold: &str, volts: f64) -> &mut Self {
        self.source(hot, cold, volts, 1e-6)
    }

    fn source(&mut self, hot: &str, cold: &str, volts: f64, ohms: f64) -> &mut Self {
        let volts = Complex64::new(volts, 0.0);
        let henries = 0.0;
        self.add(
            hot,
            cold,
            ElementKind::Source {
                volts,
                ohms,
                henries,
            },
        )
    }

    /// A coil by the magnitude of its impedance and its power factor.
    fn coil(&mut self, from: &str, to: &str, magnitude: f64, power_factor: f64) -> &mut Self {
        let ohms = magnitude * power_factor;
        let reactance = (magnitude * magnitude - ohms * ohms).sqrt();
        let henries = reactance / (std::f64::consts::TAU * MAINS_HERTZ);
        self.add(from, to, ElementKind::Winding { ohms, henries })
    }

    fn volts(&self, one: &str, other: &str) -> f64 {
        let tensions = self.netlist.solve(MAINS_HERTZ).expect("solvable");
        let at = |name: &str| {
            let names = self.netlist.nodes().iter();
            let index = names.zip(&tensions).find(|(known, _)| &***known == name);
            *index.expect("the node is there").1
        };
        (at(one) - at(other)).norm()
    }

    /// What the first element, the supply, gives.
    fn amps_from_source(&self) -> f64 {
        let tensions = self.netlist.solve(MAINS_HERTZ).expect("solvable");
        self.netlist.currents(&tensions, MAINS_HERTZ)[0].norm()
    }

    fn amps(&self, element: &str) -> f64 {
        let tensions = self.netlist.solve(MAINS_HERTZ).expect("solvable");
        let currents = self.netlist.currents(&tensions, MAINS_HERTZ);
        let named = self.netlist.elements().iter().zip(&currents);
        let found = named.into_iter().find(|(known, _)| &*known.name == element);
        found.expect("the element is there").1.norm()
    }
}

fn close(got: f64, expected: f64, tolerance: f64) {
    assert!(
        (got - expected).abs() <= tolerance,
        "{got} against {expected} +-{tolerance}"
    );
}

#[test]
fn a_long_two_wire_run() {
    // Electrician's lesson, worked example: 100 ft of 16 AWG stranded, 4.99 ohm per kft, 4 A:
    // 4.0 V and 16.7 % of 24 V. The load is what draws 4 A from what is left.
    let mut run = Bench::new();
    run.stiff("R", "C", 24.0)
        .ohms("R", "far", 0.499)
        .ohms("far", "return", (24.0 - 3.992) / 4.0)
        .ohms("return", "C", 0.499);
    close(run.amps("R-far"), 4.0, 1e-4);
    let drop = 24.0 - run.volts("far", "return");
    close(drop, 4.0, 0.01);
    close(100.0 * drop / 24.0, 16.7, 0.1);
}

#[test]
fn a_bad_joint_before_a_coil() {
    // Arkansas HVACR NewsMagazine, November 2019, p. 53: 24 V, a 200 ohm joint, 3.13 V left on
    // the coil. That is a coil of 30 ohm, its armature out; the sealed 48 ohm would leave 4.65 V.
    // Hand-worked: the same coil at power factor 0.5 has 3.32 V.
    for (magnitude, power_factor, volts) in
        [(30.0, 1.0, 3.13), (30.0, 0.5, 3.32), (48.0, 1.0, 4.65)]
    {
        let mut line = Bench::new();
        line.stiff("R", "C", 24.0)
            .ohms("R", "Y1", 200.0)
            .coil("Y1", "C", magnitude, power_factor);
        close(line.volts("Y1", "C"), volts, 0.005);
    }
}

#[test]
fn two_coils_that_lost_their_common() {
    // Hand-worked: in series between R and C, 24 V divide as the impedances.
    for (one, other, across_one, across_other) in
        [(48.0, 48.0, 12.0, 12.0), (48.0, 120.0, 6.857, 17.143)]
    {
        let mut pair = Bench::new();
        pair.stiff("R", "C", 24.0)
            .coil("R", "lost common", one, 0.6)
            .coil("lost common", "C", other, 0.6);
        close(pair.volts("R", "lost common"), across_one, 0.001);
        close(pair.volts("lost common", "C"), across_other, 0.001);
    }
}

#[test]
fn a_ghost_on_a_floating_conductor() {
    // Hand-worked: 3 nF to a live and 3 nF to a dead neighbour, 24 V 60 Hz, read by 10 Mohm,
    // 1 Mohm and 3 kohm; then to the live neighbour alone.
    for (coupled_to_common, readings) in [(true, [12.0, 11.0, 0.08]), (false, [23.9, 18.0, 0.08])] {
        for (meter_ohms, volts) in [10e6, 1e6, 3e3].into_iter().zip(readings) {
            let mut ghost = Bench::new();
            ghost
                .stiff("R", "C", 24.0)
                .farads("R", "idle", 3e-9)
                .ohms("idle", "C", meter_ohms);
            if coupled_to_common {
                ghost.farads("idle", "C", 3e-9);
            }
            let printed_digits = if volts < 1.0 { 0.005 } else { 0.05 };
            close(ghost.volts("idle", "C"), volts, printed_digits);
        }
    }
}

#[test]
fn leakage_of_solid_state_outputs_adds() {
    // Hand-worked: 2 mA x 4 outputs into a 2 kohm relay coil is 16 V. Each output is 24 kV behind
    // 12 Mohm, a source of current to within 0.07 %.
    let mut line = Bench::new();
    for output in ["1", "2", "3", "4"] {
        line.source(&format!("output {output}"), "C", 24e3, 1.0)
            .ohms(&format!("output {output}"), "line", 12e6);
    }
    line.ohms("line", "C", 2000.0);
    close(line.volts("line", "C"), 16.0, 0.02);
}

#[test]
fn two_supplies_with_commons_joined_and_the_jumper_out() {
    // Hand-worked with 27 V open-circuit: 0 V from Rc to Rh in phase, 54 V opposed.
    for (second, between) in [(27.0, 0.0), (-27.0, 54.0)] {
        let mut pair = Bench::new();
        pair.source("Rc", "C", 27.0, 1.73)
            .source("Rh", "Ch", second, 1.73)
            .ohms("Ch", "C", 0.02);
        close(pair.volts("Rc", "Rh"), between, 1e-9);
    }
}

#[test]
fn two_supplies_with_the_jumper_in() {
    // Hand-worked: 0 V across the jumper; opposed, 54 V drive about 15.3 A round 3.53 ohm; in
    // phase, 27.5 against 26.5 V drive 0.28 A.
    for (first, second, amps) in [(27.0, -27.0, 15.3), (27.5, 26.5, 0.283)] {
        let mut pair = Bench::new();
        pair.source("Rc", "C", first, 1.73)
            .source("Rh", "Ch", second, 1.73)
            .ohms("Ch", "C", 0.02)
            .ohms("Rc", "Rh", 0.05);
        close(pair.volts("Rc", "Rh"), 0.05 * amps, 0.01);
        close(pair.amps("Rc-Rh"), amps, 0.02);
    }
}

#[test]
fn a_transformer_sags_along_its_load_line() {
    // Hand-worked: 27.5 V open and 24.0 V at 40 VA make 2.1 ohm; the currents of 60 and 80 VA at
    // 24 V (2.5 and 3.33 A) leave 22.25 and 20.5 V.
    for (amps, volts) in [(40.0 / 24.0, 24.0), (2.5, 22.25), (80.0 / 24.0, 20.5)] {
        let mut line = Bench::new();
        line.source("R", "C", 27.5, 2.1)
            .ohms("R", "C", volts / amps);
        close(line.volts("R", "C"), volts, 0.01);
        close(line.amps("R-C"), amps, 0.01);
    }
}

#[test]
fn nodes_are_found_by_name() {
    let mut netlist = Netlist::new();
    let first: NodeId = netlist.node("Y1@equipment");
    assert_eq!(netlist.node("Y1@equipment"), first);
    assert_eq!(netlist.find_node("Y1@controller"), None);
}

#[test]
fn ten_valves_on_one_transformer() {
    // Transformer sizing article, printed example: ten valves of 0.42 A are 100.8 VA at 24 V; a
    // fifth more is 121 VA.
    let mut valves = Bench::new();
    valves.stiff("R", "C", 24.0);
    for _ in 0..10 {
        valves.coil("R", "C", 24.0 / 0.42, 0.6);
    }
    let drawn = 24.0 * valves.amps_from_source();
    close(drawn, 100.8, 0.01);
    close(1.2 * drawn, 121.0, 0.1);
}
