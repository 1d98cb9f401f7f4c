//! A unit for systemd that carries out a run or a night: it is told of the run's life, and when the process is gone, however that
//! came, the manager's last step stops the engine.
use std::path::Path;

/// The manager takes a loop that says nothing for so long for dead, s. The watchman of the run acts sooner.
const WATCHDOG_S: u32 = 20;
/// An end in order may have to put originals back, s.
const STOPPING_S: u32 = 1200;

/// The unit for this program and these bench files, whole paths all. `night`: the night's list, else a single run.
#[must_use]
pub fn unit(program: &Path, benches: &[&Path], night: bool) -> String {
    let files: Vec<String> = benches.iter().map(|bench| quoted(bench)).collect();
    let (program, verb) = (quoted(program), if night { "night" } else { "run" });
    let stops: Vec<String> = files.iter().map(|file| format!("ExecStopPost={program} stop {file}")).collect();
    format!(
        "\
# CAUTION: This unit is not the only safeguard: it is no help when the computer dies. Have a cut-off in the mains that works
# without it, tried on this bench. House, club and local rules on running unattended come first.
#
# As a unit of your own: write it to ~/.config/systemd/user/pacewright.service, then
#   systemctl --user daemon-reload
#   systemctl --user start pacewright      (once; it is not meant to be enabled)
#   loginctl enable-linger                 (so that it goes on when you log out)
[Unit]
Description=Pacewright: {verb} unattended
# A run that ended badly is never started anew by a machine.
StartLimitBurst=1

[Service]
Type=notify
ExecStart={program} {verb} --unattended {files}
# However the run ended: emergency stop, then power off.
{stops}
Restart=no
# The loop that moves the run says every second that it lives.
WatchdogSec={WATCHDOG_S}
# The run alone is asked to end, and gets time to put the decoder back; its watchman stays until it has.
KillMode=mixed
TimeoutStopSec={STOPPING_S}
NoNewPrivileges=yes
",
        files = files.join(" "),
        stops = stops.join("\n"),
    )
}

/// A path as systemd reads it: in quotes, with specifiers and escapes taken literally (systemd.syntax(7), systemd.unit(5)).
fn quoted(path: &Path) -> String {
    let text = path.display().to_string();
    let escaped = text.replace('\\', "\\\\").replace('"', "\\\"").replace('%', "%%").replace('$', "$$");
    format!("\"{escaped}\"")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_bench_is_stopped_at_the_end_and_names_are_taken_literally() {
        let program = Path::new("/opt/pace wright");
        let benches = [Path::new("/home/w/100% \"new\"/a.toml"), Path::new("/home/w/b.toml")];
        let unit = unit(program, &benches, true);
        let lines: Vec<&str> = unit.lines().collect();
        for line in [
            "ExecStart=\"/opt/pace wright\" night --unattended \"/home/w/100%% \\\"new\\\"/a.toml\" \"/home/w/b.toml\"",
            "ExecStopPost=\"/opt/pace wright\" stop \"/home/w/100%% \\\"new\\\"/a.toml\"",
            "ExecStopPost=\"/opt/pace wright\" stop \"/home/w/b.toml\"",
            "Restart=no",
            "Type=notify",
        ] {
            assert!(lines.contains(&line), "{line} is not in\n{unit}");
        }
        assert!(unit.contains("CAUTION"));
    }
}
