//! The files of standards: those of a folder, and those that come with the program.
use crate::cause::{Reason, record};
use crate::fleet::standard::Standard;
use std::path::Path;

/// Where they lie unless another folder is named: beside where the program is started.
pub(crate) const FOLDER: &str = "profiles/targets";

/// Those that come with the program.
const BUILT_IN: [&str; 3] = [
    include_str!("../../profiles/targets/shunter-1.toml"),
    include_str!("../../profiles/targets/goods-1.toml"),
    include_str!("../../profiles/targets/express-1.toml"),
];

pub(crate) fn unusable(words: String) -> Reason {
    Reason::new(&record::STANDARD_UNUSABLE, words)
}

/// Every standard of a folder and of the program, by name and version.
pub(crate) fn all(folder: &Path) -> Result<Vec<Standard>, Reason> {
    let mut all: Vec<Standard> = Vec::new();
    let files = std::fs::read_dir(folder).into_iter().flatten().flatten().map(|entry| entry.path());
    for path in files.filter(|path| path.extension().is_some_and(|ending| ending == "toml")) {
        let wrong = |words: String| unusable(format!("{}: {words}", path.display()));
        let text = std::fs::read_to_string(&path).map_err(|error| wrong(error.to_string()))?;
        let standard = Standard::read(&text).map_err(wrong)?;
        if let Some(twin) = all.iter().find(|known| known.full_name() == standard.full_name()) {
            return Err(wrong(format!("another file is {} too", twin.full_name())));
        }
        all.push(standard);
    }
    for text in BUILT_IN {
        let standard = Standard::read(text).map_err(unusable)?;
        if !all.iter().any(|known| known.full_name() == standard.full_name()) {
            all.push(standard);
        }
    }
    all.sort_by(|a, b| (&a.name, a.version).cmp(&(&b.name, b.version)));
    Ok(all)
}

/// The standard of this name, its newest version unless one is named.
pub(crate) fn find(folder: &Path, name: &str) -> Result<Standard, Reason> {
    let all = all(folder)?;
    let known: Vec<String> = all.iter().map(Standard::full_name).collect();
    let found = all.into_iter().rev().find(|standard| standard.full_name() == name || standard.name == name);
    found.ok_or_else(|| unusable(format!("{name:?}; known are {}", known.join(", "))))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn those_that_come_with_the_program_read_and_ask_for_what_a_bench_file_takes() {
        let none = tempfile::tempdir().unwrap();
        let all = all(none.path()).unwrap();
        assert_eq!(all.len(), BUILT_IN.len());
        for standard in all {
            let text = include_str!("../../scenarios/avocet.toml");
            let begin = text.find("[target]").unwrap();
            let end = text[begin + 1..].find("\n[").map_or(text.len(), |end| begin + 1 + end + 1);
            let bench = format!("{}{}{}", &text[..begin], standard.section(), &text[end..]);
            let spec = crate::config::read("avocet.toml", &bench);
            let spec = spec.unwrap_or_else(|wrong| panic!("{}", wrong.render(100, false)));
            let wanted = standard.target(spec.engine.scale_ratio).unwrap();
            let asked = crate::calibrate::Target::from_spec(&spec.target).unwrap();
            assert!((wanted.top() - asked.top()).abs() < 1e-6, "{} {}", wanted.top(), asked.top());
            assert!((wanted.at(1.0) - asked.at(1.0)).abs() < 1e-6);
            assert_eq!(Standard::read(&standard.text().unwrap()), Ok(standard));
        }
    }

    #[test]
    fn wrong_standards_are_refused_and_versions_are_told_apart() {
        let good = BUILT_IN[0];
        for (from, to) in [
            ("schema = 1", "schema = 2"),
            ("version = 1", "version = 0"),
            ("shunter", "Shunter club"),
            ("[1, 2.0]", "[2, 2.0]"),
            ("tolerance_percent = 2.0", "tolerance_percent = -2.0"),
        ] {
            assert!(good.contains(from), "{from}");
            assert!(Standard::read(&good.replace(from, to)).is_err(), "{to}");
        }
        let folder = tempfile::tempdir().unwrap();
        std::fs::write(folder.path().join("a.toml"), good.replace("version = 1", "version = 7")).unwrap();
        assert_eq!(find(folder.path(), "shunter").unwrap().version, 7, "the newest");
        assert_eq!(find(folder.path(), "shunter@1").unwrap().version, 1);
        assert_eq!(find(folder.path(), "tram").unwrap_err().code, "standard-unusable");
        std::fs::write(folder.path().join("b.toml"), good.replace("version = 1", "version = 7")).unwrap();
        assert!(all(folder.path()).is_err(), "two files are one version");
    }
}
