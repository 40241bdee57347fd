//! A bad value for each key that only a room controller's bench has.

use super::Row;

pub(super) const SOUND: &str = r#"name = "Every table of a controller's supply"
under_test = "controller"
loads = "dummy"

[link.board]
tcp = "192.0.2.7:502"

[device.board]
link = "board"

[device.board.modbus-tcp]
unit = 1
coils = 16
discrete_inputs = 16

[supply]
source = "bench"
c_to_controller = true

[supply.sense]
device = "board"
input = 8

[supply.interrupt]
device = "board"
coil = 15

[[supply.levels]]
name = "low"
device = "board"
coil = 14
volts = 20

[[line]]
terminal = "Y1"
sense = { device = "board", input = 0 }

[stimulus.cooling-1]
device = "board"
coil = 0

[timing]
power_loss_ms = 10000
controller_minimum_off_ms = 180000
"#;

#[rustfmt::skip] // One row, one line: a table.
pub(super) const ROWS: &[Row] = &[
    ("[supply]", "interrupt", "3", "expected a table, found 3"),
    ("[supply.interrupt]", "device", "\"bord\"", "did you mean `board`?"),
    ("[supply.interrupt]", "coil", "16", "coil 16 is out of range"),
    ("[supply]", "levels", "3", "expected tables headed [[supply.levels]], found 3"),
    ("[[supply.levels]]", "name", "7", "expected a text in quotes, found 7"),
    ("[[supply.levels]]", "device", "\"bord\"", "did you mean `board`?"),
    ("[[supply.levels]]", "coil", "16", "coil 16 is out of range"),
    ("[[supply.levels]]", "volts", "31", "31"),
    ("[timing]", "power_loss_ms", "7200001", "from 1 to 7200000"),
    ("[timing]", "controller_minimum_off_ms", "7200001", "7200001"),
];
