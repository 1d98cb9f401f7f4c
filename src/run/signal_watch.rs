//! What the signal itself shows to be wrong: said once each, the end of a run where turns can't be trusted, and the
//! reason in place of one that would blame the engine for the sensor.
use super::cx::{Cx, Failure};
use super::outcome::End;
use super::record::RecordBody;
use crate::cause::{Cause, Reason, engine, sensor, signal as causes};
use crate::motion::{Swing, Trouble};
use crate::sensor::Source;
use std::collections::BTreeSet;

/// A swing of less than this many standard deviations of noise is none.
const SWINGS: f64 = 1.5;
/// A field of less than this many standard deviations of noise is none, and a swing of less is not sure to be followed.
const NO_FIELD: f64 = 6.0;
/// A swing of less than this part of the standing field comes from poles along the axle.
const ALONG: f64 = 0.25;
/// The field swings along one line if it swings across by less than this part.
const ONE_LINE: f64 = 0.1;

/// Codes that blame the engine, or nobody, for what a bad signal may have made of it.
const BLAMES: [&str; 7] = [
    engine::NOT_MOVING.code,
    engine::WRONG_WAY.code,
    engine::NO_STANDSTILL.code,
    engine::MOVES_UNASKED.code,
    engine::DOES_NOT_FOLLOW.code,
    engine::CURVE_UNUSABLE.code,
    sensor::SIGNAL_LOST.code,
];
/// Those of them that say that no turning was seen.
const UNSEEN: [&str; 2] = [engine::NOT_MOVING.code, sensor::SIGNAL_LOST.code];

/// And those that say that no rest was seen.
const UNREST: [&str; 2] = [engine::NO_STANDSTILL.code, engine::MOVES_UNASKED.code];

/// What was said of the signal so far.
#[derive(Debug, Default)]
pub(super) struct SignalWatch {
    said: BTreeSet<&'static str>,
}

impl SignalWatch {
    /// Says what is new, into the record and `reasons`; ends the run where the engine moves and turns can't be trusted.
    pub(super) fn look(&mut self, cx: &mut Cx, reasons: &mut Vec<Reason>) -> Result<(), Failure> {
        if cx.station.programming || cx.waiting {
            // Somebody may be handling the engine, or pulses of current jerk it.
            cx.motion.forgive();
            return Ok(());
        }
        let moving = cx.ordered.0.value > 0;
        // Turning round on a straight looks like a fall of the speed.
        let turns_round = !cx.is_endless();
        let troubles: Vec<Trouble> = cx
            .motion
            .troubles()
            .filter(|trouble| !(turns_round && matches!(trouble, Trouble::Slips { leaps: 0, .. })))
            .collect();
        // What is grave may be explained by what comes before it, which then is the reason.
        let explained = cx.motion.is_blind() && !troubles.iter().any(Trouble::is_grave);
        for trouble in troubles {
            let (cause, evidence) = (cause_of(trouble), evidence_of(trouble));
            if moving && (trouble.is_grave() || explained) {
                return Err(Failure::halted(cause, evidence));
            }
            if self.said.insert(cause.code) {
                let reason = Reason::new(cause, evidence);
                cx.record(RecordBody::Noted(reason.clone()));
                reasons.push(reason);
            }
        }
        Ok(())
    }
}

/// The failure with the cause that the signal shows, where it has one.
pub(super) fn explain(cx: &Cx, failure: Failure) -> Failure {
    let code = failure.reason.code.as_str();
    if !matches!(cx.plan.spec.sensor.source, Source::Field { .. }) || !BLAMES.contains(&code) {
        return failure;
    }
    if let Some(trouble) = cx.motion.troubles().next().or_else(|| cx.motion.hasty_trouble()) {
        return because(&failure, cause_of(trouble), &evidence_of(trouble));
    }
    if code == engine::NOT_MOVING.code && cx.motion.has_seen_turning() {
        return failure.adding("the field stands still, and had been seen turning before");
    }
    if UNREST.contains(&code) && cx.motion.is_lost() {
        return because(
            &failure,
            &sensor::SIGNAL_LOST,
            "the field is no longer that of the magnet seen turning",
        );
    }
    match cx.motion.swing() {
        Some(swing) if UNSEEN.contains(&code) => unseen(failure, swing),
        // No turn was ever seen: what moves then need not be the axle.
        Some(swing) if UNREST.contains(&code) && swing.swings[0] > SWINGS * swing.noise => {
            because(&failure, &causes::NOT_CLOSING, &told(swing))
        }
        _ => failure,
    }
}

/// No turn was seen: what the field did instead.
fn unseen(failure: Failure, swing: Swing) -> Failure {
    let Swing { standing, swings: [along, across], noise } = swing;
    let evidence = told(swing);
    if along < SWINGS * noise {
        if standing < NO_FIELD * noise {
            let evidence = format!("{standing:.1} in the sensor's unit, its noise is {noise:.1}");
            return because(&failure, &causes::NO_FIELD, &evidence);
        }
        let more =
            format!("the field stayed at {standing:.0} in the sensor's unit, within its noise of {noise:.1}");
        return failure.adding(&more);
    }
    if along < ALONG * standing {
        let part = format!("{:.1} % of the field moves; {evidence}", 100.0 * along / standing);
        return because(&failure, &causes::POLES_ALONG, &part);
    }
    if along < NO_FIELD * noise {
        return because(&failure, &causes::WEAK, &evidence);
    }
    if across < ONE_LINE * along {
        return because(&failure, &causes::ONE_PAIR, &evidence);
    }
    failure.adding(&evidence)
}

fn told(swing: Swing) -> String {
    let Swing { standing, swings: [along, across], noise } = swing;
    format!(
        "the field swings by {along:.1} and {across:.1} about {standing:.0} in the sensor's unit, its noise is {noise:.1}"
    )
}

/// Another cause for the same end; what it looked like stays in the evidence.
fn because(failure: &Failure, cause: &Cause, evidence: &str) -> Failure {
    let Reason { code, evidence: seen, .. } = &failure.reason;
    let reason = Reason::new(cause, format!("{evidence}; it looked like {code}: {seen}"));
    Failure { end: End::Halted, reason, emergency: failure.emergency, link: failure.link }
}

fn cause_of(trouble: Trouble) -> &'static Cause {
    match trouble {
        Trouble::AxisDead { .. } => &causes::AXIS_DEAD,
        Trouble::Clipped { .. } => &causes::CLIPPED,
        Trouble::PolesAlong { .. } => &causes::POLES_ALONG,
        Trouble::OnePair { .. } => &causes::ONE_PAIR,
        Trouble::Weak { .. } => &causes::WEAK,
        Trouble::OffsetMoved { .. } => &causes::OFFSET_MOVED,
        Trouble::Noisy { .. } => &causes::NOISY,
        Trouble::NotClosing { .. } => &causes::NOT_CLOSING,
        Trouble::Slips { .. } => &causes::SLIPS,
    }
}

fn evidence_of(trouble: Trouble) -> String {
    let name = |axis: usize| ["bx", "by", "bz"].get(axis).copied().unwrap_or("an axis");
    match trouble {
        Trouble::AxisDead { axis, value } => format!("{} stays at {value}", name(axis)),
        Trouble::Clipped { axis, value, part } => {
            format!("{} is at {value} in {:.0} % of the samples", name(axis), 100.0 * part)
        }
        Trouble::PolesAlong { part } => {
            format!("the turning part is {:.1} % of the standing field", 100.0 * part)
        }
        Trouble::OnePair { ratio } => {
            format!("across its line it changes by {:.1} % of what it changes along it", 100.0 * ratio)
        }
        Trouble::Weak { times } => format!("{times:.1} times its noise, 6 are needed"),
        Trouble::OffsetMoved { part } => format!("by {:.0} % of the turning part", 100.0 * part),
        Trouble::Noisy { ratio } => format!("noise {:.1} % of the turning part", 100.0 * ratio),
        Trouble::NotClosing { scatter, noise } => format!(
            "the radius scatters by {:.1} %, of which noise makes {:.1} %",
            100.0 * scatter,
            100.0 * noise
        ),
        Trouble::Slips { leaps, widest_rad, falls } => format!(
            "leaps of the angle in the last minute: {leaps} (widest {:.0} degrees), falls of the speed: {falls}",
            widest_rad.to_degrees()
        ),
    }
}
