//! Profiles of decoders: where they are looked for, from the nearest folder to those that come with the program.
use super::kept::bytes;
use super::start::NotBegun;
use crate::cause::{Reason, profile as cause};
use crate::config::{self, BenchSpec, ProfileText};
use std::path::{Path, PathBuf};

/// Those that come with the program: name and text.
const BUILT_IN: [(&str, &str); 7] = [
    ("linear-by-zeros", include_str!("../../profiles/linear-by-zeros.toml")),
    ("linear-by-ends", include_str!("../../profiles/linear-by-ends.toml")),
    ("table-only", include_str!("../../profiles/table-only.toml")),
    ("three-points", include_str!("../../profiles/three-points.toml")),
    ("scaled-table", include_str!("../../profiles/scaled-table.toml")),
    ("regulated", include_str!("../../profiles/regulated.toml")),
    ("starts-late", include_str!("../../profiles/starts-late.toml")),
];

/// Folders that are searched before those that come with the program, for a bench file in this folder.
#[must_use]
pub fn folders(bench_folder: &Path) -> Vec<PathBuf> {
    let set = |name| std::env::var_os(name).filter(|value| !value.is_empty()).map(PathBuf::from);
    let own = set("XDG_CONFIG_HOME")
        .filter(|path| path.is_absolute())
        .or_else(|| set("HOME").map(|home| home.join(".config")));
    let own = own.map(|folder| folder.join("pacewright").join("profiles"));
    std::iter::once(bench_folder.join("profiles")).chain(own).collect()
}

/// The profile of this name in these folders, else of those that come with the program.
///
/// # Errors
/// There is none, or it cannot be read from the disk.
pub fn find(name: &str, folders: &[PathBuf]) -> Result<ProfileText, NotBegun> {
    if is_name(name) {
        for path in folders.iter().map(|folder| folder.join(format!("{name}.toml"))) {
            if path.is_file() {
                return read(&path);
            }
        }
        if let Some((name, text)) = BUILT_IN.iter().find(|(known, _)| *known == name) {
            return Ok(ProfileText { file: (*name).to_owned(), text: (*text).to_owned() });
        }
    }
    let known = names(folders).join(", ");
    Err(NotBegun::Other(Reason::new(&cause::UNKNOWN, format!("{name:?}; known are {known}"))))
}

/// A profile is named by plain letters, digits and dashes, never by a path.
fn is_name(name: &str) -> bool {
    !name.is_empty() && name.chars().all(|c| c.is_ascii_alphanumeric() || "-_".contains(c))
}

fn read(path: &Path) -> Result<ProfileText, NotBegun> {
    let file = path.display().to_string();
    let bytes = bytes(path)
        .map_err(|error| NotBegun::Other(Reason::new(&cause::UNREADABLE, format!("{file}: {error}"))))?;
    let text = config::text(&file, bytes).map_err(NotBegun::BenchFile)?;
    Ok(ProfileText { file, text })
}

/// Names of all that can be found, each once, the nearest first.
#[must_use]
pub fn names(folders: &[PathBuf]) -> Vec<String> {
    let mut names: Vec<String> = Vec::new();
    let mut add = |name: String| {
        if !names.contains(&name) {
            names.push(name);
        }
    };
    for folder in folders {
        let entries = std::fs::read_dir(folder).into_iter().flatten().flatten();
        let mut found: Vec<String> = entries
            .map(|entry| entry.path())
            .filter(|path| path.is_file() && path.extension().is_some_and(|ending| ending == "toml"))
            .filter_map(|path| Some(path.file_stem()?.to_str()?.to_owned()))
            .filter(|name| is_name(name))
            .collect();
        found.sort();
        found.into_iter().for_each(&mut add);
    }
    for (name, _) in BUILT_IN {
        add(name.to_owned());
    }
    names
}

/// The profile that this bench file names; none where it names none.
///
/// # Errors
/// It is not found, or is wrong.
pub(super) fn named_by(bench_file: &Path, spec: &BenchSpec) -> Result<Option<ProfileText>, NotBegun> {
    let Some(name) = &spec.engine.decoder else { return Ok(None) };
    let text = find(name, &folders(bench_file.parent().unwrap_or(Path::new(""))))?;
    text.profile().map_err(NotBegun::BenchFile)?;
    Ok(Some(text))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::config::LinearBy;

    #[test]
    fn those_that_come_with_the_program_are_right_and_described() {
        let readme = include_str!("../../profiles/README.md");
        for (name, text) in BUILT_IN {
            let profile = config::read_profile(name, text).unwrap_or_else(|wrong| panic!("{name}: {wrong}"));
            assert!(readme.contains(&format!("| `{name}` |")), "{name}");
            assert!(
                profile.touches(29) && profile.touches(94) == profile.has_table && !profile.touches(1),
                "{name}"
            );
            assert!(!profile.touches(7) && !profile.allows(8, 8), "{name}");
        }
        let files = std::fs::read_dir(concat!(env!("CARGO_MANIFEST_DIR"), "/profiles")).unwrap();
        assert_eq!(files.count(), BUILT_IN.len() + 2, "the README, the standards, and no other file");
    }

    #[test]
    fn the_nearest_folder_counts_and_names_are_no_paths() {
        let folder = tempfile::tempdir().unwrap();
        let folders = [folder.path().join("profiles")];
        std::fs::create_dir(&folders[0]).unwrap();
        let own = BUILT_IN[0].1;
        std::fs::write(folders[0].join("linear-by-ends.toml"), own).unwrap();
        std::fs::write(folders[0].join("mine.toml"), own).unwrap();
        std::fs::write(folder.path().join("outside.toml"), own).unwrap();
        for name in ["linear-by-ends", "mine"] {
            assert_eq!(find(name, &folders).unwrap().profile().unwrap().linear_by, LinearBy::Zeros, "{name}");
        }
        assert_eq!(find("table-only", &folders).unwrap().profile().unwrap().linear_by, LinearBy::Table);
        assert_eq!(names(&folders)[..2], ["linear-by-ends", "mine"]);
        for wrong in ["", "../outside", "outside.toml", "nothing", "lineár"] {
            let Err(NotBegun::Other(reason)) = find(wrong, &folders) else { panic!("{wrong}") };
            assert_eq!(reason.code, "profile-unknown");
            assert!(reason.evidence.contains("mine"), "{}", reason.evidence);
        }
    }
}
