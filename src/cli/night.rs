//! The verb `night`: what is done, and the report of the morning.
use super::args::{NightArgs, OutputArgs};
use super::exit::Exit;
use super::page::{self, PageArgs};
use super::{caution, not_begun, out, runs};
use crate::bench::clock::TimeLapse;
use crate::bench::night::{EngineNight, JobDone, Night, NightReport, NightRequest, job_word, keep};
use crate::bench::start::NotBegun;
use crate::cause::{Reason, program};
use crate::run::{StopGrade, VerdictWord};
use crate::watch::Page;
use crate::words;
use std::fmt::Write;
use std::io::{BufRead, stdin};

pub(crate) fn night(args: NightArgs) -> Exit {
    out::say(caution::BEFORE_A_RUN);
    let lapse = TimeLapse::new(args.time_lapse);
    let ready = lapse
        .map_err(|error| NotBegun::Other(Reason::new(&program::TIME_LAPSE_REFUSED, error.to_string())))
        .and_then(|lapse| {
            let read = |path: std::path::PathBuf| runs::read_bench(&path).map(|text| (path, text));
            let benches = args.benches.into_iter().map(read).collect::<Result<_, _>>()?;
            let watchman = runs::own_program().map_err(NotBegun::Other)?;
            let (state_folder, unattended) = (runs::state_folder(), args.unattended);
            Night::new(NightRequest { benches, lapse, state_folder, unattended, watchman })
        });
    match (ready, runs::runtime().map_err(NotBegun::Other)) {
        (Ok(night), Ok(runtime)) => {
            for sentence in night.to_know() {
                out::say(&format!("\n{sentence}"));
            }
            match page::open(&args.page) {
                Ok(page) => told(&runs::carry_out(runtime, carry_out(&night, page)), args.json),
                Err(why) => refused(&why, args.json),
            }
        }
        (Err(why), _) | (_, Err(why)) => refused(&why, args.json),
    }
}

fn refused(why: &NotBegun, json: bool) -> Exit {
    runs::say_not_begun(why);
    if json {
        not_begun(why.reasons(), TimeLapse::NONE);
    }
    Exit::WrongUse
}

/// One page shows all runs of the night, one after another.
async fn carry_out(night: &Night, page: Option<Page>) -> NightReport {
    let output = OutputArgs { json: false, events: None, page: PageArgs::default() };
    let folder = night.report_folder();
    let run = async |request| runs::one(request, &output, page.as_ref()).await;
    let work = night.carry_out(
        run,
        async |engine: &str| swap(engine).await,
        |report| {
            // Kept after each job: whatever happens later, the morning finds what was done.
            if let Err(reason) = keep(report, &folder) {
                out::say(&format!("\n{}", words::reason(&reason)));
            }
        },
    );
    // Boxed: it is large, and lives as long as the night.
    let report = Box::pin(work).await;
    runs::close(page).await;
    report
}

/// Asks for another engine; false where nobody is there to do it.
async fn swap(engine: &str) -> bool {
    out::say(&format!(
        "\nThe power is off. Take off what stands on the rollers and put {engine} there, alone, its wheels on the sensor's axle;\n\
         fingers and threads away from wheels and gears. Then press Enter; the engine starts by itself."
    ));
    let answered = tokio::task::spawn_blocking(|| {
        let mut line = String::new();
        stdin().lock().read_line(&mut line).is_ok_and(|read| read > 0)
    });
    answered.await.unwrap_or(false)
}

fn told(report: &NightReport, json: bool) -> Exit {
    let text = morning(report);
    let told = if json {
        out::say(&text);
        // Plain values: this always has a JSON form.
        out::result(&serde_json::to_string(report).unwrap_or_else(|_| "{}".to_owned()))
    } else {
        out::result(text.trim_end())
    };
    if report.stop() == Some(StopGrade::Unconfirmed) {
        Exit::StopUnconfirmed
    } else if !report.is_good() {
        Exit::Halted
    } else if told {
        Exit::Good
    } else {
        Exit::WrongUse
    }
}

/// The report as a text.
fn morning(report: &NightReport) -> String {
    let mut text = format!("\nThe night from {} to {}\n", clock(&report.began), clock(&report.ended));
    for engine in &report.engines {
        // Writing into a text cannot fail.
        let _ = write!(text, "{}", one(engine));
    }
    text
}

fn one(engine: &EngineNight) -> String {
    let mut text = format!("\n{} ({:.1} h running)\n", engine.engine, engine.running_hours);
    for job in &engine.jobs {
        let _ = writeln!(text, "  {}", line(job));
        if let Some(reason) = job.reasons.first() {
            let _ = writeln!(text, "      {}: {}", reason.code, reason.evidence);
        }
    }
    if let Some(left_out) = &engine.left_out {
        let _ = writeln!(text, "  Not done: {left_out}.");
    }
    if let Some(drift) = engine.drift_percent {
        let _ = writeln!(
            text,
            "  From the first check to the last the speed that changed most changed by {drift:+.2} %."
        );
    }
    if let Some(found) = &engine.repeatability {
        let _ = writeln!(
            text,
            "  {} sweeps repeat to {:.2} % (standard deviation at {} settings; {:.2} % apart at most).",
            found.sweeps, found.sd_percent, found.settings, found.range_percent
        );
    }
    text
}

fn line(job: &JobDone) -> String {
    let worst =
        job.worst_deviation_percent.map_or_else(String::new, |worst| format!(", worst {worst:.2} % off"));
    let verdict = match job.verdict {
        VerdictWord::None => String::new(),
        verdict => format!(", {}", short(words::verdict(verdict))),
    };
    format!(
        "{}  {:9} {:5.0} min  {}{verdict}{worst}; {}",
        clock(&job.began),
        job_word(job.job),
        job.minutes,
        short(words::end(job.outcome)),
        short(words::stop(job.stop))
    )
}

/// The word before its explanation.
fn short(words: &str) -> &str {
    words.split(':').next().unwrap_or(words)
}

/// Hours and minutes of an RFC 3339 time, UTC.
fn clock(time: &str) -> String {
    format!("{} UTC", time.get(11..16).unwrap_or(time))
}
