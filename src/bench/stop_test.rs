//! The test of the stop: while the engine rolls slowly the program is killed, and then the person pulls the sensor's link. Each
//! time the engine must be stopped by what is left, and the sensor must show it standing.
use super::clock::{TimeLapse, instant, pause};
use super::control::{self, Command as Told};
use super::proof::{Proof, Proofs};
use super::standstill::seen_to_stand;
use super::start::{NotBegun, record_folder};
use super::watchman::Report;
use crate::cause::{Reason, program as causes, station as station_causes};
use crate::config::{self, BenchSpec};
use crate::journal::RealDisk;
use crate::run::StopGrade;
use serde_json::Value;
use std::collections::BTreeSet;
use std::path::{Path, PathBuf};
use std::process::Stdio;
use std::time::Duration;
use tokio::io::AsyncReadExt;
use tokio::process::{Child, Command};

/// The hidden verb that rolls.
pub(crate) const VERB: &str = "roll";
/// It rolls for so long where nobody stops it, bench time, s.
pub const ROLLS_S: u32 = 180;

/// Between two looks, wall time.
const LOOK: Duration = Duration::from_millis(100);
/// Looks at a rolling engine before it is taken for rolling steadily.
const LOOKS: u32 = 3;
/// Wall time until the engine rolls, for the watchman to act, and until a sensor is back.
const PATIENCE: Duration = Duration::from_secs(150);
/// An engine that was stopped is seen to stand within the bench file's limit and so much more: its sensor is opened anew.
const OPENING: Duration = Duration::from_secs(10);

/// What is to be told to the person meanwhile.
pub type Say<'a> = &'a mut dyn FnMut(&str);

/// The bench under test.
#[derive(Debug)]
pub struct StopTest {
    program: PathBuf,
    bench_file: PathBuf,
    spec: BenchSpec,
    lapse: TimeLapse,
    records: PathBuf,
}

impl StopTest {
    /// Of the bench that this file describes.
    ///
    /// # Errors
    /// The mistakes of the file.
    pub fn new(
        program: PathBuf,
        bench_file: PathBuf,
        bench_text: &str,
        lapse: TimeLapse,
    ) -> Result<Self, NotBegun> {
        let spec =
            config::read(&bench_file.display().to_string(), bench_text).map_err(NotBegun::BenchFile)?;
        let records = record_folder(&bench_file, &spec.record_folder);
        Ok(Self { program, bench_file, spec, lapse, records })
    }

    /// The program that drives is killed.
    ///
    /// # Errors
    /// Why it is not proved.
    pub async fn program_killed(&self, say: Say<'_>) -> Result<String, Reason> {
        let mut rolling = self.roll().await?;
        say("It rolls. The program that drives it is killed now; watch the wheels.");
        let killed = rolling.child.kill().await;
        killed.map_err(|error| Reason::new(&causes::SYSTEM_REFUSED, format!("kill: {error}")))?;
        let began = instant();
        let report = loop {
            if let Some(report) = Report::of_run(&rolling.folder) {
                break report;
            }
            if instant().saturating_duration_since(began) > PATIENCE {
                return Err(self.failed("the watchman did nothing"));
            }
            pause(LOOK).await;
        };
        if report.stop == StopGrade::Unconfirmed {
            return Err(self.failed(&report.reason.evidence));
        }
        let acted_s = instant().saturating_duration_since(began).as_secs_f64();
        let stood_s = self.stands(OPENING).await?;
        let how = format!(
            "stopped and its power cut {acted_s:.1} s after the program was killed, seen to stand {stood_s:.1} s later"
        );
        self.proved(Proof::ProgramKilled, &how)?;
        Ok(how)
    }

    /// The person pulls the sensor's link.
    ///
    /// # Errors
    /// Why it is not proved.
    pub async fn link_pulled(&self, say: Say<'_>) -> Result<String, Reason> {
        let mut rolling = self.roll().await?;
        say(&format!(
            "It rolls. Pull the link of the sensor now: its cable, or its power. Keep fingers off wheels and gears.\n\
             Within {ROLLS_S} s; otherwise the engine stops by itself and nothing is proved."
        ));
        let ended = rolling.ended().await?;
        let code = ended["reasons"][0]["code"].as_str().unwrap_or_default().to_owned();
        if ended["outcome"] != "halted" || !code.starts_with("sensor-") {
            let evidence =
                format!("the run ended {}, {}", word(&ended["outcome"]), word(&ended["reasons"][0]["code"]));
            return Err(self.failed(&format!("{evidence}; no link of the sensor was seen to be pulled")));
        }
        if ended["stop"] == "unconfirmed" {
            return Err(self.failed("the stop was not acknowledged"));
        }
        say(
            "It was noticed, and the engine was told to stop. Plug the link in again: the sensor must show it standing.",
        );
        let stood_s = self.stands(PATIENCE).await?;
        let how =
            format!("stopped ({code}), and seen to stand {stood_s:.1} s later, its link plugged in again");
        self.proved(Proof::LinkPulled, &how)?;
        Ok(how)
    }

    async fn stands(&self, opening: Duration) -> Result<f64, Reason> {
        let within = self.lapse.wall_span(self.spec.limits.standstill) + opening;
        let stood = seen_to_stand(&self.spec, self.lapse, within).await;
        let stood = stood.ok_or_else(|| self.failed("the sensor did not show the engine standing"))?;
        Ok(stood.as_secs_f64())
    }

    fn failed(&self, evidence: &str) -> Reason {
        Reason::new(&causes::STOP_NOT_PROVED, format!("{}: {evidence}", self.bench_file.display()))
    }

    fn proved(&self, proof: Proof, how: &str) -> Result<(), Reason> {
        Proofs::add(&mut RealDisk, &self.records, &self.spec, proof, how.to_owned())
            .map_err(|error| Reason::new(error.cause(), error.to_string()))
    }

    /// A program of its own that makes the engine roll, once it does.
    async fn roll(&self) -> Result<Rolling, Reason> {
        let before: BTreeSet<PathBuf> = folders(&self.records);
        let mut child = Command::new(&self.program)
            .arg(VERB)
            .arg(&self.bench_file)
            .args(["--json", "--time-lapse", &self.lapse.factor().to_string()])
            .stdin(Stdio::null())
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .kill_on_drop(true)
            .spawn()
            .map_err(|error| Reason::new(&causes::SYSTEM_REFUSED, format!("{VERB}: {error}")))?;
        let (began, mut seen) = (instant(), 0);
        loop {
            if let Ok(Some(_)) = child.try_wait() {
                let ended = result(&mut child).await;
                return Err(first_reason(&ended).unwrap_or_else(|| self.failed("it did not begin to roll")));
            }
            let folder = folders(&self.records).difference(&before).next().cloned();
            if let Some(folder) = folder {
                let status = control::tell(&folder, Told::Status).unwrap_or(Value::Null);
                let status = &status["status"];
                let moves = status["speed_mm_s"].as_f64().is_some_and(|speed| speed.abs() > 0.0);
                seen = if status["phase"] == "rolling" && moves { seen + 1 } else { 0 };
                if seen >= LOOKS {
                    return Ok(Rolling { child, folder });
                }
            }
            if instant().saturating_duration_since(began) > PATIENCE {
                return Err(self.failed("it did not begin to roll in time"));
            }
            pause(LOOK).await;
        }
    }
}

/// The program that drives the engine.
#[derive(Debug)]
struct Rolling {
    child: Child,
    folder: PathBuf,
}

impl Rolling {
    /// Its result, once it has ended by itself.
    async fn ended(&mut self) -> Result<Value, Reason> {
        let ended = tokio::select! {
            ended = result(&mut self.child) => ended,
            () = pause(PATIENCE + Duration::from_secs(u64::from(ROLLS_S))) => Value::Null,
        };
        if ended.is_null() {
            let evidence = format!("{}: no end of it came", self.folder.display());
            return Err(Reason::new(&station_causes::STOP_UNCONFIRMED, evidence));
        }
        Ok(ended)
    }
}

/// The object that the program prints at its end.
async fn result(child: &mut Child) -> Value {
    let mut text = String::new();
    if let Some(stdout) = &mut child.stdout {
        // What cannot be read is no result.
        let _ = stdout.read_to_string(&mut text).await;
    }
    serde_json::from_str(&text).unwrap_or(Value::Null)
}

fn first_reason(result: &Value) -> Option<Reason> {
    serde_json::from_value(result["reasons"][0].clone()).ok()
}

fn word(value: &Value) -> &str {
    value.as_str().unwrap_or("without a word")
}

/// The run folders that are there.
fn folders(records: &Path) -> BTreeSet<PathBuf> {
    let entries = std::fs::read_dir(records).into_iter().flatten().flatten();
    entries.map(|entry| entry.path()).filter(|path| path.is_dir()).collect()
}
