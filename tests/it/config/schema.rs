//! The schemas against the readers, judged by an independent implementation.
//!
//! Outside source: jsonschema (PyPI) implements JSON Schema draft-07; Python's tomllib reads the
//! files. What it says is compared with what the readers say of the same text.

use coilcall::config::{
    ConfigErrors, answers_schema, bench_schema, parse_bench, parse_profile, profile_schema,
};
use serde_json::Value;
use std::collections::BTreeSet;
use std::io::Write;
use std::path::Path;
use std::process::{Command, Stdio};
use toml::{Table, Value as Toml};

/// What jsonschema says of each (schema, text), `toml` or `json`: nothing where it is valid.
pub(crate) fn judged_outside(asked: &[(&Value, &str)], form: &str) -> Vec<Option<String>> {
    let python = std::env::var_os("COILCALL_PYTHON").expect(
        "COILCALL_PYTHON is not set: scripts/test installs what this test needs and sets it",
    );
    let asked: Vec<[String; 3]> = asked
        .iter()
        .map(|(schema, text)| [schema.to_string(), form.to_owned(), (*text).to_owned()])
        .collect();
    let mut child = Command::new(python)
        .arg(concat!(
            env!("CARGO_MANIFEST_DIR"),
            "/tests/outside/validate.py"
        ))
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .spawn()
        .expect("the interpreter starts");
    let mut input = child.stdin.take().expect("piped");
    let writer = std::thread::spawn(move || {
        let asked = serde_json::to_vec(&asked).expect("texts");
        input.write_all(&asked).expect("read to the end");
    });
    let output = child.wait_with_output().expect("it ends");
    writer.join().expect("written");
    assert!(output.status.success());
    serde_json::from_slice(&output.stdout).expect("it prints JSON")
}

/// A bench with every table that a bench file may have.
const RICH_BENCH: &str = include_str!("../../fixtures/schemas/rich_bench.toml");

/// A profile with every table that a profile file may have.
const RICH_PROFILE: &str = r#"
name = "Everything"
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
on_in = ["heating-1", "defrost"]
either_in = ["emergency-heat"]
[circuit]
outdoor_board_ohms = 96
[circuit.supply]
rated_va = 75
full_load_v = 24
fuse_opens_above_a = 4
[circuit.outdoor_cable]
length_ft = 35
[circuit.coil.W2]
sealed_ohms = 90
dc_ohms = 80
[circuit.joint.Rc]
controller_ohms = 2
"#;

fn bench_errors(text: &str) -> Option<ConfigErrors> {
    parse_bench(Path::new("bench.toml"), text.to_owned()).err()
}

fn profile_errors(text: &str) -> Option<ConfigErrors> {
    parse_profile(Path::new("profile.toml"), text.to_owned()).err()
}

type Errors = fn(&str) -> Option<ConfigErrors>;

fn both_kinds() -> [(Value, &'static str, Errors); 2] {
    [
        (bench_schema(), RICH_BENCH, bench_errors),
        (profile_schema(), RICH_PROFILE, profile_errors),
    ]
}

#[test]
fn what_the_readers_take_the_schemas_take() {
    let (bench, profile) = (bench_schema(), profile_schema());
    let mut asked = vec![
        (&bench, RICH_BENCH.to_owned()),
        (&profile, RICH_PROFILE.to_owned()),
    ];
    for (schema, folder) in [(&bench, "benches"), (&profile, "profiles")] {
        let folder = Path::new(env!("CARGO_MANIFEST_DIR"))
            .join("benches-config")
            .join(folder);
        for entry in std::fs::read_dir(folder).expect("the folder is there") {
            let path = entry.expect("an entry").path();
            asked.push((schema, std::fs::read_to_string(path).expect("read")));
        }
    }
    assert!(asked.len() >= 30, "{}", asked.len());
    for (_, text, errors) in both_kinds() {
        assert!(errors(text).is_none(), "{:?}", errors(text));
    }
    let asked: Vec<(&Value, &str)> = asked.iter().map(|(s, text)| (*s, text.as_str())).collect();
    for (said, (_, text)) in judged_outside(&asked, "toml").into_iter().zip(&asked) {
        assert_eq!(said, None, "{text}");
    }
}

/// One change to a rich file that makes it wrong.
const WRONG_BENCHES: [(&str, &str); 42] = [
    ("under_test = \"wiring\"", "under_test = \"cable\""),
    ("loads = \"dummy\"", "load = \"dummy\""),
    ("name = \"Everything\"", "name = \"  \""),
    ("name = \"Everything\"", "name = \"a\\tb\""),
    ("[link.board]", "[link.\"bo ard\"]"),
    ("baud = 9600", "baud = 49"),
    ("baud = 9600", "baud = 4000001"),
    ("parity = \"even\"", "parity = \"mark\""),
    ("stop_bits = 1", "stop_bits = 3"),
    (
        "path = \"/dev/ttyUSB0\"",
        "path = \"/dev/ttyUSB0\", usb = { vendor = 1 }",
    ),
    ("reply_timeout_ms = 800", "reply_timeout_ms = 0"),
    ("late_reply_ms = 1600", "late_reply_ms = 120001"),
    ("tcp = \"192.0.2.7:502\"", "tcp = \"192.0.2.7\""),
    ("tcp = \"192.0.2.7:502\"", "tcp = \"192.0.2.7:65536\""),
    ("unit = 1,", "unit = 248,"),
    ("unit = 255", "unit = 256"),
    ("coils = 16", "coils = 1969"),
    ("discrete_inputs = 8", "discrete_inputs = 2001"),
    (
        "modbus-tcp = { unit = 255, discrete_inputs = 8 }",
        "modbus-tcp = { unit = 255 }",
    ),
    ("percent = 0.7, ", ""),
    ("input_ohms = 10e6", "input_ohms = 0"),
    ("close = \"C{relay}\"", "close = \"C\""),
    ("state_open = \"0\", ", ""),
    ("reading = \"AC {value}\"", "reading = \"{value} {value}\""),
    ("line_end = \"crlf\"", "line_end = \"lfcr\""),
    ("source = \"equipment\"", "source = \"mains\""),
    ("terminal = \"G\"", "terminal = \"Rc\""),
    ("power_factor = 0.5", "power_factor = 1.5"),
    ("quantity = \"presence\"", "quantity = \"ac-volts\""),
    ("operator = true", "operator = true, device = \"board\""),
    ("[stimulus.cooling-1]", "[stimulus.cool]"),
    ("mains_hertz = 50", "mains_hertz = 55"),
    ("samples = 8", "samples = 33"),
    ("rated_va = 75", "rated_va = 0"),
    ("rated_va = 75", "rating_va = 75"),
    ("rated_va = 75", "rated_va = 75\nfuse_opens_above_a = 3"),
    ("awg = 22", "awg = 41"),
    ("temperature_c = -20", "temperature_c = -61"),
    ("stranding = \"stranded\"", "stranding = \"braided\""),
    ("[circuit.coil.G]", "[circuit.coil.\"2W\"]"),
    ("controller_ohms = 0", "controller_ohms = -1"),
    ("common_earthed = false", "common_earthed = \"no\""),
];

const WRONG_PROFILES: [(&str, &str); 20] = [
    ("kind = \"heat-pump\"", "kind = \"chiller\""),
    ("kind = \"heat-pump\"", ""),
    ("interface = \"changeover\"", "interface = \"conventional\""),
    ("compressor_stages = 2", "compressor_stages = 3"),
    ("compressor_stages = 2", "compressor_stages = 0"),
    ("heat_stages = 1", "heat_stages = 0"),
    ("changeover = \"o\"", "changeover = \"r\""),
    ("changeover = \"o\"\n", "\n"),
    ("fan_in_heat = \"controller\"", "fan_in_heat = \"none\""),
    ("fan_in_heat = \"controller\"", ""),
    ("fan_line = true", "fan_line = false"),
    ("fan_line = true", "fan_line = \"true\""),
    ("auxiliary_lines = [\"W2\"]", "auxiliary_lines = [\"2W\"]"),
    ("present = [\"E\"]", "present = [\"E\", \"E\"]"),
    ("tied = [[\"W2\", \"E\"]]", "tied = [[\"W2\"]]"),
    ("arrangement = \"single\"", "arrangement = \"double\""),
    ("minimum_off_s = 300", "minimum_off_s = 86401"),
    ("direction = \"output\"", "direction = \"out\""),
    ("\"defrost\"", "\"alone:Y1\""),
    ("terminal = \"HUM\"", "terminal = \"HUMIDIFIER-12\""),
];

#[test]
fn what_the_schemas_refuse_the_readers_refuse() {
    let kinds = both_kinds();
    let wrong = [&WRONG_BENCHES[..], &WRONG_PROFILES[..]];
    let mut asked: Vec<(&Value, String)> = Vec::new();
    for ((schema, rich, errors), changes) in kinds.iter().zip(wrong) {
        for (from, to) in changes {
            assert!(rich.contains(from), "{from}");
            let text = rich.replacen(from, to, 1);
            assert!(
                errors(&text).is_some(),
                "the reader takes {to:?} for {from:?}"
            );
            asked.push((schema, text));
        }
    }
    let asked: Vec<(&Value, &str)> = asked.iter().map(|(s, text)| (*s, text.as_str())).collect();
    for (said, (_, text)) in judged_outside(&asked, "toml").into_iter().zip(&asked) {
        assert!(said.is_some(), "the schema takes {text}");
    }
}

/// Profiles of every kind, most of them wrong in some way.
fn many_profiles() -> Vec<String> {
    let parts: [&[&str]; 9] = [
        &[
            "kind = \"heat-pump\"",
            "kind = \"furnace-and-cooling\"",
            "kind = \"dual-fuel\"",
            "kind = \"heat-pump-and-boiler\"",
        ],
        &[
            "",
            "interface = \"changeover\"",
            "interface = \"conventional\"",
        ],
        &[
            "compressor_stages = 0",
            "compressor_stages = 1",
            "compressor_stages = 2",
        ],
        &["heat_stages = 0", "heat_stages = 1", "heat_stages = 2"],
        &["", "changeover = \"b\""],
        &["", "fan_in_heat = \"controller\"", "fan_in_heat = \"none\""],
        &["", "auxiliary = \"adds\"", "auxiliary = \"replaces\""],
        &["", "emergency = []", "emergency = [\"W2\"]"],
        &["", "fan_line = false"],
    ];
    let mut texts = vec!["name = \"One\"\n[equipment]".to_owned()];
    for choices in parts {
        let with = |text: &String| {
            choices
                .iter()
                .map(|c| format!("{text}\n{c}"))
                .collect::<Vec<_>>()
        };
        texts = texts.iter().flat_map(with).collect();
    }
    texts
}

#[test]
fn the_schema_of_profiles_never_refuses_what_the_reader_takes() {
    let schema = profile_schema();
    let texts = many_profiles();
    let (taken, refused): (Vec<&String>, Vec<&String>) = texts
        .iter()
        .partition(|text| profile_errors(text).is_none());
    assert!(taken.len() > 200, "{}", taken.len());
    let of = |texts: &[&String]| {
        let asked: Vec<(&Value, &str)> = texts.iter().map(|t| (&schema, t.as_str())).collect();
        judged_outside(&asked, "toml")
    };
    for (said, text) in of(&taken).into_iter().zip(&taken) {
        assert_eq!(said, None, "{text}");
    }
    // Of the wrong ones it knows nearly all; one in nine stands for them.
    let sample: Vec<&String> = refused.into_iter().step_by(9).collect();
    let known = of(&sample).iter().flatten().count();
    assert!(
        known * 100 >= sample.len() * 95,
        "{known} of {}",
        sample.len()
    );
}

const UNKNOWN: &str = "nobody-asks-for-this-key";

/// Every table of a document, by its path.
fn tables(value: &Toml, path: &[Step], found: &mut Vec<Vec<Step>>) {
    match value {
        Toml::Table(table) => {
            found.push(path.to_vec());
            for (key, inner) in table {
                tables(inner, &[path, &[Step::Key(key.clone())]].concat(), found);
            }
        }
        Toml::Array(items) => {
            for (index, inner) in items.iter().enumerate() {
                tables(inner, &[path, &[Step::Item(index)]].concat(), found);
            }
        }
        _ => {}
    }
}

#[derive(Debug, Clone, PartialEq)]
enum Step {
    Key(String),
    Item(usize),
}

fn at<'a>(value: &'a mut Toml, path: &[Step]) -> &'a mut Toml {
    path.iter().fold(value, |value, step| match step {
        Step::Key(key) => &mut value[key.as_str()],
        Step::Item(index) => &mut value[*index],
    })
}

/// The keys that the reader says it knows in the table, or nothing where the table holds names.
fn known_to_reader(document: &Toml, path: &[Step], errors: Errors) -> Option<BTreeSet<String>> {
    let mut document = document.clone();
    let table = at(&mut document, path).as_table_mut().expect("a table");
    table.insert(UNKNOWN.to_owned(), Toml::Integer(1));
    let text = toml::to_string(&document).expect("written");
    let errors = errors(&text).expect("a key that nobody knows is refused");
    let unknown = format!("unknown key `{UNKNOWN}`");
    let problem = errors.problems().iter().find(|p| p.message == unknown)?;
    let help = problem.help.as_deref()?.strip_prefix("known here: ")?;
    Some(help.split(", ").map(str::to_owned).collect())
}

/// The schema's keys of the table; of several choices, that which fits the table's own keys.
fn known_to_schema(schema: &Value, document: &Toml, path: &[Step]) -> Option<BTreeSet<String>> {
    let mut schema = fitting(schema, document);
    let mut value = document;
    for step in path {
        (schema, value) = match step {
            Step::Key(key) => {
                let direct = &schema["properties"][key.as_str()];
                let named = schema["patternProperties"].as_object();
                let by_name = || named.and_then(|all| all.values().next());
                let inner = if direct.is_null() { by_name()? } else { direct };
                (inner, &value[key.as_str()])
            }
            Step::Item(index) => (&schema["items"], &value[*index]),
        };
        schema = fitting(schema, value);
    }
    let keys = schema["properties"].as_object()?;
    Some(keys.keys().cloned().collect())
}

fn fitting<'a>(schema: &'a Value, value: &Toml) -> &'a Value {
    let Some(choices) = schema["anyOf"]
        .as_array()
        .filter(|_| schema["type"].is_null())
    else {
        return schema;
    };
    let fits = |choice: &&'a Value| match value {
        Toml::Array(_) => choice["type"] == "array",
        Toml::Table(table) => {
            let inner = fitting(choice, value);
            let required = inner["required"].as_array().expect("required keys");
            let known = inner["properties"].as_object().expect("keys");
            inner["type"] == "object"
                && required
                    .iter()
                    .all(|k| table.contains_key(k.as_str().expect("a key")))
                && table.keys().all(|key| known.contains_key(key))
        }
        _ => false,
    };
    let choice = choices
        .iter()
        .filter(|c| c["type"] != "array" || value.is_array())
        .find(fits);
    fitting(
        choice.unwrap_or_else(|| panic!("no choice for {value}")),
        value,
    )
}

#[test]
fn the_schemas_know_the_keys_that_the_readers_know() {
    let mut compared = 0;
    for (schema, text, errors) in both_kinds() {
        let document = Toml::Table(text.parse::<Table>().expect("good TOML"));
        let mut paths = Vec::new();
        tables(&document, &[], &mut paths);
        for path in paths {
            let Some(mut known) = known_to_reader(&document, &path, errors) else {
                continue;
            };
            let in_schema = known_to_schema(&schema, &document, &path).expect("an object");
            if !in_schema.contains("device") && in_schema.contains("operator") {
                // Asked for only to be refused: a person looks, or a device reads.
                known.remove("device");
            }
            assert_eq!(in_schema, known, "{path:?}");
            compared += 1;
        }
    }
    assert!(compared >= 40, "{compared} tables");
}

/// Beside each text whether an answers file may say so.
const ANSWERS: [(&str, bool); 16] = [
    (
        "[answers]\n\"make:cooling-1\" = \"done\"\n\"observe:cooling-1\" = \"Y1 G O\"",
        true,
    ),
    (
        "[answers]\n\"observe:idle\" = [\"none\", \"G\"]\n\"end:idle\" = [\"yes\"]",
        true,
    ),
    (
        "[answers]\n\"probe:Y1@equipment\" = \" cannot \"\n\"observe:supply\" = \"R\"",
        true,
    ),
    ("[answers]", true),
    ("", false),
    ("[answer]", false),
    ("[answers]\n\"make:cooling-1\" = \"perhaps\"", false),
    ("[answers]\n\"observe:idle\" = \" \"", false),
    ("[answers]\n\"observe:idle\" = 1", false),
    ("[answers]\n\"guess:idle\" = \"done\"", false),
    (
        "[answers]\n\"confirm:valves-open\" = \"yes\"\n\"air:fan-only\" = [\"no\", \"yes\"]",
        true,
    ),
    (
        "[answers]\n\"machines:cooling-1\" = \"fan compressor\"\n\"amps:Y1@controller\" = \"0.38\"",
        true,
    ),
    ("[answers]\n\"warmth:cooling-1\" = \"colder\"", true),
    ("[answers]\n\"confirm:all\" = \"yes\"", false),
    ("[answers]\n\"air:fan-only\" = \"done\"", false),
    ("[answers]\n\"warmth:cooling-1\" = \"cold\"", false),
];

#[test]
fn an_answers_file_has_a_schema_too() {
    let schema = answers_schema();
    let asked: Vec<(&Value, &str)> = ANSWERS.iter().map(|(text, _)| (&schema, *text)).collect();
    let said = judged_outside(&asked, "toml");
    for (said, (text, good)) in said.into_iter().zip(ANSWERS) {
        assert_eq!(said.is_none(), good, "{text}: {said:?}");
    }
}
