//! Every key of a profile with the value that holds, given or by default.
//!
//! Place in the data's path: `check` shows the list. Keys that mean nothing for the equipment are
//! left out.

use super::definition::Profile;
use super::draft::{Accessory, ProfileDraft};
use super::words::{Active, Auxiliary, Direction, Interface, Kind, file_words};
use crate::domain::Call;
use crate::units::Terminal;
use serde::{Deserialize, Serialize};
use std::collections::BTreeSet;

file_words!(
    /// Where a value comes from.
    Origin {
        /// The file says it.
        Given = "given",
        /// The file does not, and this is what holds then.
        Default = "default",
    }
);

/// One key with the value that holds.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct EffectiveKey {
    /// The key, as a path: `equipment.kind`, `accessory[0].active`.
    pub key: String,
    /// The value as TOML text.
    pub value: String,
    /// Whether the file gave it.
    pub origin: Origin,
}

/// The keys that a draft has, of those with a default.
pub(super) fn keys_given(draft: &ProfileDraft) -> BTreeSet<&'static str> {
    [
        ("equipment.interface", draft.interface.is_some()),
        (
            "equipment.changeover_at_rest",
            draft.changeover_at_rest.is_some(),
        ),
        ("equipment.heat", draft.heat.is_some()),
        ("equipment.fan_line", draft.fan_line.is_some()),
        ("equipment.auxiliary", draft.auxiliary.is_some()),
        ("equipment.auxiliary_lines", draft.auxiliary_lines.is_some()),
        ("equipment.emergency", draft.emergency.is_some()),
        ("equipment.present", draft.present.is_some()),
        ("equipment.tied", draft.tied.is_some()),
        ("equipment.common_on", draft.common_on.is_some()),
        ("supply.arrangement", draft.arrangement.is_some()),
        ("timing.minimum_off_s", draft.minimum_off_s.is_some()),
        ("timing.heat_fan_delay_s", draft.heat_fan_delay_s.is_some()),
        ("timing.fan_off_delay_s", draft.fan_off_delay_s.is_some()),
        ("timing.cool_down_s", draft.cool_down_s.is_some()),
    ]
    .into_iter()
    .filter_map(|(key, given)| given.then_some(key))
    .collect()
}

impl Profile {
    /// Every key that means something for this equipment, with the value that holds.
    ///
    /// An accessory's defaults were filled in when it was read: a value of its that equals the
    /// default is listed as the default.
    #[must_use]
    pub fn effective_keys(&self) -> Vec<EffectiveKey> {
        let mut list = KeyList {
            given: &self.given,
            keys: Vec::new(),
        };
        list.required("name", quoted(&self.name));
        list.required("equipment.kind", quoted(self.kind.word()));
        if let Some(interface) = self.interface {
            list.optional("equipment.interface", quoted(interface.word()));
        }
        list.required(
            "equipment.compressor_stages",
            self.compressor_stages.to_string(),
        );
        list.required("equipment.heat_stages", self.heat_stages.to_string());
        if let Some(changeover) = self.changeover {
            list.required("equipment.changeover", quoted(changeover.word()));
            list.optional(
                "equipment.changeover_at_rest",
                quoted(self.changeover_at_rest.word()),
            );
        }
        list.optional("equipment.heat", quoted(self.heat.word()));
        if let Some(fan) = self.fan_in_heat {
            list.required("equipment.fan_in_heat", quoted(fan.word()));
        }
        list.optional("equipment.fan_line", self.fan_line.to_string());
        self.list_heat_lines(&mut list);
        list.optional("equipment.present", terminals(&self.present));
        let tied: Vec<String> = self.tied.iter().map(terminals).collect();
        list.optional("equipment.tied", array(&tied));
        list.optional("equipment.common_on", quoted(self.common_on.as_str()));
        list.optional("supply.arrangement", quoted(self.arrangement.word()));
        list.optional("timing.minimum_off_s", self.minimum_off.0.to_string());
        list.optional("timing.heat_fan_delay_s", self.heat_fan_delay.0.to_string());
        list.optional("timing.fan_off_delay_s", self.fan_off_delay.0.to_string());
        if self.auxiliary == Auxiliary::Replaces {
            list.optional("timing.cool_down_s", self.cool_down.0.to_string());
        }
        for (place, accessory) in self.accessories.iter().enumerate() {
            list.accessory(place, accessory);
        }
        list.keys
    }

    fn list_heat_lines(&self, list: &mut KeyList<'_>) {
        if self.kind == Kind::FurnaceAndCooling {
            return;
        }
        if self.interface == Some(Interface::Changeover) {
            list.optional("equipment.auxiliary", quoted(self.auxiliary.word()));
        }
        if self.heat_stages > 0 {
            list.optional(
                "equipment.auxiliary_lines",
                terminals(&self.auxiliary_lines),
            );
            list.optional("equipment.emergency", terminals(&self.emergency));
        }
    }
}

struct KeyList<'a> {
    given: &'a BTreeSet<&'static str>,
    keys: Vec<EffectiveKey>,
}

impl KeyList<'_> {
    fn required(&mut self, key: &str, value: String) {
        self.push(key, value, Origin::Given);
    }

    fn optional(&mut self, key: &str, value: String) {
        let origin = if self.given.contains(key) {
            Origin::Given
        } else {
            Origin::Default
        };
        self.push(key, value, origin);
    }

    fn accessory(&mut self, place: usize, accessory: &Accessory) {
        let calls = |list: &[Call]| {
            let names: Vec<String> = list.iter().map(|call| quoted(&call.to_string())).collect();
            array(&names)
        };
        let keys = [
            ("terminal", quoted(accessory.terminal.as_str()), false),
            (
                "direction",
                quoted(accessory.direction.word()),
                accessory.direction == Direction::Output,
            ),
            (
                "active",
                quoted(accessory.active.word()),
                accessory.active == Active::On,
            ),
            ("on_in", calls(&accessory.on_in), accessory.on_in.is_empty()),
            (
                "either_in",
                calls(&accessory.either_in),
                accessory.either_in.is_empty(),
            ),
        ];
        for (word, value, is_default) in keys {
            let origin = if is_default {
                Origin::Default
            } else {
                Origin::Given
            };
            self.push(&format!("accessory[{place}].{word}"), value, origin);
        }
    }

    fn push(&mut self, key: &str, value: String, origin: Origin) {
        self.keys.push(EffectiveKey {
            key: key.to_owned(),
            value,
            origin,
        });
    }
}

fn quoted(text: &str) -> String {
    toml::Value::from(text).to_string()
}

fn array(items: &[String]) -> String {
    format!("[{}]", items.join(", "))
}

fn terminals<'a>(list: impl IntoIterator<Item = &'a Terminal>) -> String {
    let names: Vec<String> = list.into_iter().map(|t| quoted(t.as_str())).collect();
    array(&names)
}
