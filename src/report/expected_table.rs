//! The truth table for people and for programs: what `expected` prints.
//!
//! Place in the data's path: after the table, before the terminal. It adds no rule and judges
//! nothing; every word of a reason comes from the table.

use crate::domain::circuit::Band;
use crate::domain::profile::{Changeover, Interface, Kind};
use crate::domain::{Cell, Profile, Row, TruthTable};
use crate::units::{Terminal, Volts};
use serde::Serialize;
use std::collections::BTreeMap;
use std::io::{self, Write};

/// Lines whose whole band lies below this are named and not numbered.
const QUIET_BELOW: Volts = Volts(0.05);

/// Widest line of text, so that a table fits a terminal and a printed page.
const WIDTH: usize = 80;
/// Wide enough for the longest call, `auxiliary-heat-2`.
const CALL_WIDTH: usize = 18;
/// Wide enough for `either` and a gap.
const CELL_WIDTH: usize = 8;

const CAUTION: &str = "Assembled from trade practice, not copied from a published table. The \
                       equipment's own wiring diagram and the local code come first.";

/// Writes the table as text: the cells, the reason for each, and what holds across all calls.
///
/// # Errors
/// Whatever the writer reports.
pub fn write_text(profile: &Profile, table: &TruthTable, out: &mut dyn Write) -> io::Result<()> {
    writeln!(out, "{}", profile.name())?;
    write_wrapped(out, "", &equipment(profile))?;
    writeln!(out)?;
    write_wrapped(out, "", CAUTION)?;
    for lines in bands(table.lines()) {
        writeln!(out)?;
        write_band(table, lines, out)?;
    }
    writeln!(out)?;
    writeln!(
        out,
        "on: energised   off: dead   either: both are right   -: the call does not apply"
    )?;
    for row in table.rows() {
        writeln!(out)?;
        write_reasons(row, out)?;
    }
    writeln!(out, "\nIn every call")?;
    for rule in table.invariants() {
        write_wrapped(out, "  * ", rule)?;
    }
    Ok(())
}

/// Writes what a meter should read on each line at the equipment, for each row that applies.
///
/// # Errors
/// Whatever the writer reports.
pub fn write_volts(
    table: &TruthTable,
    volts: &[BTreeMap<Terminal, Band>],
    out: &mut dyn Write,
) -> io::Result<()> {
    writeln!(out, "\nVolts against C at the equipment, loads in place")?;
    let what = "Nominal, and in brackets what sound values leave: supply, cable, coils and joints \
                each at the end of its tolerance, added without sign. A meter's own error comes on \
                top. A line that may be either is taken as off. In two supplies a line is read \
                against the common of its own.";
    write_wrapped(out, "", what)?;
    for (row, bands) in table.rows().iter().zip(volts) {
        if !row.applicable {
            continue;
        }
        let lead = format!("  {:<CALL_WIDTH$}", row.call.to_string());
        for (index, cells) in band_rows(bands).into_iter().enumerate() {
            let lead = match index {
                0 => lead.clone(),
                _ => " ".repeat(lead.len()),
            };
            writeln!(out, "{lead}{}", cells.trim_end())?;
        }
    }
    Ok(())
}

/// The lines of one call, as many to a row as fit; those that nothing reaches share the last.
fn band_rows(bands: &BTreeMap<Terminal, Band>) -> Vec<String> {
    let (quiet, shown): (Vec<_>, Vec<_>) =
        bands.iter().partition(|(_, band)| band.high < QUIET_BELOW);
    let longest = bands.keys().map(|line| line.as_str().len()).max();
    let width = longest.unwrap_or(0).max(3);
    let cell = |(line, band): &(&Terminal, &Band)| {
        let range = format!("({:.1} to {:.1})", band.low.0, band.high.0);
        let name = line.as_str();
        format!("{name:<width$}{:5.1} {range:<15} ", band.nominal.0)
    };
    // The volts, the band and their gaps beside the name.
    let fitting = (WIDTH - CALL_WIDTH - 2) / (width + 22);
    let rows = shown
        .chunks(fitting.max(1))
        .map(|row| row.iter().map(cell).collect());
    let mut rows: Vec<String> = rows.collect();
    let mut last = String::new();
    for (line, _) in quiet {
        if last.is_empty() || last.len() + line.as_str().len() >= WIDTH - CALL_WIDTH - 4 {
            rows.extend((!last.is_empty()).then_some(last));
            last = format!("under {QUIET_BELOW}:");
        }
        last.push(' ');
        last.push_str(line.as_str());
    }
    rows.extend((!last.is_empty()).then_some(last));
    rows
}

fn equipment(profile: &Profile) -> String {
    let mut parts = vec![profile.kind().to_string()];
    if profile.interface() == Some(Interface::Conventional) {
        parts.push("conventional interface (W1 calls the heat pump)".to_owned());
    }
    if let Some(changeover) = profile.changeover() {
        let energised = match changeover {
            Changeover::O => "cooling",
            Changeover::B => "heating",
        };
        parts.push(format!(
            "reversing valve (O/B) on {}, energised in {energised}",
            changeover.terminal()
        ));
    }
    parts.push(stages("compressor", profile.compressor_stages()));
    parts.push(stages("heat", profile.heat_stages()));
    parts.join("; ")
}

fn stages(what: &str, count: u8) -> String {
    match count {
        0 => format!("no {what} stage"),
        1 => format!("1 {what} stage"),
        count => format!("{count} {what} stages"),
    }
}

/// The lines in groups that fit the width.
fn bands(lines: &[Terminal]) -> Vec<&[Terminal]> {
    let fitting = (WIDTH - CALL_WIDTH) / CELL_WIDTH;
    lines.chunks(fitting).collect()
}

fn write_band(table: &TruthTable, lines: &[Terminal], out: &mut dyn Write) -> io::Result<()> {
    let heads = lines.iter().map(|line| line.as_str().to_owned());
    write_row("call", heads, out)?;
    for row in table.rows() {
        let cells = lines.iter().map(|line| {
            row.cells
                .get(line)
                .map_or_else(|| "-".to_owned(), |cell| cell.expected.to_string())
        });
        write_row(&row.call.to_string(), cells, out)?;
    }
    Ok(())
}

fn write_row(
    call: &str,
    cells: impl Iterator<Item = String>,
    out: &mut dyn Write,
) -> io::Result<()> {
    let mut text = format!("{call:<CALL_WIDTH$}");
    for cell in cells {
        // A terminal's name may be longer than a cell: it keeps its gap.
        text.push_str(&format!("{cell:<width$} ", width = CELL_WIDTH - 1));
    }
    writeln!(out, "{}", text.trim_end())
}

fn write_reasons(row: &Row, out: &mut dyn Write) -> io::Result<()> {
    writeln!(out, "{}", row.call)?;
    if !row.applicable {
        return write_wrapped(out, "  does not apply: ", &row.why_not);
    }
    for (cell, lines) in alike(row) {
        let names: Vec<&str> = lines.iter().map(|line| line.as_str()).collect();
        let lead = format!("  {:<7} ", cell.expected.word());
        let text = format!("{}: {}", names.join(" "), cell.reason);
        write_wrapped(out, &lead, &text)?;
    }
    Ok(())
}

/// Lines with the same cell, one reason for all of them, in the order of the strip.
fn alike(row: &Row) -> Vec<(&Cell, Vec<&Terminal>)> {
    let mut groups: Vec<(&Cell, Vec<&Terminal>)> = Vec::new();
    for (line, cell) in &row.cells {
        match groups.iter_mut().find(|(known, _)| *known == cell) {
            Some((_, lines)) => lines.push(line),
            None => groups.push((cell, vec![line])),
        }
    }
    groups
}

/// Writes words after a lead, further lines under the first word.
fn write_wrapped(out: &mut dyn Write, lead: &str, text: &str) -> io::Result<()> {
    let indent = lead.chars().count();
    let mut line = lead.to_owned();
    let mut used = indent;
    for word in text.split_whitespace() {
        let length = word.chars().count();
        if used > indent && used + 1 + length > WIDTH {
            writeln!(out, "{}", line.trim_end())?;
            line = " ".repeat(indent);
            used = indent;
        }
        if used > indent {
            line.push(' ');
            used += 1;
        }
        line.push_str(word);
        used += length;
    }
    writeln!(out, "{}", line.trim_end())
}

#[derive(Serialize)]
struct ExpectedJson<'a> {
    format: &'static str,
    version: u32,
    profile: ProfileJson<'a>,
    rows: Vec<RowJson<'a>>,
    invariants: &'a [String],
}

#[derive(Serialize)]
struct ProfileJson<'a> {
    name: &'a str,
    kind: Kind,
    interface: Option<Interface>,
    changeover: Option<Changeover>,
    stages: StagesJson,
}

#[derive(Serialize)]
struct StagesJson {
    compressor: u8,
    heat: u8,
}

#[derive(Serialize)]
struct RowJson<'a> {
    call: String,
    applicable: bool,
    lines: &'a BTreeMap<Terminal, Cell>,
    #[serde(skip_serializing_if = "Option::is_none")]
    volts: Option<&'a BTreeMap<Terminal, Band>>,
}

/// Writes the table as `coilcall.expected`, version 1.
///
/// # Errors
/// Whatever the writer reports.
pub fn write_json(profile: &Profile, table: &TruthTable, out: &mut dyn Write) -> io::Result<()> {
    write_json_with_volts(profile, table, &[], out)
}

/// The same with what a meter should read at the equipment, for each row of the table.
///
/// # Errors
/// Whatever the writer reports.
pub fn write_json_with_volts(
    profile: &Profile,
    table: &TruthTable,
    volts: &[BTreeMap<Terminal, Band>],
    out: &mut dyn Write,
) -> io::Result<()> {
    let rows = table.rows().iter().enumerate().map(|(index, row)| RowJson {
        call: row.call.to_string(),
        applicable: row.applicable,
        lines: &row.cells,
        volts: volts.get(index),
    });
    let document = ExpectedJson {
        format: "coilcall.expected",
        version: 1,
        profile: ProfileJson {
            name: profile.name(),
            kind: profile.kind(),
            interface: profile.interface(),
            changeover: profile.changeover(),
            stages: StagesJson {
                compressor: profile.compressor_stages(),
                heat: profile.heat_stages(),
            },
        },
        rows: rows.collect(),
        invariants: table.invariants(),
    };
    serde_json::to_writer_pretty(&mut *out, &document)?;
    writeln!(out)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::domain::profile::{Accessory, Active, Direction, FanInHeat, ProfileDraft};
    use serde_json::{Value, json};

    fn draft() -> ProfileDraft {
        ProfileDraft {
            name: Some("Two-stage heat pump".to_owned()),
            kind: Some(Kind::HeatPump),
            compressor_stages: Some(2),
            heat_stages: Some(1),
            changeover: Some(Changeover::O),
            fan_in_heat: Some(FanInHeat::Controller),
            ..ProfileDraft::default()
        }
    }

    fn written(
        draft: ProfileDraft,
        write: fn(&Profile, &TruthTable, &mut dyn Write) -> io::Result<()>,
    ) -> String {
        let profile = Profile::new(draft).expect("a sound draft");
        let mut bytes = Vec::new();
        write(&profile, &TruthTable::of(&profile), &mut bytes).expect("memory takes every byte");
        String::from_utf8(bytes).expect("text")
    }

    fn json_of(draft: ProfileDraft) -> Value {
        serde_json::from_str(&written(draft, write_json)).expect("well-formed JSON")
    }

    fn keys(value: &Value) -> Vec<&str> {
        value
            .as_object()
            .expect("an object")
            .keys()
            .map(String::as_str)
            .collect()
    }

    #[test]
    fn json_has_the_keys_of_the_contract_and_no_others() {
        let document = json_of(draft());
        assert_eq!(
            keys(&document),
            ["format", "invariants", "profile", "rows", "version"]
        );
        assert_eq!(document["format"], "coilcall.expected");
        assert_eq!(document["version"], 1);
        assert_eq!(
            document["profile"],
            json!({
                "name": "Two-stage heat pump", "kind": "heat-pump", "interface": "changeover",
                "changeover": "o", "stages": {"compressor": 2, "heat": 1},
            })
        );
        let rows = document["rows"].as_array().expect("rows");
        let calls: Vec<&Value> = rows.iter().map(|row| &row["call"]).collect();
        assert_eq!(
            calls,
            [
                "idle",
                "fan-only",
                "cooling-1",
                "cooling-2",
                "heating-1",
                "heating-2",
                "auxiliary-heat",
                "auxiliary-heat-2",
                "emergency-heat"
            ]
        );
        assert_eq!(keys(&rows[2]), ["applicable", "call", "lines"]);
        assert_eq!(rows[2]["applicable"], true);
        assert_eq!(keys(&rows[2]["lines"]), ["G", "O", "W2", "Y1", "Y2"]);
        assert_eq!(keys(&rows[2]["lines"]["O"]), ["expected", "reason"]);
        assert_eq!(rows[2]["lines"]["O"]["expected"], "on");
        assert_eq!(rows[1]["lines"]["O"]["expected"], "either");
        assert_eq!(rows[7]["applicable"], false);
        assert_eq!(rows[7]["lines"], json!({}));
    }

    #[test]
    fn a_furnace_has_neither_interface_nor_changeover() {
        let document = json_of(ProfileDraft {
            kind: Some(Kind::FurnaceAndCooling),
            changeover: None,
            ..draft()
        });
        assert_eq!(document["profile"]["interface"], Value::Null);
        assert_eq!(document["profile"]["changeover"], Value::Null);
    }

    #[test]
    fn text_shows_each_row_its_reasons_and_its_origin() {
        let text = written(draft(), write_text);
        for expected in [
            "cooling-1         on      off     on      on      off",
            "auxiliary-heat-2  -       -       -       -       -\n",
            "  on      O: O is energised in cooling (convention O)",
            "  does not apply: there is no auxiliary heat stage 2",
            "not copied from a published table",
            "  * Y2 never without Y1",
        ] {
            assert!(text.contains(expected), "{expected:?} is not in\n{text}");
        }
    }

    #[test]
    fn a_strip_of_many_lines_is_shown_in_bands_that_fit() {
        let accessories = ["D1", "D2", "D3", "D4", "D5", "D6", "LONGEST-NAME"];
        let text = written(
            ProfileDraft {
                accessories: accessories
                    .map(|name| Accessory {
                        terminal: Terminal::known(name),
                        direction: Direction::Output,
                        active: Active::On,
                        on_in: Vec::new(),
                        either_in: Vec::new(),
                    })
                    .into(),
                ..draft()
            },
            write_text,
        );
        let widest = text.lines().map(|line| line.chars().count()).max();
        assert!(widest <= Some(WIDTH), "{widest:?} columns in\n{text}");
        let heads = text
            .lines()
            .filter(|line| line.starts_with("call "))
            .count();
        assert_eq!(heads, 2);
    }
}
