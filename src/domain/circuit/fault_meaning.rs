//! What each fault is on the bench, what it is in the field, and how it shows.
//!
//! Place in the data's path: documentation, practice and suspects print these. Signatures are
//! common practice, no source, unless said; the tests of the circuit hold them as volts.

use super::FaultKind;

/// One kind of fault in a person's words.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct FaultMeaning {
    /// How a training panel makes it.
    pub on_the_bench: &'static str,
    /// What it is in a building.
    pub in_the_field: &'static str,
    /// What the readings do.
    pub shows_as: &'static str,
}

const fn meaning(
    on_the_bench: &'static str,
    in_the_field: &'static str,
    shows_as: &'static str,
) -> FaultMeaning {
    FaultMeaning {
        on_the_bench,
        in_the_field,
        shows_as,
    }
}

impl FaultKind {
    /// What this kind is on the bench and in the field, and how it shows.
    #[must_use]
    pub fn meaning(self) -> FaultMeaning {
        self.of_conductors()
            .or_else(|| self.of_contacts_and_loads())
            .unwrap_or_else(|| self.of_supply_and_controls())
    }

    fn of_conductors(self) -> Option<FaultMeaning> {
        Some(match self {
            Self::Open => meaning(
                "a lifted lead",
                "a broken conductor, or one not landed",
                "dead at the equipment, alive at the controller; C open: nothing works beyond it",
            ),
            Self::Short => meaning(
                "a clip lead between two lines",
                "a nick or a staple through two conductors",
                "both lines rise together; onto C the supply collapses in that call",
            ),
            Self::Swap => meaning(
                "two leads exchanged",
                "two conductors landed on each other's terminals",
                "each answers the other's call; masked wherever both are called together",
            ),
            Self::Shift => meaning(
                "leads landed one terminal along",
                "a row of conductors landed one along, the last on the first's terminal",
                "each line answers its neighbour's call",
            ),
            Self::Mislanded => meaning(
                "one lead on another's terminal beside its own",
                "a conductor landed on a terminal that has one already",
                "the call answers at the other terminal, its own stays dead",
            ),
            Self::Resistance => meaning(
                "a resistor in series",
                "a corroded or loose landing",
                "right unloaded, low under load; the load may not pull in",
            ),
            Self::OpensUnderLoad => meaning(
                "a joint that carries a meter's current only",
                "a strand that touches until current flows",
                "right with the load lifted, dead with it",
            ),
            Self::Intermittent => meaning(
                "a switched lead",
                "a joint that comes and goes with heat or vibration",
                "right at one moment, dead at another",
            ),
            Self::Jumper => meaning(
                "a jumper between two terminals",
                "a jumper where none belongs",
                "either call raises both lines",
            ),
            Self::Earthed => meaning(
                "a lead on the panel's earth",
                "a conductor on metalwork",
                "with an earthed common a short to C; with a floating one nothing",
            ),
            Self::Floating => meaning(
                "a lead lifted at the relay and at its load",
                "a spare conductor beside live ones",
                "some volts on a high-impedance meter, about none across 3 kohm",
            ),
            Self::ThinWire => meaning(
                "a long reel of thin cable",
                "a run too long or too thin",
                "supply right, far end low, the lower the more is called",
            ),
            _ => return None,
        })
    }

    fn of_contacts_and_loads(self) -> Option<FaultMeaning> {
        Some(match self {
            Self::StuckOpen => meaning(
                "a relay that does not close",
                "a dead output of the controller",
                "dead at both ends in its call",
            ),
            Self::StuckClosed => meaning(
                "a welded relay",
                "a welded output of the controller",
                "live in every call, and after release",
            ),
            Self::DeadInput => meaning(
                "a dead input of the bench",
                "nothing: the bench alone is at fault",
                "reads dead while the load works",
            ),
            Self::Leakage => meaning(
                "a solid-state output with its snubber",
                "an electronic output that leaks while off",
                "volts on an idle line without load, next to none on a coil",
            ),
            Self::CoilOpen => meaning(
                "a lifted load",
                "a burnt-out coil",
                "volts right and no current; idle neighbours show as a ghost",
            ),
            Self::CoilShort => meaning(
                "a load bridged",
                "a shorted coil",
                "its call takes the supply down or opens the fuse",
            ),
            Self::Chatter => meaning(
                "a relay that buzzes",
                "a broken shading ring, or too few volts to hold",
                "many changes a second on the line's contact",
            ),
            Self::Backfeed => meaning(
                "a second lead from R",
                "the outdoor unit's defrost board feeding the auxiliary line",
                "live with no command; on a heat pump's auxiliary line in heating calls only",
            ),
            _ => return None,
        })
    }

    fn of_supply_and_controls(self) -> FaultMeaning {
        match self {
            Self::FanTied => meaning(
                "G lifted and its load bridged to Y1",
                "the fan tied to Y1 at the equipment",
                "dead in fan-only, right wherever the compressor runs",
            ),
            Self::Tied => meaning(
                "two relays on the valve's line",
                "O and B outputs both landed on the one valve line",
                "the reversing valve (O/B) is live in cooling and in heating",
            ),
            Self::InvertedChangeover => meaning(
                "the other convention's relay drives the valve",
                "a controller set for the other convention, or equipment of the other",
                "at the controller: exchanged in every compressor call; at the equipment no \
                 tension changes, only the air's temperature",
            ),
            Self::JumperMissing => meaning(
                "the Rc-Rh clip left off",
                "the jumper between Rc and Rh is missing",
                "every W and E line dead, the others right",
            ),
            Self::JumperLeftIn => meaning(
                "the Rc-Rh clip left on with two supplies",
                "two transformers joined at the controller",
                "0 V from Rc to Rh; with commons joined a circulating current",
            ),
            Self::FuseOpen => meaning(
                "the fuse taken out",
                "a blown secondary fuse",
                "everything dead, the primary fine",
            ),
            Self::Supply => meaning(
                "a variable transformer",
                "mains too low or too high",
                "every line off by the same part",
            ),
            Self::WrongTap => meaning(
                "the primary on the higher tap",
                "208 V mains on the 240 V tap",
                "every line at 208/240 of its volts",
            ),
            _ => meaning(
                "a smaller transformer",
                "too small a transformer for its loads",
                "right at idle, sags as loads add",
            ),
        }
    }
}
