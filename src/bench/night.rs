//! A night: several engines, one after the other, and several jobs with each. Each job is a run like any other, with its own
//! record; this decides which comes next, and what is not done any more after one that did not end well.
use super::clock::{Clock, TimeLapse, pause, time_of_day};
use super::notify::Notify;
use super::proof::may_be_alone;
use super::start::{NotBegun, Request, Wish, endpoint_key, record_folder};
use crate::calibrate::repeatability;
use crate::cause::{Reason, program as causes};
use crate::config::{self, BenchSpec, LinkSpec, NightJob, ProgrammingPlace};
use crate::run::{End, Purpose, RunOutcome, StopGrade};
use crate::time::BenchTime;
use std::collections::VecDeque;
use std::path::PathBuf;
use std::time::Duration;

mod plan;
mod report;

pub use plan::{Planned, job_word, jobs, words};
pub use report::{EngineNight, JobDone, NightReport, keep};
use report::{checked, done, drift, swept};

/// While a night waits, a service manager hears of it this often.
const MARK_EVERY: Duration = Duration::from_secs(60);

/// What the caller knows before a night.
#[derive(Clone, Debug)]
pub struct NightRequest {
    /// Bench files and their texts, in the order of the engines.
    pub benches: Vec<(PathBuf, String)>,
    /// How much faster bench time passes.
    pub lapse: TimeLapse,
    /// Folder of the locks.
    pub state_folder: PathBuf,
    /// Nobody stays with it.
    pub unattended: bool,
    /// The program that keeps watch.
    pub watchman: PathBuf,
}

/// One engine of the night.
#[derive(Clone, Debug)]
struct Bench {
    file: PathBuf,
    text: String,
    spec: BenchSpec,
    /// The engine before must be taken off first.
    swaps: bool,
}

/// A job that has ended: how, and where its record lies.
pub type Ran = (RunOutcome, PathBuf);

/// A night that can begin.
#[derive(Debug)]
pub struct Night {
    request: NightRequest,
    benches: Vec<Bench>,
}

impl Night {
    /// Reads every bench file, and looks whether all of it can be done as asked, before anything moves.
    ///
    /// # Errors
    /// [`NotBegun`], of the first bench that something is wrong with.
    pub fn new(request: NightRequest) -> Result<Self, NotBegun> {
        let mut benches: Vec<Bench> = Vec::new();
        for (file, text) in &request.benches {
            let spec = config::read(&file.display().to_string(), text).map_err(NotBegun::BenchFile)?;
            let swaps = benches.last().is_some_and(|before| swaps(&before.spec, &spec))
                || benches.iter().any(|before| shares_output(&before.spec, &spec));
            benches.push(Bench { file: file.clone(), text: text.clone(), spec, swaps });
        }
        if request.unattended {
            if let Some(bench) = benches.iter().find(|bench| bench.swaps) {
                let evidence = format!(
                    "{} must be put on, and the engine before it taken off: it has that one's sensor, or its programming \
                     output is not said to be isolated (output_isolated)",
                    bench.spec.engine.name
                );
                return Err(NotBegun::Other(Reason::new(&causes::NEEDS_A_PERSON, evidence)));
            }
            for bench in &benches {
                may_be_alone(&record_folder(&bench.file, &bench.spec.record_folder), &bench.spec)?;
            }
        }
        Ok(Self { request, benches })
    }

    /// What should be said before it begins: sentences.
    #[must_use]
    pub fn to_know(&self) -> Vec<String> {
        let mut said = Vec::new();
        for (at, bench) in self.benches.iter().enumerate() {
            let others = self.benches[..at].iter().filter(|other| same_station(&other.spec, &bench.spec));
            for other in others {
                said.push(format!(
                    "{} and {} are at one station: when its power is cut for one of them, both lose it.",
                    other.spec.engine.name, bench.spec.engine.name
                ));
            }
        }
        said
    }

    /// Where the report of the night lies: beside the runs of the first engine.
    #[must_use]
    pub fn report_folder(&self) -> PathBuf {
        self.benches
            .first()
            .map_or_else(PathBuf::new, |bench| record_folder(&bench.file, &bench.spec.record_folder))
    }

    /// Carries it out. `run` does one job; `swap` asks the person to put this engine on and tells whether it was done;
    /// `told` hears the report so far after each job.
    pub async fn carry_out(
        &self,
        mut run: impl AsyncFnMut(Request) -> Result<Ran, NotBegun>,
        mut swap: impl AsyncFnMut(&str) -> bool,
        mut told: impl FnMut(&NightReport),
    ) -> NightReport {
        let mut so_far = SoFar {
            clock: Clock::start(self.request.lapse),
            over: None,
            closed: Vec::new(),
            used: Vec::new(),
        };
        let mut report =
            NightReport { schema: 1, began: wall_time(), ended: wall_time(), engines: Vec::new() };
        for bench in &self.benches {
            let mut night = EngineNight::of(bench);
            night.left_out = so_far.forbids(&bench.spec);
            if night.left_out.is_none() && bench.swaps && !swap(&night.engine).await {
                night.left_out = Some("nobody put it on".to_owned());
            }
            let mut outcomes: Vec<(NightJob, RunOutcome)> = Vec::new();
            let mut last = BenchTime::ZERO;
            let mut left = VecDeque::from(jobs(&bench.spec.night));
            while let Some(planned) = left.pop_front() {
                if night.left_out.is_some() {
                    break;
                }
                self.wait_until(&so_far.clock, last + planned.after).await;
                if so_far.clock.now() >= BenchTime::ZERO + bench.spec.night.no_job_after {
                    night.left_out =
                        Some(format!("{} and what follows: the night was over", words(&planned)));
                    break;
                }
                last = so_far.clock.now();
                let began = wall_time();
                match run(self.request_for(bench, planned.job, so_far.used(&bench.spec))).await {
                    Ok((outcome, folder)) => {
                        night.jobs.push(done(&planned, began, &outcome, &folder));
                        // Behind the last job nothing is left out.
                        night.left_out =
                            so_far.take(&bench.spec, &planned, &outcome).filter(|_| !left.is_empty());
                        night.running_hours += outcome.driven_seconds / 3600.0;
                        outcomes.push((planned.job, outcome));
                        night.drift_percent = drift(&checked(&outcomes));
                        night.repeatability = repeatability(&swept(&night.jobs));
                    }
                    Err(why) => {
                        let codes: Vec<String> =
                            why.reasons().into_iter().map(|reason| reason.code).collect();
                        night.left_out =
                            Some(format!("{} was not begun: {}", words(&planned), codes.join(", ")));
                    }
                }
                report.ended = wall_time();
                let mut kept = report.clone();
                kept.engines.push(night.clone());
                told(&kept);
            }
            report.engines.push(night);
        }
        report.ended = wall_time();
        told(&report);
        report
    }

    async fn wait_until(&self, clock: &Clock, at: BenchTime) {
        let notify = Notify::from_environment();
        while clock.now() < at {
            let left = self.request.lapse.wall_span(at.since(clock.now()));
            pause(left.min(MARK_EVERY)).await;
            notify.over();
        }
    }

    fn request_for(&self, bench: &Bench, job: NightJob, sensor_used: Duration) -> Request {
        let night = &bench.spec.night;
        let seconds = |span: Duration| u32::try_from(span.as_secs()).unwrap_or(u32::MAX);
        let purpose = match job {
            NightJob::Calibrate => Purpose::Calibrate,
            NightJob::Check => Purpose::Check,
            NightJob::Sweep => Purpose::Sweep,
            NightJob::RunIn => Purpose::RunIn {
                shortest_s: seconds(night.run_in_least),
                longest_s: seconds(night.run_in_most),
                steady_per_hour: night.run_in_steady,
            },
        };
        Request {
            bench_file: bench.file.clone(),
            bench_text: bench.text.clone(),
            wish: Wish::Drive(purpose),
            lapse: self.request.lapse,
            state_folder: self.request.state_folder.clone(),
            unattended: self.request.unattended,
            sensor_used,
            signals: true,
            watchman: Some(self.request.watchman.clone()),
        }
    }
}

/// What the rest of a night hangs on.
#[derive(Debug)]
struct SoFar {
    clock: Clock,
    /// Nothing more is done, and why.
    over: Option<String>,
    /// Stations at which a run was halted.
    closed: Vec<String>,
    /// What was used of the charge of each sensor.
    used: Vec<(String, Duration)>,
}

impl SoFar {
    /// Why nothing is begun on this bench any more.
    fn forbids(&self, spec: &BenchSpec) -> Option<String> {
        let halted = "a run at the same station had to be halted; look first";
        let closed = self.closed.contains(&endpoint_key(spec)).then(|| halted.to_owned());
        self.over.clone().or(closed)
    }

    fn used(&self, spec: &BenchSpec) -> Duration {
        let key = sensor_key(spec);
        self.used.iter().filter(|(own, _)| *own == key).map(|(_, spent)| *spent).sum()
    }

    /// Takes the end of a job; why the rest of its engine's jobs is left out, where it is.
    fn take(&mut self, spec: &BenchSpec, planned: &Planned, outcome: &RunOutcome) -> Option<String> {
        let took = Duration::try_from_secs_f64(outcome.bench_seconds).unwrap_or_default();
        self.used.push((sensor_key(spec), took));
        let why = match (outcome.outcome, outcome.stop) {
            (_, StopGrade::Unconfirmed) => {
                self.over = Some("nobody can say whether an engine stands".to_owned());
                "nobody can say whether the engine stands"
            }
            (End::Interrupted, _) => {
                self.over = Some("the night was interrupted".to_owned());
                "it was interrupted"
            }
            (End::Halted, _) => {
                // Whoever cut its power meant all of it.
                self.closed.push(endpoint_key(spec));
                "it was halted"
            }
            (End::Rejected | End::Refused, _) => "the engine was rejected",
            _ => return None,
        };
        Some(format!("what would have followed {}: {why}", words(planned)))
    }
}

fn wall_time() -> String {
    jiff::Timestamp::try_from(time_of_day()).unwrap_or(jiff::Timestamp::UNIX_EPOCH).to_string()
}

fn sensor_key(spec: &BenchSpec) -> String {
    match &spec.sensor.link {
        LinkSpec::Tcp { address } => address.clone(),
        LinkSpec::Serial { device, .. } => device.clone(),
    }
}

fn same_station(one: &BenchSpec, other: &BenchSpec) -> bool {
    endpoint_key(one) == endpoint_key(other)
}

/// One roller, and so one engine at a time.
fn swaps(before: &BenchSpec, next: &BenchSpec) -> bool {
    sensor_key(before) == sensor_key(next) && before.engine.address != next.engine.address
}

/// Programming one of them writes the other too.
fn shares_output(one: &BenchSpec, other: &BenchSpec) -> bool {
    let own = |spec: &BenchSpec| {
        spec.programming.place == ProgrammingPlace::Main || spec.programming.output_isolated
    };
    same_station(one, other) && one.engine.address != other.engine.address && !(own(one) && own(other))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn spec(text: &str, more: &str) -> BenchSpec {
        config::read("bench.toml", &format!("{text}{more}"))
            .unwrap_or_else(|wrong| panic!("{}", wrong.render(100, false)))
    }

    const AVOCET: &str = include_str!("../../scenarios/avocet.toml");
    const CURLEW: &str = include_str!("../../scenarios/curlew.toml");

    #[test]
    fn jobs_come_in_their_order_and_as_often_as_asked() {
        let night = "\n[night]\njobs = [\"run_in\", \"calibrate\", \"check\"]\nchecks = 2\ncheck_every = \"40 min\"\n";
        let planned: Vec<String> = jobs(&spec(AVOCET, night).night).iter().map(words).collect();
        assert_eq!(planned, ["run_in", "calibrate", "check 1 of 2", "check 2 of 2"]);
        let after: Vec<u64> =
            jobs(&spec(AVOCET, night).night).iter().map(|job| job.after.as_secs()).collect();
        assert_eq!(after, [0, 0, 0, 2400]);
        assert_eq!(jobs(&spec(AVOCET, "").night).len(), 1, "calibrate alone");
    }

    #[test]
    fn engines_of_one_roller_or_one_output_are_swapped_by_hand() {
        let (avocet, curlew) = (spec(AVOCET, ""), spec(CURLEW, ""));
        assert!(swaps(&avocet, &curlew), "one sensor");
        let mut apart = curlew.clone();
        apart.sensor.link = LinkSpec::tcp("127.0.0.1:4999");
        assert!(!swaps(&avocet, &apart));
        assert!(shares_output(&avocet, &apart), "nobody says that the outputs are isolated");
        let (mut one, mut other) = (avocet.clone(), apart.clone());
        one.programming.output_isolated = true;
        assert!(shares_output(&one, &other), "the other's output may reach this one");
        other.programming.output_isolated = true;
        assert!(!shares_output(&one, &other));
    }
}
