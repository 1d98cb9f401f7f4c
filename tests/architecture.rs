//! Holds the shape of the house: the core knows no shell, and the simulator shares nothing with what it checks.
use std::fs;
use std::path::{Path, PathBuf};

/// Modules of the pure core.
const CORE: [&str; 11] = [
    "calibrate",
    "cause",
    "config",
    "dcc",
    "figure",
    "fleet",
    "motion",
    "run",
    "sensor",
    "station",
    "time.rs",
];

/// What the core may not name: the shell's modules, the simulator, and everything that does I/O or asks a clock.
const NOT_IN_CORE: [&str; 20] = [
    "crate::bench",
    "crate::cli",
    "crate::journal",
    "crate::report",
    "crate::store",
    "crate::watch",
    "crate::words",
    "crate::sim",
    "tokio",
    "std::fs",
    "std::io",
    "std::net",
    "std::env",
    "std::process",
    "std::thread",
    "std::time::Instant",
    "std::time::SystemTime",
    "jiff::",
    "rand::",
    "HashMap",
];

fn sources(root: &Path) -> Vec<PathBuf> {
    if root.is_file() {
        return vec![root.to_owned()];
    }
    let mut found = Vec::new();
    for entry in fs::read_dir(root).expect("the source folder is in the repository") {
        let path = entry.expect("a folder entry can be read").path();
        if path.is_dir() {
            found.extend(sources(&path));
        } else if path.extension().is_some_and(|ending| ending == "rs") && !is_test(&path) {
            found.push(path);
        }
    }
    found
}

/// Files of tests only: `tests.rs`, `…_tests.rs`, `testing.rs`, and what lies in a folder `tests`.
fn is_test(path: &Path) -> bool {
    let name = path.file_stem().map(|name| name.to_string_lossy().into_owned()).unwrap_or_default();
    let folder = path.parent().is_some_and(|parent| parent.ends_with("tests"));
    folder || name == "tests" || name == "testing" || name.ends_with("_tests")
}

/// The code of a line: comments and text after `//` do not count.
fn code(line: &str) -> &str {
    line.split("//").next().unwrap_or("")
}

/// Lines of `text` that name one of `banned`, up to a module of tests.
fn offences<'a>(text: &'a str, banned: &[&str]) -> Vec<(usize, &'a str)> {
    text.lines()
        .take_while(|line| line.trim() != "#[cfg(test)]")
        .enumerate()
        .filter(|(_, line)| banned.iter().any(|word| code(line).contains(word)))
        .map(|(number, line)| (number + 1, line))
        .collect()
}

#[test]
fn the_core_knows_no_shell() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("src");
    let mut seen = 0;
    for module in CORE {
        for path in sources(&root.join(module)) {
            seen += 1;
            let text = fs::read_to_string(&path).expect("a source file is text");
            let found = offences(&text, &NOT_IN_CORE);
            assert!(found.is_empty(), "{}: {found:?}", path.display());
        }
    }
    assert!(seen > 30, "the core has {seen} files: the test looks in the wrong place");
}

#[test]
fn the_simulator_shares_only_time_with_the_program() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("src/sim");
    let files = sources(&root);
    assert!(files.len() > 4, "the simulator has {} files: the test looks in the wrong place", files.len());
    for path in files {
        let text = fs::read_to_string(&path).expect("a source file is text");
        for (number, line) in text.lines().enumerate() {
            for part in code(line).split("crate::").skip(1) {
                let allowed = part.starts_with("time") || part.starts_with("sim");
                assert!(allowed, "{}:{}: {line}", path.display(), number + 1);
            }
            assert!(!code(line).contains("pacewright::"), "{}:{}: {line}", path.display(), number + 1);
        }
    }
}

#[test]
fn the_scan_finds_what_it_looks_for() {
    assert_eq!(offences("use std::fs;\n", &NOT_IN_CORE).len(), 1);
    assert_eq!(offences("use tokio::net::TcpStream;\n", &NOT_IN_CORE).len(), 1);
    assert!(offences("// std::fs stands in a comment\nlet x = 1;\n", &NOT_IN_CORE).is_empty());
    assert_eq!(
        offences("let m: HashMap<u8, u8>;\n#[cfg(test)]\nuse std::fs;\n", &NOT_IN_CORE),
        [(1, "let m: HashMap<u8, u8>;")]
    );
}
