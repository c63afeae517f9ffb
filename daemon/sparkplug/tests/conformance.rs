//! `CONFORMANCE.md` names a test for each statement of the specification, and each of them is there.

use std::collections::BTreeSet;
use std::fs;
use std::path::Path;

/// Where the tests of a name before `::` are, from the top of the repository.
const PLACES: [(&str, &str); 8] = [
    ("rules", "daemon/sparkplug/tests/session/rules.rs"),
    ("histories", "daemon/sparkplug/tests/session/histories.rs"),
    ("wire", "daemon/sparkplug/tests/wire.rs"),
    ("metric", "daemon/sparkplug/src/metric.rs"),
    ("topic", "daemon/sparkplug/src/topic.rs"),
    ("state", "daemon/sparkplug/src/state.rs"),
    ("config", "daemon/config/src/tests.rs"),
    ("lab", "tests/sparkplug.rs"),
];

#[expect(
    clippy::disallowed_methods,
    reason = "the edge node does no I/O; this test reads its sources"
)]
fn read(path: &str) -> String {
    let top = Path::new(env!("CARGO_MANIFEST_DIR")).join("../..");
    fs::read_to_string(top.join(path)).unwrap_or_else(|error| panic!("{path}: {error}"))
}

/// Names of tests in a text: `PLACE::NAME` in backticks.
fn named(text: &str) -> impl Iterator<Item = (&str, &str)> {
    text.split('`')
        .skip(1)
        .step_by(2)
        .filter_map(|code| code.split_once("::"))
}

/// Whether a text has a test of that name: its attribute stands in the lines before it, with nothing but attributes between.
fn has_test(source: &str, name: &str) -> bool {
    let lines: Vec<&str> = source.lines().map(str::trim).collect();
    let is_it = |line: &str| {
        line.strip_prefix("fn ")
            .and_then(|rest| rest.strip_prefix(name))
            .is_some_and(|rest| rest.starts_with('('))
    };
    lines.iter().enumerate().any(|(at, line)| {
        is_it(line)
            && lines[..at]
                .iter()
                .rev()
                .take_while(|line| line.starts_with("#["))
                .any(|line| *line == "#[test]")
    })
}

#[test]
fn every_statement_has_a_test_that_is_there_or_a_reason() {
    let document = read("daemon/sparkplug/CONFORMANCE.md");
    let mut statements = BTreeSet::new();
    for line in document.lines().filter(|line| line.starts_with("| ")) {
        let cells: Vec<&str> = line.trim_matches('|').split('|').map(str::trim).collect();
        let [name, _, by] = cells[..] else {
            panic!("three cells: {line}")
        };
        if name == "statement" {
            continue;
        }
        assert!(statements.insert(name), "{name} stands there twice");
        let reason = ["not applicable, because ", "not kept, because "]
            .iter()
            .any(|begin| by.strip_prefix(begin).is_some_and(|reason| reason.len() > 5));
        assert!(
            reason || named(by).next().is_some(),
            "{name} has neither a test nor a reason"
        );
    }
    assert!(statements.len() > 100, "{}", statements.len());

    let mut wanted: BTreeSet<(&str, &str)> = named(&document).collect();
    for (place, path) in PLACES {
        let source = read(path);
        wanted.retain(|(of, name)| {
            let here = *of == place;
            assert!(!here || has_test(&source, name), "{path} has no test {name}");
            !here
        });
    }
    assert!(wanted.is_empty(), "nowhere: {wanted:?}");
}

#[test]
fn a_test_that_is_not_there_is_missed() {
    let source = "#[test]\n    fn one_is_here() {}\nfn helper(x: u8) {}\n#[test]\n#[ignore]\nfn two() {}";
    assert!(has_test(source, "one_is_here") && has_test(source, "two"));
    assert!(!has_test(source, "one_is") && !has_test(source, "helper") && !has_test(source, "three"));
}
