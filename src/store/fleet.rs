//! The fleet as it stands: engines with what counts of their runs.
//!
//! An engine's table counts from the run that proved it until another does, until the old values are put back, or until its decoder
//! is another one (CV 7 or CV 8 differ, or the person said so) or its wheels or motor are. Its curve on the linear baseline outlives
//! a new target and a restore, but not an exchange.
use super::summary::{EngineId, Summary};
use super::told::{Fact, Told};
use super::{Store, StoreError};
use crate::calibrate::Verdict;
use crate::fleet::control::{self, Control, Seen};
use crate::fleet::evening::History;
use crate::fleet::layout::LayoutCheck;
use crate::fleet::propose::{Candidate, Reach};
use crate::fleet::speeds::EngineSpeeds;
use crate::fleet::standard::Standard;
use crate::run::{End, VerdictWord};
use serde::Serialize;

/// How an engine stands.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Standing {
    /// Its table counts; the verdict of its proof.
    Calibrated(VerdictWord),
    /// It had one that counts no more; why.
    Lapsed(String),
    /// It has none.
    Never,
}

/// A re-check.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Recheck {
    /// The run.
    pub run: String,
    /// When.
    pub started: String,
    /// What it saw.
    pub seen: Seen,
}

/// An engine of the fleet.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Engine {
    /// As it is called now.
    pub id: EngineId,
    /// Its class.
    pub class: Option<String>,
    /// How it stands.
    pub standing: Standing,
    /// Its runs, the oldest first, without their details.
    pub runs: Vec<Summary>,
    /// The run whose table counts, with its steps; its place among the runs.
    pub table: Option<usize>,
    /// The run whose curve counts.
    pub curve: Option<usize>,
    /// Hours in which it was told to move.
    pub hours: f64,
    /// Re-checks since its table counts.
    pub rechecks: Vec<Recheck>,
    /// Layout checks since its table counts.
    pub layout: Vec<LayoutCheck>,
    /// Standards it need not keep, and why.
    pub excepted: Vec<(String, String)>,
}

impl Engine {
    /// The run whose table counts.
    #[must_use]
    pub fn table(&self) -> Option<&Summary> {
        self.runs.get(self.table?)
    }

    /// The run whose curve counts.
    #[must_use]
    pub fn curve(&self) -> Option<&Summary> {
        self.runs.get(self.curve?)
    }

    /// It is the engine that a bench file names so; its own runs tell under which names it went.
    #[must_use]
    pub fn named(&self, id: &EngineId) -> bool {
        self.id == *id || self.runs.iter().any(|run| run.engine == *id)
    }

    /// Its speeds under the table that counts.
    #[must_use]
    pub fn speeds(&self) -> Option<EngineSpeeds> {
        let run = self.table().filter(|run| !run.steps.is_empty())?;
        Some(EngineSpeeds::of(&self.id.name, &run.axle, run.step_mode, &run.steps, run.warming))
    }

    /// What it can do, by the curve that counts.
    #[must_use]
    pub fn candidate(&self) -> Option<Candidate> {
        let run = self.curve()?;
        let reach = |side: usize| {
            Some(Reach { fastest_mm_s: run.fastest_mm_s[side]?, slowest_mm_s: run.slowest_mm_s[side]? })
        };
        Some(Candidate { engine: self.id.name.clone(), reach: [reach(0)?, reach(1)?] })
    }

    /// Whether it runs as it did when it was calibrated; none where it is not.
    #[must_use]
    pub fn control(&self) -> Option<Control> {
        let run = self.table()?;
        let seen: Vec<Seen> = self.rechecks.iter().map(|one| one.seen).collect();
        Some(control::control(&seen, 100.0 * run.tolerance_rel))
    }

    /// How it keeps a standard, in words.
    #[must_use]
    pub fn keeps(&self, standard: &Standard) -> String {
        if let Some((_, why)) = self.excepted.iter().find(|(name, _)| *name == standard.name) {
            return format!("excepted: {why}");
        }
        let ratio = self.table().map_or(0.0, |run| run.scale_ratio);
        let kept = self.speeds().filter(|_| ratio > 0.0).and_then(|speeds| standard.kept(&speeds, ratio));
        let Some(kept) = kept else { return "not known: no table that counts".to_owned() };
        let words = match kept.verdict {
            Verdict::Pass => "keeps it",
            Verdict::Marginal => "in doubt",
            Verdict::Fail => "does not keep it",
        };
        format!(
            "{words}; worst at step {} {}: {:+.2} +/- {:.2} mm/s of {:.2} allowed",
            kept.entry,
            if kept.reverse { "reverse" } else { "forward" },
            kept.deviation_mm_s,
            kept.doubt_mm_s,
            kept.allowed_mm_s
        )
    }

    /// What its whole jobs took.
    #[must_use]
    pub fn history(&self) -> History {
        let whole = || self.runs.iter().filter(|run| run.purpose == "run" && run.calibrated());
        History {
            engine: self.id.name.clone(),
            minutes: whole().map(|run| run.bench_s / 60.0).collect(),
            hands_on: whole().map(|run| run.hands_on_s / 60.0).collect(),
        }
    }
}

/// The fleet.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Fleet {
    /// Engines, by class and name.
    pub engines: Vec<Engine>,
}

impl Fleet {
    /// As the store has it now.
    ///
    /// # Errors
    /// The database refused.
    pub fn of(store: &Store) -> Result<Self, StoreError> {
        let told = store.told()?;
        let mut fleet = Self::from(store.runs()?, &told);
        for engine in &mut fleet.engines {
            if let Some(run) = engine.table.and_then(|at| engine.runs.get_mut(at)) {
                store.fill_steps(run)?;
            }
            for run in engine.runs.iter_mut().filter(|run| run.purpose == "recheck") {
                store.fill_steps(run)?;
            }
            engine.rechecks = rechecks(engine);
        }
        Ok(fleet)
    }

    fn from(runs: Vec<Summary>, told: &[Told]) -> Self {
        let mut engines: Vec<Engine> = Vec::new();
        for run in runs {
            let id = known_as(&run.engine, told);
            let at = engines.iter().position(|engine| engine.id == id).unwrap_or_else(|| {
                engines.push(Engine {
                    id,
                    class: None,
                    standing: Standing::Never,
                    runs: Vec::new(),
                    table: None,
                    curve: None,
                    hours: 0.0,
                    rechecks: Vec::new(),
                    layout: Vec::new(),
                    excepted: Vec::new(),
                });
                engines.len() - 1
            });
            engines[at].runs.push(run);
        }
        for engine in &mut engines {
            stand(engine, told);
        }
        engines.sort_by(|a, b| (&a.class, &a.id).cmp(&(&b.class, &b.id)));
        Self { engines }
    }

    /// The engine of this name, or address; none where none or several are meant.
    #[must_use]
    pub fn find(&self, name: &str) -> Option<&Engine> {
        let wanted = name.to_lowercase();
        let mut found = self.engines.iter().filter(|engine| {
            engine.id.name.to_lowercase() == wanted
                || engine.id.address == wanted
                || engine.id.address.split(' ').next_back() == Some(wanted.as_str())
        });
        found.next().filter(|_| found.next().is_none())
    }
}

/// The present name of an engine that a run names so.
fn known_as(id: &EngineId, told: &[Told]) -> EngineId {
    told.iter().fold(id.clone(), |known, told| match &told.fact {
        Fact::Renamed { from, to } if *from == known => to.clone(),
        _ => known,
    })
}

/// Goes through an engine's runs and what was told of it, in their order.
fn stand(engine: &mut Engine, told: &[Told]) {
    let mine = |named: &EngineId| known_as(named, told) == engine.id;
    let (mut class, mut excepted, mut exchanges, mut layout) = (None, Vec::new(), Vec::new(), Vec::new());
    for told in told {
        match &told.fact {
            Fact::Classed { engine, class: new } if mine(engine) => class.clone_from(new),
            Fact::Excepted { engine, standard, why } if mine(engine) => {
                excepted.push((standard.clone(), why.clone()));
            }
            Fact::Changed { engine, what } if mine(engine) => exchanges.push((told.after, what.clone())),
            Fact::LayoutChecked { engine, check } if mine(engine) => layout.push((told.after, check.clone())),
            _ => {}
        }
    }
    (engine.class, engine.excepted) = (class, excepted);
    engine.hours = engine.runs.iter().map(|run| run.driven_s).sum::<f64>() / 3600.0;
    let (mut decoder, mut next) = ((None, None), exchanges.iter().peekable());
    let mut told_since = 0;
    let lapse = |engine: &mut Engine, why: String| {
        if engine.table.take().is_some() || matches!(engine.standing, Standing::Calibrated(_)) {
            engine.standing = Standing::Lapsed(why);
        }
    };
    for at in 0..engine.runs.len() {
        let run = &engine.runs[at];
        let (ordinal, seen) = (run.ordinal, (run.maker, run.version));
        let (calibrated, verdict, outcome) = (run.calibrated(), run.verdict, run.outcome);
        let has_curve = run.fastest_mm_s.iter().all(Option::is_some);
        let measured = outcome == Some(End::Measured);
        while let Some((_, what)) = next.next_if(|(after, _)| *after < ordinal) {
            lapse(engine, format!("{what} exchanged"));
            engine.curve = None;
            decoder = (None, None);
        }
        if exchanged(decoder, seen) {
            lapse(engine, "another decoder was found in it".to_owned());
            engine.curve = None;
        }
        decoder = (seen.0.or(decoder.0), seen.1.or(decoder.1));
        if outcome == Some(End::Restored) {
            lapse(engine, "its old values were put back".to_owned());
        }
        if has_curve && (calibrated || measured) {
            engine.curve = Some(at);
        }
        if calibrated {
            (engine.table, engine.standing) = (Some(at), Standing::Calibrated(verdict));
            told_since = ordinal;
        }
    }
    for (_, what) in next {
        lapse(engine, format!("{what} exchanged"));
        engine.curve = None;
    }
    if engine.table.is_some() {
        engine.layout =
            layout.into_iter().filter(|(after, _)| *after >= told_since).map(|(_, check)| check).collect();
    }
}

fn exchanged(before: (Option<u8>, Option<u8>), now: (Option<u8>, Option<u8>)) -> bool {
    let differs = |before: Option<u8>, now: Option<u8>| before.zip(now).is_some_and(|(a, b)| a != b);
    differs(before.0, now.0) || differs(before.1, now.1)
}

/// Re-checks behind the run whose table counts, held against its speeds.
fn rechecks(engine: &Engine) -> Vec<Recheck> {
    let Some(at) = engine.table else { return Vec::new() };
    let proved = &engine.runs[at].steps;
    let later = engine.runs[at + 1..]
        .iter()
        .filter(|run| run.purpose == "recheck" && run.outcome == Some(End::Checked));
    later
        .filter_map(|run| {
            let mut off = Vec::new();
            for row in &run.steps {
                let Some(before) = proved.iter().find(|before| before.step == row.step) else { continue };
                for (now, u, before) in [
                    (row.forward_mm_s, row.forward_own_u_mm_s, before.forward_mm_s),
                    (row.reverse_mm_s, row.reverse_own_u_mm_s, before.reverse_mm_s),
                ] {
                    let (Some(now), Some(u), Some(before)) = (now, u, before) else { continue };
                    if before > 0.0 {
                        off.push((100.0 * (now / before - 1.0), 100.0 * u / before));
                    }
                }
            }
            let count = off.len() as f64;
            if off.is_empty() {
                return None;
            }
            let percent = off.iter().map(|(percent, _)| percent).sum::<f64>() / count;
            // The placing of this re-check is the same error in all of its figures: their doubts are not divided by their number.
            let u_percent = libm::sqrt(off.iter().map(|(_, u)| u * u).sum::<f64>() / count);
            Some(Recheck {
                run: run.id.clone(),
                started: run.started.clone(),
                seen: Seen { percent, u_percent },
            })
        })
        .collect()
}
