//! Axle, engine, path, functions.
use crate::cause::bench_file as cause;
use crate::config::key::AnyKey;
use crate::config::keys::vehicle::{self as key, AddressKind, PathForm};
use crate::config::kind::DoubtValue;
use crate::config::reading::{Given, Reading};
use crate::config::spec::{AxleSpec, EngineSpec, FunctionSpec, LeadingEnd, PathKind};
use crate::dcc::Address;

/// The largest doubt of the axle that makes sense: every speed would be that wrong.
pub(in crate::config) const MOST_DOUBT: f64 = 0.1;

pub(super) fn axle(reading: &mut Reading<'_>) -> Option<AxleSpec> {
    let (circumference, diameter) = (reading.given(&key::CIRCUMFERENCE), reading.given(&key::DIAMETER));
    let doubt = reading.value(&key::DOUBT);
    let contact = reading.given(&key::CONTACT);
    let (measure, turns) = match (circumference, diameter) {
        (Given::Good(mm), Given::Absent) => (mm, 1.0),
        (Given::Absent, Given::Good(mm)) => (mm, std::f64::consts::PI),
        _ => return None,
    };
    let relative = |doubt| match doubt {
        DoubtValue::Fraction(fraction) => fraction,
        DoubtValue::Length(mm) => mm / measure,
    };
    let circumference_u_rel = relative(doubt?);
    let contact_u_rel = match contact {
        Given::Good(contact) => relative(contact),
        Given::Absent => 0.0,
        Given::Bad => return None,
    };
    let better = "measure it better: roll ten turns along a ruler and divide by ten";
    let unlike = "no wheel's tread differs so much from place to place: perhaps the unit is another";
    for (key, u_rel, hint) in
        [(&key::DOUBT, circumference_u_rel, better), (&key::CONTACT, contact_u_rel, unlike)]
    {
        if u_rel > MOST_DOUBT {
            let span = reading.span(key);
            let expected = "a doubt of at most 10 % of the measure".to_owned();
            reading.complain(&cause::OUT_OF_RANGE, key.path(), span, expected, hint);
            return None;
        }
    }
    Some(AxleSpec { circumference_mm: measure * turns, circumference_u_rel, contact_u_rel })
}

/// The ratio alone, for checks of other sections when the engine is not whole.
pub(super) fn scale(reading: &Reading<'_>) -> Option<f64> {
    let name = reading.quiet(&key::SCALE).map(|(_, ratio)| ratio);
    name.or_else(|| reading.quiet(&key::RATIO).map(|(_, ratio)| ratio))
}

pub(super) fn engine(reading: &mut Reading<'_>) -> Option<EngineSpec> {
    let name = reading.value(&key::ENGINE_NAME);
    let number = reading.value(&key::ADDRESS);
    let kind = reading.value(&key::KIND);
    let scale = match (reading.given(&key::SCALE), reading.given(&key::RATIO)) {
        (Given::Good(scale), Given::Absent) | (Given::Absent, Given::Good(scale)) => Some(scale),
        _ => None,
    };
    let step_mode = reading.value(&key::STEPS);
    let leading_end = reading.value(&key::LEADING_END);
    let decoder = reading.given(&key::DECODER);
    let address = address(reading, number?, kind?);
    let (scale_name, scale_ratio) = scale?;
    Some(EngineSpec {
        name: name?,
        address: address?,
        scale_ratio,
        scale_name,
        step_mode: step_mode?,
        leading_end: leading_end?,
        decoder: match decoder {
            Given::Absent => None,
            Given::Good(name) => Some(name),
            Given::Bad => return None,
        },
    })
}

fn address(reading: &mut Reading<'_>, number: u16, kind: AddressKind) -> Option<Address> {
    let address = match kind {
        AddressKind::Long => Address::long(number),
        AddressKind::Short => Address::short(number),
    };
    if address.is_err() {
        // The key itself admits no number beyond the long ones.
        reading.contradiction(
            &key::ADDRESS,
            &[(&key::KIND, "short is said here")],
            "a short address, from 1 to 127",
            "write kind = \"long\" if the engine has a long address, else correct the address",
        );
    }
    address.ok()
}

pub(super) fn path(reading: &mut Reading<'_>) -> Option<PathKind> {
    let form = reading.value(&key::PATH_KIND);
    let (length, reserve) = (reading.given(&key::LENGTH), reading.given(&key::RESERVE));
    let form = form?;
    if form != PathForm::Straight && !matches!(reserve, Given::Absent) {
        let others: &[(&dyn AnyKey, &str)] = &[(&key::PATH_KIND, "this has no ends")];
        let hint = "leave the reserve out, or write kind = \"straight\"";
        reading.contradiction(&key::RESERVE, others, "no reserve but on a straight", hint);
    }
    match (form, length) {
        (PathForm::Rollers, Given::Absent) => Some(PathKind::Rollers),
        (PathForm::Rollers, _) => {
            let others: &[(&dyn AnyKey, &str)] = &[(&key::PATH_KIND, "rollers are endless")];
            let hint = "leave the length out, or write kind = \"loop\" or \"straight\"";
            reading.contradiction(&key::LENGTH, others, "no length with rollers", hint);
            None
        }
        (form, Given::Absent) => {
            let what = if form == PathForm::Loop { "loop" } else { "straight" };
            let hint = format!("a {what} needs its length, for example: length = \"4.2 m\"");
            reading.missing(&key::LENGTH, hint);
            None
        }
        (_, Given::Bad) => None,
        (PathForm::Loop, Given::Good(length_mm)) => Some(PathKind::Loop { length_mm }),
        (PathForm::Straight, Given::Good(length_mm)) => straight(reading, length_mm, &reserve),
    }
}

/// A straight needs room between what is kept free at its ends, and where it begins must be known.
fn straight(reading: &mut Reading<'_>, length_mm: f64, reserve: &Given<f64>) -> Option<PathKind> {
    let reserve_mm = match reserve {
        Given::Absent => key::USUAL_RESERVE_MM,
        Given::Good(mm) => *mm,
        Given::Bad => return None,
    };
    if length_mm < 4.0 * reserve_mm {
        let others: &[(&dyn AnyKey, &str)] = &[(&key::LENGTH, "the length is said here")];
        let place: &dyn AnyKey = if reading.stands(&key::RESERVE) { &key::RESERVE } else { &key::LENGTH };
        let hint = format!(
            "{reserve_mm:.0} mm are kept free at each end: lengthen the straight or shorten the reserve"
        );
        reading.contradiction(place, others, "a straight of at least four times the reserve", hint);
        return None;
    }
    if reading.quiet(&key::LEADING_END) == Some(LeadingEnd::Ask) {
        let others: &[(&dyn AnyKey, &str)] = &[(&key::PATH_KIND, "a straight has ends")];
        let hint = "try with a hand controller which end leads forward, and write front or rear";
        reading.contradiction(&key::LEADING_END, others, "front or rear on a straight", hint);
        return None;
    }
    Some(PathKind::Straight { length_mm, reserve_mm })
}

pub(super) fn functions(reading: &mut Reading<'_>) -> Option<FunctionSpec> {
    let numbers = reading.value(&key::ON);
    let count = reading.value(&key::COUNT)?;
    let mut on = vec![false; usize::from(count)];
    for (number, span) in numbers? {
        let fault = match on.get_mut(usize::from(number)) {
            Some(function) if !*function => {
                *function = true;
                continue;
            }
            Some(_) => ("each function once".to_owned(), format!("{number} stands twice; leave one")),
            None => (
                format!("a function from 0 to {}", count - 1),
                format!("the engine is announced with {count} functions: raise count or leave {number} out"),
            ),
        };
        reading.complain(&cause::CONTRADICTION, key::ON.path(), span, fault.0, fault.1);
    }
    Some(FunctionSpec { on })
}
