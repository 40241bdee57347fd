//! What a named person confirms before a run on real or lifted loads.
//!
//! Place in the data's path: the plan lists what applies, the runner asks it point by point, and
//! the record keeps what was confirmed. A confirmation is a person's word: nothing here is
//! measured. The points are common practice, no source.

use super::bench_map::Loads;
use super::profile::{Heat, Kind, Profile, file_words};
use serde::{Deserialize, Serialize};

file_words!(
    /// One point.
    Check {
        /// Mains isolation is understood.
        MainsIsolation = "mains-isolation",
        /// The outdoor temperature suits every call of the run.
        OutdoorTemperature = "outdoor-temperature",
        /// The crankcase heater has been on for long enough.
        CrankcaseHeat = "crankcase-heat",
        /// Service and fuel valves are open.
        ValvesOpen = "valves-open",
        /// Filters are in.
        FiltersIn = "filters-in",
        /// There is water in the boiler or the coil.
        WaterInBoiler = "water-in-boiler",
        /// Every load is lifted.
        LoadsDisconnected = "loads-disconnected",
    }
);

impl Check {
    /// The points that apply to this equipment on this kind of load; none on dummy loads.
    #[must_use]
    pub fn applying(profile: &Profile, loads: Loads) -> Vec<Self> {
        match loads {
            Loads::Dummy => Vec::new(),
            Loads::Disconnected => vec![Self::LoadsDisconnected],
            Loads::Real => {
                let has_compressor = profile.compressor_stages() > 0;
                let burns = profile.heat() == Heat::Fuel && profile.heat_stages() > 0;
                let has_water = profile.kind() == Kind::HeatPumpAndBoiler
                    || (profile.heat() == Heat::Hydronic && profile.heat_stages() > 0);
                let has_air = profile.fan_line() || has_compressor;
                [
                    (Self::MainsIsolation, true),
                    (Self::OutdoorTemperature, has_compressor || burns),
                    (Self::CrankcaseHeat, has_compressor),
                    (Self::ValvesOpen, has_compressor || burns || has_water),
                    (Self::FiltersIn, has_air),
                    (Self::WaterInBoiler, has_water),
                ]
                .into_iter()
                .filter_map(|(check, applies)| applies.then_some(check))
                .collect()
            }
        }
    }

    /// What has been confirmed, as a report says it.
    #[must_use]
    pub fn confirmed(self) -> &'static str {
        match self {
            Self::MainsIsolation => "mains isolation understood and within reach",
            Self::OutdoorTemperature => "outdoor temperature within limits for every mode",
            Self::CrankcaseHeat => "crankcase heat on long enough",
            Self::ValvesOpen => "valves open",
            Self::FiltersIn => "filters in, registers open",
            Self::WaterInBoiler => "water in the boiler or coil",
            Self::LoadsDisconnected => "every load lifted",
        }
    }

    /// The question put to the person.
    #[must_use]
    pub fn question(self) -> &'static str {
        match self {
            Self::MainsIsolation => {
                "Real machines will start. Is the mains disconnect of every machine known and \
                 within reach, and is it understood that stopping this program isolates nothing?"
            }
            Self::OutdoorTemperature => {
                "Is the outdoor temperature inside the maker's limits for every mode of this run, \
                 cooling and heating alike?"
            }
            Self::CrankcaseHeat => {
                "Has the crankcase heater been powered as long as the maker asks? Say yes where \
                 there is none."
            }
            Self::ValvesOpen => "Are the service, fuel and water valves open?",
            Self::FiltersIn => "Are the filters in, and the registers open?",
            Self::WaterInBoiler => {
                "Is there water in the boiler or the coil, at its working pressure?"
            }
            Self::LoadsDisconnected => {
                "Is every load lifted from the lines, so that no machine can start?"
            }
        }
    }
}
