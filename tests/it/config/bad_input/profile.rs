//! A bad value for each key of a profile file.

use super::Row;

pub(super) const SOUND: &str = r#"name = "Every table"

[equipment]
kind = "heat-pump"
interface = "changeover"
compressor_stages = 2
heat_stages = 1
changeover = "o"
changeover_at_rest = "either"
heat = "electric"
fan_in_heat = "controller"
fan_line = true
auxiliary = "adds"
auxiliary_lines = ["W2"]
emergency = ["W2"]
present = ["E"]
tied = [["W2", "E"]]
common_on = "C"

[supply]
arrangement = "single"

[timing]
minimum_off_s = 300

[[accessory]]
terminal = "HUM"
direction = "output"
active = "on"
on_in = ["heating-1"]
either_in = ["emergency-heat"]
"#;

#[rustfmt::skip] // One row, one line: a table.
pub(super) const ROWS: &[Row] = &[
    ("", "name", "\"\"", "found an empty one"),
    ("", "equipment", "3", "expected a table, found 3"),
    ("", "supply", "3", "expected a table, found 3"),
    ("", "circuit", "3", "expected a table, found 3"),
    ("", "timing", "3", "expected a table, found 3"),
    ("", "accessory", "3", "expected tables headed [[accessory]], found 3"),
    ("[equipment]", "kind", "\"heatpump\"", "did you mean `heat-pump`?"),
    ("[equipment]", "interface", "\"change-over\"", "did you mean `changeover`?"),
    ("[equipment]", "compressor_stages", "3.5", "a whole number from 0 to 2, found 3.5"),
    ("[equipment]", "heat_stages", "-1", "a whole number from 0 to 2, found -1"),
    ("[equipment]", "changeover", "\"r\"", "is not one of o, b"),
    ("[equipment]", "changeover_at_rest", "\"follow-mode\"", "did you mean `follows-mode`?"),
    ("[equipment]", "heat", "\"gas\"", "is not one of electric, fuel, hydronic"),
    ("[equipment]", "fan_in_heat", "\"contoller\"", "did you mean `controller`?"),
    ("[equipment]", "fan_line", "7", "expected true or false, found 7"),
    ("[equipment]", "auxiliary", "\"add\"", "did you mean `adds`?"),
    ("[equipment]", "auxiliary_lines", "[\"W2\", «7]",
        "expected a terminal's name in quotes, found 7"),
    ("[equipment]", "emergency", "[«\"2W\"]", "2W"),
    ("[equipment]", "present", "\"E\"", "an array of terminals' names, found"),
    ("[equipment]", "tied", "[«\"W2\"]", "an array of terminals' names"),
    ("[equipment]", "common_on", "7", "a terminal's name in quotes, found 7"),
    ("[supply]", "arrangement", "\"doubled\"", "is not one of single, dual"),
    ("[timing]", "minimum_off_s", "86401", "from 0 to 86400, found 86401"),
    ("[timing]", "heat_fan_delay_s", "3601", "from 0 to 3600, found 3601"),
    ("[timing]", "fan_off_delay_s", "3601", "from 0 to 3600, found 3601"),
    ("[timing]", "cool_down_s", "3601", "from 0 to 3600, found 3601"),
    ("[[accessory]]", "terminal", "\"2H\"", "2H"),
    ("[[accessory]]", "direction", "\"outputs\"", "did you mean `output`?"),
    ("[[accessory]]", "active", "\"offf\"", "did you mean `off`?"),
    ("[[accessory]]", "on_in", "[«\"heating1\"]", "did you mean `heating-1`?"),
    ("[[accessory]]", "either_in", "[«\"alone:Y1\"]", "an accessory cannot act in it"),
];
