//! What this computer says about its serial ports, for people: which there are, whose they are, and who has one open.
use std::collections::BTreeSet;
use std::fs::{self, Metadata};
use std::os::unix::fs::{FileTypeExt, MetadataExt};
use std::path::{Path, PathBuf};

/// Ports named at most.
const NAMED: usize = 6;

/// Names at least this alike are pointed out.
const ALIKE: f64 = 0.6;

/// Where the system keeps names of ports that stay the same when an adapter is plugged in elsewhere.
const BY_ID: &str = "/dev/serial/by-id";

/// Whether this is a terminal that people look at, or a door to make one: these are named like serial ports.
pub(super) fn is_screen(real: &Path) -> bool {
    let name = name_of(real);
    let numbered = name.strip_prefix("tty").is_some_and(|rest| rest.chars().all(|c| c.is_ascii_digit()));
    real.parent() == Some(Path::new("/dev")) && (numbered || ["console", "ptmx"].contains(&&*name))
}

/// Whether this pseudo-terminal or device of `/dev` is named as serial ports are: `ttyUSB0`, `ttyACM1`, `ttyS0`, `rfcomm0`.
fn is_port(real: &Path) -> bool {
    let name = name_of(real);
    let lettered =
        name.strip_prefix("tty").is_some_and(|rest| rest.starts_with(|c: char| c.is_ascii_uppercase()));
    let named = lettered || name.starts_with("rfcomm") || real.starts_with("/dev/pts");
    named && fs::metadata(real).is_ok_and(|about| about.file_type().is_char_device()) && !is_bare(&name)
}

/// A name that the kernel keeps for a built-in port which this computer does not have (its type is then unknown, 0).
fn is_bare(name: &str) -> bool {
    fs::read_to_string(format!("/sys/class/tty/{name}/type")).is_ok_and(|kind| kind.trim() == "0")
}

fn name_of(path: &Path) -> String {
    path.file_name().map(|name| name.to_string_lossy().into_owned()).unwrap_or_default()
}

/// Which ports there are, most like `wanted` first; names that stay the same before others.
pub(super) fn there(wanted: &Path) -> String {
    let beside = wanted.parent().filter(|folder| *folder != Path::new(BY_ID) && *folder != Path::new("/dev"));
    let folders = [Some(Path::new(BY_ID)), beside, Some(Path::new("/dev"))];
    words(wanted, &find(folders.into_iter().flatten()))
}

/// The ports named in these folders, each once, by the first name met.
fn find<'f>(folders: impl Iterator<Item = &'f Path>) -> Vec<PathBuf> {
    let (mut seen, mut found) = (BTreeSet::new(), Vec::new());
    for folder in folders {
        let entries = fs::read_dir(folder).into_iter().flatten().flatten();
        let mut names: Vec<PathBuf> = entries.map(|entry| entry.path()).collect();
        names.sort();
        for name in names {
            if let Ok(real) = name.canonicalize()
                && is_port(&real)
                && seen.insert(real)
            {
                found.push(name);
            }
        }
    }
    found
}

fn words(wanted: &Path, found: &[PathBuf]) -> String {
    let name = name_of(wanted).to_lowercase();
    let alike = |path: &PathBuf| strsim::normalized_damerau_levenshtein(&name, &name_of(path).to_lowercase());
    let mut ranked: Vec<(f64, &PathBuf)> = found.iter().map(|path| (alike(path), path)).collect();
    ranked.sort_by(|one, other| other.0.total_cmp(&one.0));
    let mut shown: Vec<String> = ranked.iter().map(|(_, path)| path.display().to_string()).collect();
    let more = shown.len().saturating_sub(NAMED);
    shown.truncate(NAMED);
    let rest = if more > 0 { format!(" and {more} more") } else { String::new() };
    match ranked.first() {
        None => "no serial port is there".to_owned(),
        Some((alike, _)) if *alike >= ALIKE => {
            let nearest = shown.remove(0);
            let others =
                if shown.is_empty() { String::new() } else { format!("; also {}", shown.join(", ")) };
            format!("most like it is {nearest}{others}{rest}")
        }
        Some(_) => format!("there is {}{rest}", shown.join(", ")),
    }
}

/// How a user gets at a device that belongs to somebody else.
pub(super) fn way_in(about: &Metadata) -> String {
    let groups = fs::read_to_string("/etc/group").unwrap_or_default();
    let user = std::env::var("USER").or_else(|_| std::env::var("LOGNAME")).unwrap_or_default();
    way_in_for(about.gid(), about.mode(), &groups, &user)
}

/// `groups` is the text of `/etc/group` (group(5)): name, password, number, members.
fn way_in_for(gid: u32, mode: u32, groups: &str, user: &str) -> String {
    let group = groups.lines().find_map(|line| {
        let mut fields = line.split(':');
        let (name, number) = (fields.next()?, fields.nth(1)?);
        let members = fields.next().unwrap_or_default();
        (number.parse() == Ok(gid)).then_some((name, members))
    });
    let Some((name, members)) = group else {
        return format!("it belongs to the group with number {gid}, which has no name here");
    };
    // Reading and writing by the group.
    if mode & 0o060 != 0o060 {
        return format!("it belongs to the group {name}, which may not use it either");
    }
    if members.split(',').any(|member| !user.is_empty() && member == user) {
        return format!("{user} is in its group {name} already, but not since this login");
    }
    let user = if user.is_empty() { "NAME" } else { user };
    format!("it belongs to the group {name}: sudo usermod -aG {name} {user}")
}

/// Words for a port that somebody has.
pub(super) fn held(device: &str, real: &Path) -> String {
    match holder(real) {
        Some((process, program)) => format!("{device}: by process {process} ({program})"),
        None => format!("{device}: by this program itself or by a program of another user"),
    }
}

/// Another process that has this device open, and its program, as far as this user may see it.
pub(super) fn holder(real: &Path) -> Option<(u32, String)> {
    let device = fs::metadata(real).ok()?;
    let is_it = |open: &Path| {
        // Only devices are looked at further: a file on a network drive that hangs must not hang this.
        fs::read_link(open).is_ok_and(|file| file.starts_with("/dev"))
            && fs::metadata(open).is_ok_and(|file| {
                (file.rdev(), file.dev(), file.ino()) == (device.rdev(), device.dev(), device.ino())
            })
    };
    for process in fs::read_dir("/proc").ok()?.flatten() {
        let Ok(number) = process.file_name().to_string_lossy().parse::<u32>() else { continue };
        if number == std::process::id() {
            continue;
        }
        let open = fs::read_dir(process.path().join("fd")).into_iter().flatten().flatten();
        if open.map(|entry| entry.path()).any(|open| is_it(&open)) {
            let program = fs::read_to_string(process.path().join("comm")).unwrap_or_default();
            return Some((number, program.trim().to_owned()));
        }
    }
    None
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn screens_are_told_from_ports() {
        for screen in ["/dev/tty", "/dev/tty1", "/dev/tty63", "/dev/console", "/dev/ptmx"] {
            assert!(is_screen(Path::new(screen)), "{screen}");
        }
        for port in ["/dev/ttyUSB0", "/dev/ttyACM1", "/dev/ttyS0", "/dev/rfcomm0", "/dev/pts/1"] {
            assert!(!is_screen(Path::new(port)), "{port}");
        }
        for other in ["/dev/null", "/dev/tty1", "/etc/group", "/dev"] {
            assert!(!is_port(Path::new(other)), "{other}");
        }
    }

    #[test]
    fn the_most_alike_is_named_first_and_strangers_are_only_listed() {
        let ports: Vec<PathBuf> = (0..8).map(|n| PathBuf::from(format!("/dev/ttyUSB{n}"))).collect();
        let two = [PathBuf::from("/dev/serial/by-id/field-probe-7"), ports[1].clone()];
        assert_eq!(
            words(Path::new("/dev/ttyUSB0"), &two),
            "most like it is /dev/ttyUSB1; also /dev/serial/by-id/field-probe-7"
        );
        assert_eq!(words(Path::new("/dev/ttyUSB3"), &ports[3..4]), "most like it is /dev/ttyUSB3");
        assert_eq!(words(Path::new("/dev/gauge"), &ports[..1]), "there is /dev/ttyUSB0");
        assert!(words(Path::new("/dev/gauge"), &ports).ends_with("/dev/ttyUSB5 and 2 more"));
        assert_eq!(words(Path::new("/dev/ttyUSB0"), &[]), "no serial port is there");
    }

    #[test]
    fn the_group_is_named_and_how_to_join_it() {
        let groups = "root:x:0:\nbroken\ndialout:x:20:wren,harbour\n";
        assert_eq!(
            way_in_for(20, 0o20_660, groups, "curlew"),
            "it belongs to the group dialout: sudo usermod -aG dialout curlew"
        );
        assert!(way_in_for(20, 0o20_660, groups, "").ends_with("-aG dialout NAME"));
        assert!(way_in_for(20, 0o20_660, groups, "harbour").contains("but not since this login"));
        assert!(way_in_for(20, 0o20_640, groups, "curlew").contains("may not use it either"));
        assert!(way_in_for(4711, 0o20_660, groups, "curlew").contains("number 4711"));
        // A real file's group, out of the system's own list: the superuser's group has the number 0 (from memory).
        assert!(way_in(&fs::metadata("/").unwrap()).contains("group root"));
    }
}
