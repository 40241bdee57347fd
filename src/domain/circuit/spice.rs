//! A solved circuit as text for an outside solver.
//!
//! Place in the data's path: the `circuit` command prints it and a person runs `ngspice -b` on
//! it. Nodes and elements are plain numbers behind the letter of their kind, so that no trade
//! word meets the outside solver's own; comment lines say which number is which node. Node 0 is
//! the common at the equipment. The state is the solved one: coils as they ended, fuses as they
//! stand.

use super::{ElementKind, NodeId, Solution};
use std::fmt::{self, Write};

impl Solution {
    /// The netlist at this moment. Sources are in volts rms; numbers are not rounded.
    #[must_use]
    pub fn to_spice(&self, title: &str) -> String {
        let mut text = String::new();
        self.write_spice(title, &mut text)
            .expect("writing to a string does not fail");
        text
    }

    /// The number of each node: 0 for the reference, the others from 1 in the netlist's order.
    fn spice_numbers(&self) -> Vec<usize> {
        let reference = self.netlist.reference().map_or(0, |node| node.0);
        let number = |index: usize| match index.cmp(&reference) {
            std::cmp::Ordering::Less => index + 1,
            std::cmp::Ordering::Equal => 0,
            std::cmp::Ordering::Greater => index,
        };
        (0..self.netlist.nodes().len()).map(number).collect()
    }

    fn write_spice(&self, title: &str, text: &mut String) -> fmt::Result {
        let numbers = self.spice_numbers();
        let of = |node: NodeId| numbers[node.0];
        let printable = title.replace(|c: char| c.is_control(), " ");
        writeln!(text, "* {printable}")?;
        for (name, number) in self.netlist.nodes().iter().zip(&numbers) {
            writeln!(text, "* node {number} = {name}")?;
        }
        let mut writer = Writer {
            text,
            number: 0,
            free_node: numbers.len(),
        };
        for (element, kind) in self.netlist.elements().iter().zip(&self.kinds) {
            writeln!(writer.text, "* {}", element.name)?;
            writer.element(of(element.from), of(element.to), kind)?;
        }
        let hertz = self.hertz();
        writeln!(text, ".ac lin 1 {hertz} {hertz}")?;
        writeln!(text, ".control\nset numdgt=15\nrun")?;
        for number in 1..numbers.len() {
            writeln!(text, "print v({number})")?;
        }
        writeln!(text, "quit\n.endc\n.end")
    }
}

struct Writer<'a> {
    text: &'a mut String,
    number: usize,
    free_node: usize,
}

impl Writer<'_> {
    fn node(&mut self) -> usize {
        self.free_node += 1;
        self.free_node - 1
    }

    fn part(&mut self, letter: char, from: usize, to: usize, value: f64) -> fmt::Result {
        self.number += 1;
        writeln!(self.text, "{letter}{} {from} {to} {value:e}", self.number)
    }

    fn in_series(&mut self, ends: [usize; 2], ohms: f64, second: (char, f64)) -> fmt::Result {
        let middle = self.node();
        self.part('R', ends[0], middle, ohms)?;
        self.part(second.0, middle, ends[1], second.1)
    }

    fn ohms_and_henries(&mut self, ends: [usize; 2], ohms: f64, henries: f64) -> fmt::Result {
        if henries > 0.0 {
            self.in_series(ends, ohms, ('L', henries))
        } else {
            self.part('R', ends[0], ends[1], ohms)
        }
    }

    fn element(&mut self, from: usize, to: usize, kind: &ElementKind) -> fmt::Result {
        match *kind {
            ElementKind::Resistor { ohms } => self.part('R', from, to, ohms),
            ElementKind::Inductor { henries } => self.part('L', from, to, henries),
            ElementKind::Capacitor { farads } => self.part('C', from, to, farads),
            ElementKind::Winding { ohms, henries } => {
                self.ohms_and_henries([from, to], ohms, henries)
            }
            ElementKind::Snubber { ohms, farads } => {
                self.in_series([from, to], ohms, ('C', farads))
            }
            ElementKind::Switch {
                closed: true,
                closed_ohms,
                ..
            } => self.part('R', from, to, closed_ohms),
            ElementKind::Switch {
                open_ohms,
                open_farads,
                ..
            } => {
                self.part('R', from, to, open_ohms)?;
                self.part('C', from, to, open_farads)
            }
            ElementKind::Source {
                volts,
                ohms,
                henries,
            } => {
                let inner = self.node();
                self.number += 1;
                let (magnitude, degrees) = (volts.norm(), volts.arg().to_degrees());
                writeln!(
                    self.text,
                    "V{} {inner} {to} DC 0 AC {magnitude:e} {degrees:e}",
                    self.number
                )?;
                self.ohms_and_henries([inner, from], ohms, henries)
            }
        }
    }
}
