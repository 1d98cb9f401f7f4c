//! The command line.
use super::exit::Exit;
use super::fleet::args::FleetArgs;
use super::page::PageArgs;
use crate::bench::control::Command as Told;
use crate::run::{Answer, Purpose};
use clap::{Args, Parser, Subcommand, ValueEnum};
use std::ffi::OsString;
use std::path::PathBuf;

/// Calibrates DCC locomotives: measures, computes and writes the speed table, and proves it by measuring again.
#[derive(Debug, Parser)]
#[command(name = "pacewright", version, about, after_help = Exit::HELP)]
pub(crate) struct CommandLine {
    #[command(subcommand)]
    pub(crate) verb: Verb,
}

#[derive(Debug, Subcommand)]
pub(crate) enum Verb {
    /// Calibrate the locomotive on the bench that this file describes
    Run(RunArgs),
    /// Go on with a run whose program died, where it was
    Resume(ResumeArgs),
    /// Measure the table that is in the decoder, as it is; nothing is written
    Check(RunArgs),
    /// Look in three minutes whether an engine stayed as it was; `fleet show` says what came of it
    Recheck(RunArgs),
    /// Make and prove a table for another target from the curve that is known, without another sweep
    Retarget(RunArgs),
    /// Measure both curves of the engine and put the decoder back as it was
    Sweep(RunArgs),
    /// Run an engine in: both directions, changing speeds, until its speed is steady; nothing is written
    RunIn(RunInArgs),
    /// Do what the bench files list for a night, engine after engine, and say in the morning what came of it
    Night(NightArgs),
    /// Print a unit for systemd that carries out a run, or a night, and stops the engine at its end however that comes
    Unit {
        /// The bench files, one an engine
        #[arg(required = true)]
        benches: Vec<PathBuf>,
        /// The night's list instead of a single run; always so with several files
        #[arg(long)]
        night: bool,
    },
    /// Try whether the engine is stopped when the program is killed and when a link is pulled; stay beside it
    StopTest(StopTestArgs),
    /// Roll slowly until stopped; the test of the stop starts this itself
    #[command(hide = true)]
    Roll(RunArgs),
    /// Watch the whole job on a simulated bench, in under a minute
    Demo(DemoArgs),
    /// Open a simulated bench on two local ports, for a run in another terminal
    Simulate(SimulateArgs),
    /// Stop the engine and cut its power; a run that goes on then ends without power
    Stop {
        /// The bench file
        bench: PathBuf,
        /// Print what came of it as one JSON object on stdout
        #[arg(long)]
        json: bool,
        /// Whatever else the line says is passed over: no wrong word keeps an engine running
        #[arg(hide = true, trailing_var_arg = true, allow_hyphen_values = true)]
        passed_over: Vec<OsString>,
    },
    /// Keep watch over the run that feeds the standard input; a run starts this itself
    #[command(hide = true)]
    Watch,
    /// Print a complete bench file with notes
    Template,
    /// Print the JSON Schema of the bench file
    Schema,
    /// Feed a recorded run to the program again and compare every order and the result, bit for bit
    Replay {
        /// The run's folder
        folder: PathBuf,
        /// Print what was found as one JSON object on stdout
        #[arg(long)]
        json: bool,
    },
    /// List the profiles of decoders that can be found, or print one
    Profiles {
        /// The profile to print
        name: Option<String>,
        /// The folder of the bench file
        #[arg(long, value_name = "DIR", default_value = ".")]
        beside: PathBuf,
    },
    /// Compare what the decoder holds with what it held before a run; with --yes put that back
    Restore(RestoreArgs),
    /// Write the CVs of a recorded run as a list in CSV
    Cvs(CvsArgs),
    /// Write the report of a recorded run, one HTML file, or its pictures
    Report(ReportArgs),
    /// The fleet: who is calibrated, who keeps which standard, who can be coupled with whom
    Fleet(FleetArgs),
    /// Work out the circumference of a wheel or roller, and its doubt, from a distance rolled
    Circumference(CircumferenceArgs),
    /// Compare a run with the measuring car to one without it: what the car's drag costs
    Drag(DragArgs),
    /// Tell a running run something
    Tell {
        /// The run's folder
        folder: PathBuf,
        #[command(subcommand)]
        what: TellWhat,
    },
}

#[derive(Debug, Args)]
pub(crate) struct RunArgs {
    /// The bench file
    pub(crate) bench: PathBuf,
    #[command(flatten)]
    pub(crate) output: OutputArgs,
    /// Nobody stays with it: refused until this bench has passed its stop test and an attended run
    #[arg(long)]
    pub(crate) unattended: bool,
    /// Let bench time pass this many times faster; for simulated benches on this computer only
    #[arg(long, value_name = "FACTOR", default_value_t = 1.0)]
    pub(crate) time_lapse: f64,
}

#[derive(Debug, Args)]
pub(crate) struct RunInArgs {
    #[command(flatten)]
    pub(crate) run: RunArgs,
    /// Not over before
    #[arg(long, value_name = "HOURS", default_value_t = 1.0, value_parser = hours)]
    pub(crate) at_least: f64,
    /// Over at the latest; and no later than `run_time` of the bench file ends it
    #[arg(long, value_name = "HOURS", default_value_t = 2.5, value_parser = hours)]
    pub(crate) at_most: f64,
    /// Steady when its speed changes by less than this within an hour
    #[arg(long, value_name = "PERCENT", default_value_t = 1.0, value_parser = percent)]
    pub(crate) steady: f64,
}

impl RunInArgs {
    pub(crate) fn purpose(&self) -> Purpose {
        #[expect(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "the line lets only hours from 0 to 100 through"
        )]
        let seconds = |hours: f64| (hours * 3600.0).round() as u32;
        Purpose::RunIn {
            shortest_s: seconds(self.at_least.min(self.at_most)),
            longest_s: seconds(self.at_most),
            steady_per_hour: self.steady / 100.0,
        }
    }
}

fn hours(text: &str) -> Result<f64, String> {
    within(text, 0.0, 100.0, "hours")
}

fn percent(text: &str) -> Result<f64, String> {
    within(text, 0.01, 50.0, "per cent")
}

fn within(text: &str, least: f64, most: f64, unit: &str) -> Result<f64, String> {
    let number: f64 =
        text.parse().map_err(|_| format!("expected {unit}, a number from {least} to {most}"))?;
    if (least..=most).contains(&number) {
        Ok(number)
    } else {
        Err(format!("expected {unit} from {least} to {most}"))
    }
}

#[derive(Debug, Args)]
pub(crate) struct ResumeArgs {
    /// The run's folder
    pub(crate) folder: PathBuf,
    #[command(flatten)]
    pub(crate) output: OutputArgs,
    /// Nobody stays with it: refused until this bench has passed its stop test and an attended run
    #[arg(long)]
    pub(crate) unattended: bool,
}

#[derive(Debug, Args)]
pub(crate) struct NightArgs {
    /// The bench files, one an engine, in the order of the night
    #[arg(required = true)]
    pub(crate) benches: Vec<PathBuf>,
    /// Print the report as one JSON object on stdout
    #[arg(long)]
    pub(crate) json: bool,
    #[command(flatten)]
    pub(crate) page: PageArgs,
    /// Nobody stays with it: refused until each bench has passed its stop test and an attended run
    #[arg(long)]
    pub(crate) unattended: bool,
    /// Let bench time pass this many times faster; for simulated benches on this computer only
    #[arg(long, value_name = "FACTOR", default_value_t = 1.0)]
    pub(crate) time_lapse: f64,
}

#[derive(Debug, Args)]
pub(crate) struct StopTestArgs {
    /// The bench file
    pub(crate) bench: PathBuf,
    /// Print what was proved as one JSON object on stdout
    #[arg(long)]
    pub(crate) json: bool,
    /// Let bench time pass this many times faster; for simulated benches on this computer only
    #[arg(long, value_name = "FACTOR", default_value_t = 1.0)]
    pub(crate) time_lapse: f64,
}

#[derive(Clone, Debug, Args)]
pub(crate) struct OutputArgs {
    /// Print the result as one JSON object on stdout, at every exit
    #[arg(long)]
    pub(crate) json: bool,
    /// Write every record of the run to this file as it happens, a JSON object a line
    #[arg(long, value_name = "FILE")]
    pub(crate) events: Option<PathBuf>,
    #[command(flatten)]
    pub(crate) page: PageArgs,
}

#[derive(Debug, Args)]
pub(crate) struct DemoArgs {
    /// The engine on the simulated bench
    #[arg(long, value_enum, default_value_t = DemoEngine::Lapwing)]
    pub(crate) engine: DemoEngine,
    /// Seed of everything that is random in the simulation
    #[arg(long, default_value_t = 1)]
    pub(crate) seed: u64,
    #[command(flatten)]
    pub(crate) output: OutputArgs,
    /// Folder for the bench file and the record; a new folder under the system's temporary files without it
    #[arg(long, value_name = "DIR")]
    pub(crate) folder: Option<PathBuf>,
    /// How many times faster bench time passes
    #[arg(long, value_name = "FACTOR", default_value_t = 60.0)]
    pub(crate) time_lapse: f64,
}

#[derive(Debug, Args)]
pub(crate) struct SimulateArgs {
    /// The engine on the simulated bench
    #[arg(long, value_enum, default_value_t = DemoEngine::Lapwing)]
    pub(crate) engine: DemoEngine,
    /// Seed of everything that is random in the simulation
    #[arg(long, default_value_t = 1)]
    pub(crate) seed: u64,
    /// Port of the station; 0 takes any that is free
    #[arg(long, default_value_t = 0)]
    pub(crate) station_port: u16,
    /// Port of the sensor; 0 takes any that is free
    #[arg(long, default_value_t = 0)]
    pub(crate) sensor_port: u16,
    /// Let bench time pass this many times faster; give the run the same factor
    #[arg(long, value_name = "FACTOR", default_value_t = 1.0)]
    pub(crate) time_lapse: f64,
    /// Write a bench file for this simulated bench
    #[arg(long, value_name = "FILE")]
    pub(crate) bench_file: Option<PathBuf>,
}

#[derive(Debug, Args)]
pub(crate) struct CircumferenceArgs {
    /// Distance rolled without slipping, with its unit, as "3 m"
    #[arg(long, value_name = "LENGTH", allow_hyphen_values = true)]
    pub(crate) distance: String,
    /// Turns on it; parts of a turn as 91.25
    #[arg(long, value_name = "NUMBER", allow_hyphen_values = true)]
    pub(crate) turns: String,
    /// How well the distance is known (standard uncertainty), as "2 mm" or "0.1 %"
    #[arg(long, value_name = "DOUBT", allow_hyphen_values = true)]
    pub(crate) doubt: String,
    /// How well the turns are known, in turns: a mark lined up by eye at both ends
    #[arg(long, value_name = "NUMBER", default_value = "0.02", allow_hyphen_values = true)]
    pub(crate) turns_doubt: String,
}

#[derive(Debug, Args)]
pub(crate) struct DragArgs {
    /// Folder of the run with the measuring car
    #[arg(value_name = "RUN_WITH")]
    pub(crate) with: PathBuf,
    /// Folder of the run without it
    #[arg(value_name = "RUN_WITHOUT")]
    pub(crate) without: PathBuf,
}

#[derive(Debug, Args)]
pub(crate) struct RestoreArgs {
    /// The run's folder
    pub(crate) folder: PathBuf,
    /// Write; without it what differs is told and nothing is written
    #[arg(long)]
    pub(crate) yes: bool,
    /// Reach the bench by this file, where the one in the run's folder does not hold any more
    #[arg(long, value_name = "FILE")]
    pub(crate) bench: Option<PathBuf>,
    #[command(flatten)]
    pub(crate) output: OutputArgs,
    /// Let bench time pass this many times faster; for simulated benches on this computer only
    #[arg(long, value_name = "FACTOR", default_value_t = 1.0)]
    pub(crate) time_lapse: f64,
}

#[derive(Debug, Args)]
pub(crate) struct CvsArgs {
    /// The run's folder
    pub(crate) folder: PathBuf,
    /// Which content
    #[arg(long, value_enum, default_value_t = CvsWhich::Originals)]
    pub(crate) which: CvsWhich,
    /// Write to this file; to stdout without it
    #[arg(short, long, value_name = "FILE")]
    pub(crate) output: Option<PathBuf>,
    /// Write over a file that is there
    #[arg(long)]
    pub(crate) replace: bool,
}

#[derive(Debug, Args)]
pub(crate) struct ReportArgs {
    /// The run's folder
    pub(crate) folder: PathBuf,
    /// The file; report.html in the run's folder without it
    #[arg(short, long, value_name = "FILE")]
    pub(crate) output: Option<PathBuf>,
    /// Write each picture as an SVG file into this folder instead
    #[arg(long, value_name = "DIR")]
    pub(crate) pictures: Option<PathBuf>,
    /// Speeds of the original in miles an hour
    #[arg(long)]
    pub(crate) mph: bool,
}

/// Content of the CVs.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub(crate) enum CvsWhich {
    /// What the decoder held before the run changed anything
    Originals,
    /// What it held when the record ended
    Now,
}

/// Engines of the Wrenfield Harbour Railway.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub(crate) enum DemoEngine {
    /// Address 4: strong friction
    Lapwing,
    /// Address 7: fast and smooth
    Avocet,
    /// Address 11: its decoder refuses zeros
    Curlew,
    /// Address 1203: its decoder crawls with zeros
    Dunlin,
}

#[derive(Clone, Copy, Debug, Subcommand)]
pub(crate) enum TellWhat {
    /// Stop the engine and wait
    Pause,
    /// Go on after a pause
    GoOn,
    /// End the run: stop, put originals back; said twice, the originals wait for the next start
    Stop,
    /// Print where the run stands as a JSON object
    Status,
    /// Answer the question that the run asks
    Answer {
        /// The answer
        #[arg(value_parser = parse_answer)]
        answer: Answer,
    },
}

impl TellWhat {
    pub(crate) const fn command(self) -> Told {
        match self {
            Self::Pause => Told::Pause,
            Self::GoOn => Told::GoOn,
            Self::Stop => Told::Stop,
            Self::Status => Told::Status,
            Self::Answer { answer } => Told::Answer(answer),
        }
    }
}

fn parse_answer(word: &str) -> Result<Answer, String> {
    Answer::from_word(word).ok_or_else(|| "expected front, rear or done".to_owned())
}

#[cfg(test)]
mod tests {
    use super::*;
    use clap::CommandFactory;

    #[test]
    fn the_command_line_is_sound() {
        CommandLine::command().debug_assert();
    }

    #[test]
    fn a_run_takes_its_options_in_any_place() {
        let line = ["pacewright", "run", "--json", "bench.toml", "--events", "e.jsonl"];
        let Verb::Run(run) = CommandLine::try_parse_from(line).unwrap().verb else { panic!("another verb") };
        assert!(run.output.json);
        assert_eq!(run.bench, PathBuf::from("bench.toml"));
        assert!((run.time_lapse - 1.0).abs() < f64::EPSILON);
    }

    #[test]
    fn no_wrong_word_keeps_an_engine_running() {
        for rest in [
            &["b.toml"][..],
            &["--json", "b.toml"],
            &["b.toml", "--json"],
            &["b.toml", "--events", "x", "--json"],
        ] {
            let line = [&["pacewright", "stop"], rest].concat();
            let Verb::Stop { bench, .. } = CommandLine::try_parse_from(&line).unwrap().verb else {
                panic!("another verb in {line:?}")
            };
            assert_eq!(bench, PathBuf::from("b.toml"), "{line:?}");
        }
    }
}
