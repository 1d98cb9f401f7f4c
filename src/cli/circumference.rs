//! The verb `circumference`: the two lines for `[axle]` from a distance rolled, and how their doubt was composed.
use super::args::CircumferenceArgs;
use super::exit::Exit;
use super::{out, verbs};
use crate::config::{Rolled, RolledWords, rolled};
use crate::words;

/// Prints the lines, or says what cannot be understood.
pub(crate) fn circumference(args: &CircumferenceArgs) -> Exit {
    let words = RolledWords {
        distance: &args.distance,
        turns: &args.turns,
        doubt: &args.doubt,
        turns_doubt: &args.turns_doubt,
    };
    match rolled(&words) {
        Ok(found) => verbs::print(&told(args, &found)),
        Err(reasons) => {
            for reason in &reasons {
                out::say(&format!("\n{}", words::reason(reason)));
            }
            Exit::WrongUse
        }
    }
}

/// The lines with their origin as comments, ready for a bench file.
fn told(args: &CircumferenceArgs, found: &Rolled) -> String {
    let per_cent = |u_rel: f64| format!("{:.4} %", 100.0 * u_rel);
    format!(
        "[axle]\n{}\n\
         # Standard uncertainties (k = 1), put together as the root of their squares:\n\
         #   distance  {} known to {}: {}\n\
         #   turns     {} known to {} of a turn: {}\n\
         #   together  {} = {:.4} mm of {:.4} mm\n\
         # Not in it: a wheel that touches elsewhere on its tread than when it was rolled (contact, placings).",
        found.lines(),
        args.distance.trim(),
        args.doubt.trim(),
        per_cent(found.distance_u_rel),
        args.turns.trim(),
        args.turns_doubt.trim(),
        per_cent(found.turns_u_rel),
        per_cent(found.u_rel),
        found.circumference_mm * found.u_rel,
        found.circumference_mm,
    )
}
