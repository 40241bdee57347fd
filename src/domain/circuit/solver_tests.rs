//! The solver against LU with partial pivoting, and its refusals.

use super::*;
use nalgebra::{DMatrix, DVector};
use proptest::prelude::*;

const MAINS_HERTZ: f64 = 60.0;

fn resistor(ohms: f64) -> ElementKind {
    ElementKind::Resistor { ohms }
}

fn source(volts: f64, ohms: f64) -> ElementKind {
    ElementKind::Source {
        volts: Complex64::new(volts, 0.0),
        ohms,
        henries: 0.0,
    }
}

/// The textbook way: the nodal matrix without the reference, LU with partial pivoting.
pub(in crate::domain::circuit) fn by_lu(netlist: &Netlist) -> Vec<Complex64> {
    let angular = std::f64::consts::TAU * MAINS_HERTZ;
    let count = netlist.nodes().len();
    let reference = netlist.reference().expect("has a reference").0;
    let mut matrix = DMatrix::from_element(count, count, Complex64::new(0.0, 0.0));
    let mut right = DVector::from_element(count, Complex64::new(0.0, 0.0));
    for element in netlist.elements() {
        let (a, b) = (element.from.0, element.to.0);
        let value = element.kind.admittance(angular);
        matrix[(a, a)] += value;
        matrix[(b, b)] += value;
        matrix[(a, b)] -= value;
        matrix[(b, a)] -= value;
        right[a] += value * element.kind.source_volts();
        right[b] -= value * element.kind.source_volts();
    }
    matrix = matrix.remove_row(reference).remove_column(reference);
    right = right.remove_row(reference);
    let solved = matrix.lu().solve(&right).expect("regular");
    let mut tensions: Vec<Complex64> = solved.iter().copied().collect();
    tensions.insert(reference, Complex64::new(0.0, 0.0));
    tensions
}

fn kind_from(choice: u8, size: f64) -> ElementKind {
    match choice % 5 {
        0 => resistor(size),
        1 => ElementKind::Winding {
            ohms: size,
            henries: size / 300.0,
        },
        2 => ElementKind::Capacitor {
            farads: 1e-6 / size,
        },
        3 => ElementKind::Snubber {
            ohms: size,
            farads: 1e-7,
        },
        _ => source(24.0, size),
    }
}

proptest! {
    #[test]
    fn agrees_with_lu_on_random_networks(
        parts in prop::collection::vec((0..12_usize, 0..12_usize, 0..5_u8, 0.1..1000.0), 1..60)
    ) {
        let mut netlist = Netlist::new();
        let nodes: Vec<_> = (0..12).map(|n| netlist.add_node(&format!("n{n}"))).collect();
        netlist.set_reference(nodes[5]);
        for pair in nodes.windows(2) {
            netlist.add("spine", pair[0], pair[1], resistor(47.0)).expect("a good value");
        }
        for (from, to, choice, size) in parts {
            let kind = kind_from(choice, size);
            netlist.add("part", nodes[from], nodes[to], kind).expect("a good value");
        }
        let ours = netlist.solve(MAINS_HERTZ).expect("joined by the spine");
        for (one, other) in ours.iter().zip(by_lu(&netlist)) {
            prop_assert!((one - other).norm() < 1e-9, "{one} against {other}");
        }
    }
}

proptest! {
    #[test]
    fn what_changes_may_be_eliminated_last(
        parts in prop::collection::vec((0..12_usize, 0..12_usize, 0..5_u8, 0.1..1000.0), 1..60),
        changed in prop::collection::vec((0..60_usize, 0..5_u8, 0.1..1000.0), 0..8),
    ) {
        let mut netlist = Netlist::new();
        let nodes: Vec<_> = (0..12).map(|n| netlist.add_node(&format!("n{n}"))).collect();
        netlist.set_reference(nodes[5]);
        for pair in nodes.windows(2) {
            netlist.add("spine", pair[0], pair[1], resistor(47.0)).expect("a good value");
        }
        for (from, to, choice, size) in &parts {
            let kind = kind_from(*choice, *size);
            netlist.add("part", nodes[*from], nodes[*to], kind).expect("a good value");
        }
        let angular = std::f64::consts::TAU * MAINS_HERTZ;
        let count = netlist.elements().len();
        let changing: Vec<ElementId> = changed.iter().map(|c| ElementId(c.0 % count)).collect();
        let prepared = Prepared::new(&netlist, &netlist.kinds(), angular, &changing)
            .expect("joined by the spine");
        for (element, change) in changing.iter().zip(&changed) {
            netlist.replace(*element, kind_from(change.1, change.2)).expect("a good value");
        }
        let ours = prepared.solve(&netlist, &netlist.kinds()).expect("joined by the spine");
        for (one, other) in ours.iter().zip(by_lu(&netlist)) {
            prop_assert!((one - other).norm() < 1e-9, "{one} against {other}");
        }
    }
}

#[test]
fn a_picofarad_beside_a_hundredth_of_an_ohm_keeps_its_digits() {
    let mut netlist = Netlist::new();
    let [ground, hot, a, b] = ["0", "hot", "a", "b"].map(|name| netlist.node(name));
    netlist.set_reference(ground);
    let farads = 1e-12;
    let capacitor = ElementKind::Capacitor { farads };
    for (from, to, kind) in [
        (hot, ground, source(24.0, 1.0)),
        (hot, a, capacitor),
        (a, b, resistor(0.01)),
        (b, ground, capacitor),
    ] {
        netlist.add("part", from, to, kind).expect("a good value");
    }
    let tensions = netlist.solve(MAINS_HERTZ).expect("solvable");
    // Two equal capacitances halve the tension; the hundredth of an ohm between them does not
    // count: half of 24 V to within 1e-14.
    assert!((tensions[b.0].re - 12.0).abs() < 1e-12, "{}", tensions[b.0]);
}

#[test]
fn what_cannot_be_solved_names_its_node() {
    let mut netlist = Netlist::new();
    let [ground, hot, x, y] = ["C", "R", "X", "Y"].map(|name| netlist.node(name));
    netlist
        .add("secondary", hot, ground, source(24.0, 1.0))
        .expect("good");
    assert_eq!(netlist.solve(60.0), Err(CircuitError::NoReference));
    netlist.set_reference(ground);
    assert!(matches!(
        netlist.solve(60.0),
        Err(CircuitError::Floating { node, .. }) if node == "X" || node == "Y"
    ));
    netlist
        .add("second", x, y, source(24.0, 1.0))
        .expect("good");
    let error = netlist.solve(60.0).expect_err("the second supply floats");
    assert_eq!(
        error.to_string(),
        "supply second floats: nothing joins its node X to the reference C"
    );
}

#[test]
fn a_series_resonance_is_solved_whatever_the_order() {
    let mut netlist = Netlist::new();
    let [middle, ground, hot] = ["M", "C", "R"].map(|name| netlist.node(name));
    netlist.set_reference(ground);
    for (from, to, kind) in [
        (hot, ground, source(24.0, 1.0)),
        (hot, middle, ElementKind::Inductor { henries: 1.0 }),
        (
            middle,
            ground,
            ElementKind::Capacitor {
                farads: RESONANT_FARADS,
            },
        ),
    ] {
        netlist.add("part", from, to, kind).expect("a good value");
    }
    let tensions = netlist.solve(60.0).expect("1 ohm in series");
    // At resonance 24 V drive 24 A through the 1 ohm; across the capacitance stands 24 A times
    // its reactance of 377 ohm, a quarter turn behind.
    let expected = Complex64::new(0.0, -24.0 * std::f64::consts::TAU * 60.0);
    assert!(
        (tensions[middle.0] - expected).norm() < 1e-6,
        "{}",
        tensions[middle.0]
    );
}

/// Resonates with 1 H at 60 Hz.
const RESONANT_FARADS: f64 = 1.0 / (std::f64::consts::TAU * 60.0 * std::f64::consts::TAU * 60.0);

#[test]
fn a_lossless_resonance_is_refused() {
    let mut netlist = Netlist::new();
    let [ground, hot, x, y] = ["C", "R", "X", "Y"].map(|name| netlist.node(name));
    netlist.set_reference(ground);
    for (from, to, kind) in [
        (hot, ground, source(24.0, 1.0)),
        (x, ground, ElementKind::Inductor { henries: 1.0 }),
        (
            x,
            y,
            ElementKind::Capacitor {
                farads: 2.0 * RESONANT_FARADS,
            },
        ),
        (
            y,
            ground,
            ElementKind::Capacitor {
                farads: 2.0 * RESONANT_FARADS,
            },
        ),
    ] {
        netlist.add("part", from, to, kind).expect("a good value");
    }
    let error = netlist
        .solve(60.0)
        .expect_err("a loop of 1 H and its resonant capacitance");
    assert!(matches!(error, CircuitError::Singular { node } if node == "X" || node == "Y"));
}

#[test]
fn values_outside_physics_name_the_part() {
    let mut netlist = Netlist::new();
    let [a, b] = ["a", "b"].map(|name| netlist.node(name));
    for (kind, part) in [
        (resistor(0.0), "ohms of joint Y1"),
        (resistor(f64::NAN), "ohms of joint Y1"),
        (source(f64::INFINITY, 1.0), "volts of joint Y1"),
        (
            ElementKind::Capacitor { farads: -1.0 },
            "farads of joint Y1",
        ),
        (
            ElementKind::Inductor { henries: 0.0 },
            "henries of joint Y1",
        ),
    ] {
        let error = netlist.add("joint Y1", a, b, kind).expect_err("outside");
        assert!(error.to_string().contains(part), "{error}");
    }
}
