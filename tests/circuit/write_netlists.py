#!/usr/bin/env python3
"""Writes netlists of control circuits for an outside solver, from component values of its own.

Usage: write_netlists.py DIRECTORY

This is the independent half of a check: it shares no code and no data with the program. Every
component value stands below, taken from the trade reference or worked out here; every fault is
wired by hand as a description of what is landed where, not as an edit of a finished netlist. The
state of each case (which coils are sealed, whether the fuse is open) is stated by hand, so that
the program has to find it.

Each file begins with comment lines that say the profile, the faults and the closed contacts in the
program's words, and which node number is which terminal.
"""

import copy
import itertools
import math
import pathlib
import sys

HERTZ = 60.0
OMEGA = 2 * math.pi * HERTZ


def copper_ohms_per_foot(awg):
    """ASTM B258 diameter; 1.7241e-8 ohm metre at 20 degC."""
    diameter = 0.127e-3 * 92 ** ((36 - awg) / 39)
    return 1.7241e-8 / (math.pi * diameter * diameter / 4) * 0.3048


OPEN = "open"  # a gap: 1 Gohm with 10 pF across it

# Sealed volt-amperes at 24 V, power factor, inrush against sealed current.
COILS = {
    "Y1": (9, 0.50, 3.2),
    "Y2": (6, 0.60, 3.2),
    "G": (4, 0.60, 1.6),
    "O": (7, 0.55, 1.6),
    "B": (7, 0.55, 1.6),
    "W1": (5, 1.0, 1.0),
    "W2": (5, 1.0, 1.0),
    "E": (4, 0.60, 1.6),
}

HEAT_PUMP = {
    "profile": "two-stage-heat-pump",
    "rails": {"R": {"volts": 26.9, "va": 40, "common": "C"}},
    "lines": ["Y1", "Y2", "G", "O", "W2", "E"],
    "outdoors": ["C", "O", "R", "W2", "Y1", "Y2"],
    "outdoor_loads": ["Y1", "Y2", "O"],
    "board": True,
}
FURNACE = {
    "profile": "furnace-and-cooling",
    "rails": {"R": {"volts": 26.9, "va": 40, "common": "C"}},
    "lines": ["Y1", "G", "W1"],
    "outdoors": ["C", "Y1"],
    "outdoor_loads": ["Y1"],
    "board": False,
}
BOILER = {
    "profile": "heat-pump-and-boiler",
    "rails": {
        "Rc": {"volts": 26.9, "va": 40, "common": "C"},
        "Rh": {"volts": 26.9, "va": 40, "common": "Rh-common"},
    },
    "lines": ["Y1", "G", "O", "W1"],
    "outdoors": ["C", "O", "Rc", "Y1"],
    "outdoor_loads": ["Y1", "O"],
    "board": True,
}


class Wiring:
    """A whole installation as a person would describe it."""

    def __init__(self, plant):
        self.plant = plant
        self.rails = copy.deepcopy(plant["rails"])
        self.dual = len(self.rails) == 2
        self.main_rail = next(iter(self.rails))
        self.awg, self.feet = 18, 100
        conductors = list(self.rails) + ["C"] + plant["lines"]
        # Where each conductor is landed, and by what joint, at each of its ends.
        self.landed = {(c, end): c for c in conductors for end in ("controller", "equipment")}
        self.joint = {(c, end): 0.01 for c in conductors for end in ("controller", "equipment")}
        for c in plant["outdoors"]:
            self.landed[(c, "outdoor")] = c
            self.joint[(c, "outdoor")] = 0.01
        self.broken_middle = set()
        self.middle_extra = {}
        self.relay = {}  # line -> "closed" | "open" | "leaks"
        self.sealed = set()
        self.coil = {}  # line -> replacement ohms, or OPEN
        self.rail_jumper = not self.dual
        self.commons_joined = False
        self.fuse_open = set()
        self.links = []  # (node, node, ohms)
        self.gaps = []  # further open contacts: (node, node)


class Deck:
    """Numbered nodes and elements."""

    def __init__(self):
        self.numbers = {"C@equipment": 0}
        self.lines = []

    def node(self, name):
        return self.numbers.setdefault(name, len(self.numbers))

    def put(self, letter, a, b, value):
        if value == 0:
            return
        count = len(self.lines) + 1
        self.lines.append(f"{letter}{count} {self.node(a)} {self.node(b)} {value!r}")

    def resistor(self, a, b, ohms):
        if ohms == OPEN:
            self.put("R", a, b, 1e9)
            self.put("C", a, b, 10e-12)
        else:
            self.put("R", a, b, float(ohms))

    def series(self, a, b, ohms, henries):
        if henries == 0:
            self.put("R", a, b, ohms)
            return
        inner = f"inner{len(self.lines)}"
        self.put("R", a, inner, ohms)
        self.put("L", inner, b, henries)

    def source(self, hot, cold, volts, ohms, reactance):
        inner = f"inner{len(self.lines)}"
        count = len(self.lines) + 1
        degrees = 180 if volts < 0 else 0
        self.lines.append(
            f"V{count} {self.node(inner)} {self.node(cold)} DC 0 AC {abs(volts)!r} {degrees}"
        )
        self.series(inner, hot, ohms, reactance / OMEGA)


def lay_conductor(deck, wiring, name, ends, feet, awg, middle, ends_of):
    ohms = copper_ohms_per_foot(awg) * feet / 2
    henries = 0.18e-6 * feet / 2
    extra = wiring.middle_extra.get(name, 0.0) if middle.endswith("@middle") else 0.0
    for end, tip in zip(ends, ends_of):
        joint_key = (name, end)
        terminal = f"{wiring.landed.get(joint_key, name)}@{end}"
        joint = wiring.joint.get(joint_key, 0.01)
        if len(tip) == 3:  # the outdoor cable's equipment end: always sound, on its own terminal
            terminal, joint = f"{name}@{end}", 0.01
        deck.resistor(terminal, tip[0], joint)
        far = end != ends[0]
        if far and name in wiring.broken_middle and middle.endswith("@middle"):
            deck.resistor(tip[0], middle, OPEN)
        else:
            deck.series(tip[0], middle, ohms + (extra if far else 0.0), henries)


def couple(deck, tips, feet):
    for a, b in itertools.combinations(tips, 2):
        deck.put("C", a, b, 20e-12 * feet / 2)


def coil(deck, wiring, line, hot, cold):
    replaced = wiring.coil.get(line)
    if replaced is not None:
        deck.resistor(hot, cold, replaced)
        return
    va, power_factor, inrush = COILS[line]
    magnitude = 576 / va
    if line not in wiring.sealed:
        magnitude /= inrush
    reactance = magnitude * math.sqrt(1 - power_factor**2)
    deck.series(hot, cold, magnitude * power_factor, reactance / OMEGA)


def write_deck(wiring):
    deck = Deck()
    plant = wiring.plant
    main = list(wiring.rails) + ["C"] + plant["lines"]
    for name in main:
        tips = [(f"{name}@controller-conductor",), (f"{name}@equipment-conductor",)]
        lay_conductor(
            deck, wiring, name, ("controller", "equipment"), wiring.feet, wiring.awg,
            f"{name}@middle", tips,
        )
    for end in ("controller", "equipment"):
        couple(deck, [f"{n}@{end}-conductor" for n in main], wiring.feet)
    for name in plant["outdoors"]:
        near = (f"{name}@equipment-outdoor-conductor", 0, 0)
        tips = [near, (f"{name}@outdoor-outdoor-conductor",)]
        lay_conductor(
            deck, wiring, name, ("equipment", "outdoor"), 50, 18, f"{name}@outdoor-middle", tips
        )
    for end in ("equipment", "outdoor"):
        couple(deck, [f"{n}@{end}-outdoor-conductor" for n in plant["outdoors"]], 50)

    for rail, supply in wiring.rails.items():
        scale = 40 / supply["va"]
        hot = f"{rail}@secondary"
        common = f"{supply['common']}@equipment"
        deck.source(hot, common, supply["volts"], 1.73 * scale, 0.4 * scale)
        deck.resistor(hot, f"{rail}@equipment", OPEN if rail in wiring.fuse_open else 0.05)
    deck.resistor("C@equipment", "earth", 0.02)
    deck.resistor(
        f"{wiring.main_rail}@controller", "Rh@controller", 0.02 if wiring.rail_jumper else OPEN
    )
    if wiring.dual:
        if wiring.commons_joined:
            deck.resistor("Rh-common@equipment", "C@equipment", 0.02)
        else:
            deck.put("R", "Rh-common@equipment", "C@equipment", 1e9)
            deck.put("C", "Rh-common@equipment", "C@equipment", 200e-12)

    for line in plant["lines"]:
        rail = "Rh" if line[0] in "WE" else wiring.main_rail
        heating = wiring.dual and rail == "Rh"
        a, b = f"{rail}@controller", f"{line}@controller"
        state = wiring.relay.get(line, "open")
        if state == "leaks":
            inner = f"inner{len(deck.lines)}"
            impedance = 24 / 0.002
            deck.resistor(a, inner, 100.0)
            deck.put("C", inner, b, 1 / (OMEGA * math.sqrt(impedance**2 - 100.0**2)))
        else:
            deck.resistor(a, b, 0.05 if state == "closed" else OPEN)
        place = "outdoor" if line in plant["outdoor_loads"] else "equipment"
        cold = "Rh-common@equipment" if heating else f"C@{place}"
        coil(deck, wiring, line, f"{line}@{place}", cold)
        sense_cold = "Rh-common@equipment" if heating else "C@equipment"
        deck.resistor(f"{line}@equipment", sense_cold, 10e6)
    if plant["board"]:
        deck.resistor(f"{wiring.main_rail}@outdoor", "C@outdoor", 144)
    deck.resistor(f"{wiring.main_rail}@controller", "C@controller", 288)
    for a, b, ohms in wiring.links:
        deck.resistor(a, b, ohms)
    for a, b in wiring.gaps:
        deck.resistor(a, b, OPEN)
    return deck


CASES = []


def case(plant, faults, closed, sealed=None, fuse=(), change=None):
    """One circuit: its faults in the program's words, what is called, and the state it ends in."""
    wiring = Wiring(plant)
    called = closed.split()
    for line in called:
        wiring.relay[line] = "closed"
    wiring.sealed = set(called if sealed is None else sealed.split())
    wiring.fuse_open = set(fuse)
    if change:
        change(wiring)
    CASES.append((plant["profile"], faults, called, wiring))


def opened(name, end):
    return lambda w: w.joint.update({(name, end): OPEN})


def joint(name, end, ohms):
    return lambda w: w.joint.update({(name, end): ohms})


def landed(end, **where):
    return lambda w: w.landed.update({(c, end): t for c, t in where.items()})


def link(a, b, ohms):
    return lambda w: w.links.append((a, b, ohms))


def both(*changes):
    def change(wiring):
        for one in changes:
            one(wiring)
    return change


def relay(line, state):
    return lambda w: w.relay.update({line: state})


def coil_is(line, ohms):
    return lambda w: w.coil.update({line: ohms})


def volts(value):
    return lambda w: w.rails[w.main_rail].update(volts=value)


def thin(w):
    w.awg, w.feet = 24, 300


def undersized(w):
    w.rails["R"]["va"] = 20


def broken_middle(name):
    return lambda w: w.broken_middle.add(name)


def jumper_out(w):
    w.rail_jumper = False


def jumper_in(w):
    w.rail_jumper = True


def healthy_cases():
    for closed in ["", "G", "Y1 G O", "Y1 Y2 G O", "Y1 G", "Y1 Y2 G W2", "G W2 E", "W2"]:
        case(HEAT_PUMP, "", closed)
    for closed in ["", "G", "Y1 G", "W1"]:
        case(FURNACE, "", closed)
    for closed in ["", "Y1 G O", "Y1 G W1"]:
        case(BOILER, "", closed)


def faulty_conductors():
    case(HEAT_PUMP, "open:Y1", "Y1 G O", "G O", change=opened("Y1", "equipment"))
    case(HEAT_PUMP, "open:Y1@controller", "Y1 G O", "G O", change=opened("Y1", "controller"))
    case(HEAT_PUMP, "open:Y2@middle", "Y1 Y2 G O", "Y1 G O", change=broken_middle("Y2"))
    case(HEAT_PUMP, "open:O@outdoor", "Y1 G O", "Y1 G", change=opened("O", "outdoor"))
    case(HEAT_PUMP, "open:C@controller", "Y1 G O", change=opened("C", "controller"))
    case(HEAT_PUMP, "open:R@equipment", "Y1 G O", "", change=opened("R", "equipment"))
    case(HEAT_PUMP, "open:G", "G", "", change=opened("G", "equipment"))
    swap = landed("equipment", Y1="G", G="Y1")
    case(HEAT_PUMP, "swap:Y1,G", "G", "Y1", change=swap)
    case(HEAT_PUMP, "swap:Y1,G", "G W2 E", "Y1 W2 E", change=swap)
    swap = landed("controller", O="W2", W2="O")
    case(HEAT_PUMP, "swap:O,W2@controller", "Y1 G O", "Y1 G W2", change=swap)
    case(HEAT_PUMP, "swap:Y1,O@outdoor", "Y1 G", "O G", change=landed("outdoor", Y1="O", O="Y1"))
    shift = landed("equipment", Y1="G", G="O", O="Y1")
    case(HEAT_PUMP, "shift:Y1,G,O", "Y1 G", "G O", change=shift)
    case(HEAT_PUMP, "mislanded:W2,E", "W2", "E", change=landed("equipment", W2="E"))
    mis = landed("equipment", W2="O")
    case(HEAT_PUMP, "mislanded:W2,O", "Y1 Y2 G W2", "Y1 Y2 G O", change=mis)
    # The inrush of all coils at once, about 1.9 A through 1.7 + 7.7 ohm, keeps each below 18 V.
    case(HEAT_PUMP, "thin-wire:24,300", "Y1 G O", "", change=thin)
    case(HEAT_PUMP, "thin-wire:24,300", "Y1 Y2 G W2", "", change=thin)
    case(HEAT_PUMP, "thin-wire:24,300", "G", change=thin)
    lifted = both(opened("W2", "controller"), coil_is("W2", OPEN))
    case(HEAT_PUMP, "floating:W2", "Y1 G O", change=lifted)
    case(HEAT_PUMP, "floating:W2", "", change=lifted)


def faulty_joints():
    for ohms, sealed in [(1, "Y1 G O"), (5, "Y1 G O"), (200, "G O")]:
        at = joint("Y1", "equipment", ohms)
        case(HEAT_PUMP, f"resistance:Y1={ohms}", "Y1 G O", sealed, change=at)
    case(HEAT_PUMP, "resistance:Y1=1000@outdoor", "Y1 G", "G", change=joint("Y1", "outdoor", 1000))
    at = joint("C", "controller", 50)
    case(HEAT_PUMP, "resistance:C=50@controller", "Y1 G O", change=at)
    at = lambda w: w.middle_extra.update(W2=100.0)
    case(HEAT_PUMP, "resistance:W2=100@middle", "W2", "", change=at)
    at = link("Y1@middle", "W2@middle", 0.05)
    case(HEAT_PUMP, "short:Y1,W2", "Y1 G O", "Y1 G O W2", change=at)
    at = link("Y1@middle", "W2@middle", 200.0)
    case(HEAT_PUMP, "short:Y1,W2=200", "Y1 G O", change=at)
    at = link("R@middle", "C@middle", 0.05)
    case(HEAT_PUMP, "short:R,C", "Y1 G O", "", fuse=["R"], change=at)
    at = link("Y1@middle", "C@middle", 0.05)
    case(HEAT_PUMP, "short:Y1,C", "G", change=at)
    case(HEAT_PUMP, "short:Y1,C", "Y1 G", "", fuse=["R"], change=at)
    at = link("Y1@outdoor", "O@outdoor", 10.0)
    case(HEAT_PUMP, "short:Y1,O=10@outdoor", "Y1 G", "Y1 G O", change=at)
    at = link("Y1@equipment", "Y2@equipment", 0.02)
    case(HEAT_PUMP, "jumper:Y1,Y2", "Y1 G O", "Y1 Y2 G O", change=at)
    at = link("R@middle", "earth", 0.05)
    case(HEAT_PUMP, "earthed:R", "", "", fuse=["R"], change=at)
    at = link("C@middle", "earth", 0.05)
    case(HEAT_PUMP, "earthed:C", "Y1 G O", change=at)


def faulty_loads_and_contacts():
    case(HEAT_PUMP, "coil-open:Y1", "G W2 E", change=coil_is("Y1", OPEN))
    case(HEAT_PUMP, "coil-open:Y1", "", change=coil_is("Y1", OPEN))
    case(HEAT_PUMP, "coil-short:O", "Y1 G O", "", fuse=["R"], change=coil_is("O", 0.5))
    case(HEAT_PUMP, "coil-short:O", "Y1 G", change=coil_is("O", 0.5))
    case(HEAT_PUMP, "stuck-open:G", "Y1 G O", "Y1 O", change=relay("G", "open"))
    case(HEAT_PUMP, "stuck-closed:W2", "Y1 G O", "Y1 G O W2", change=relay("W2", "closed"))
    case(HEAT_PUMP, "leakage:Y1", "G", change=relay("Y1", "leaks"))
    leak = both(relay("Y1", "leaks"), coil_is("Y1", OPEN))
    case(HEAT_PUMP, "leakage:Y1 coil-open:Y1", "G", change=leak)
    fan = both(opened("G", "equipment"), link("G@equipment", "Y1@equipment", 0.02))
    case(HEAT_PUMP, "fan-tied", "G", "", change=fan)
    case(HEAT_PUMP, "fan-tied", "Y1 G O", change=fan)
    tied = link("R@controller", "O@controller", 0.05)
    case(HEAT_PUMP, "tied:O,B", "Y1 G", "Y1 G O", change=tied)
    inverted = relay("O", "open")
    case(HEAT_PUMP, "inverted-changeover", "Y1 G O", "Y1 G", change=inverted)
    fed = link("R@outdoor", "W2@outdoor", 0.05)
    case(HEAT_PUMP, "backfeed:W2", "Y1 G", "Y1 G W2", change=fed)
    fed = lambda w: w.gaps.append(("R@outdoor", "W2@outdoor"))
    case(HEAT_PUMP, "backfeed:W2", "Y1 G O", change=fed)
    loose = opened("Y1", "equipment")
    case(HEAT_PUMP, "opens-under-load:Y1", "Y1 G O", "G O", change=loose)
    case(HEAT_PUMP, "intermittent:G", "Y1 G O", "Y1 O", change=opened("G", "equipment"))
    case(FURNACE, "open:C@outdoor", "Y1 G", "G", change=opened("C", "outdoor"))
    case(FURNACE, "swap:G,W1", "W1", "G", change=landed("equipment", G="W1", W1="G"))


def faulty_supplies():
    case(HEAT_PUMP, "jumper-missing", "G W2 E", "G", change=jumper_out)
    case(HEAT_PUMP, "fuse-open", "Y1 G O", "", fuse=["R"])
    case(HEAT_PUMP, "supply:21", "Y1 G O", "", change=volts(21.0))
    case(HEAT_PUMP, "supply:21", "G", change=volts(21.0))
    case(HEAT_PUMP, "wrong-tap", "Y1 G O", change=volts(26.9 * 208 / 240))
    case(HEAT_PUMP, "undersized-transformer:20", "G W2 E", change=undersized)
    case(BOILER, "jumper-left-in", "Y1 G O", change=jumper_in)
    pair = both(opened("Y1", "equipment"), link("G@middle", "O@middle", 0.05))
    case(HEAT_PUMP, "open:Y1 short:G,O", "G", "G O", change=pair)
    pair = both(thin, joint("Y1", "equipment", 5))
    case(HEAT_PUMP, "thin-wire:24,300 resistance:Y1=5", "Y1 G O", "", change=pair)
    pair = both(landed("equipment", Y1="G", G="Y1"), opened("Y1", "equipment"))
    case(HEAT_PUMP, "swap:Y1,G open:Y1", "Y1 G O", "Y1 O", change=pair)


def main(directory):
    healthy_cases()
    faulty_conductors()
    faulty_joints()
    faulty_loads_and_contacts()
    faulty_supplies()
    for index, (profile, faults, called, wiring) in enumerate(CASES):
        deck = write_deck(wiring)
        real = {n: i for n, i in deck.numbers.items() if not n.startswith("inner")}
        text = [f"* case {index}", f"* profile {profile}", f"* faults {faults}"]
        text.append(f"* closed {' '.join(called)}")
        text.append(f"* sealed {' '.join(sorted(wiring.sealed))}")
        text += [f"* node {number} = {name}" for name, number in real.items()]
        text += deck.lines
        text += [f".ac lin 1 {HERTZ!r} {HERTZ!r}", ".control", "set numdgt=15", "run"]
        text += [f"print v({number})" for number in real.values() if number]
        text += ["quit", ".endc", ".end", ""]
        path = pathlib.Path(directory) / f"{index:03}.cir"
        path.write_text("\n".join(text), encoding="ascii")


if __name__ == "__main__":
    main(sys.argv[1])
