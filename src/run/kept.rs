//! The list of CVs that the person keeps: whether it is this engine's, and where its values stand in for reading.
//!
//! What is read from the decoder counts. A value of the list becomes the original of a CV that does not answer, so that a
//! failed run can write it back; it never counts as known content, so the run writes what it needs all the same.
use super::baseline::ADJUSTMENTS;
use super::cx::{Cx, Failure};
use super::snapshot::OWNER;
use crate::cause::{cv_list as causes, engine as engine_causes};
use crate::config::ProgrammingPlace;
use crate::dcc::cv29::Bit;
use crate::dcc::{Address, Cv29, cv};

/// What the list says of a CV.
fn listed(cx: &Cx, cv: u16) -> Option<u8> {
    cx.plan.kept.iter().find(|(number, _)| *number == cv).map(|(_, value)| *value)
}

/// The list must be of the engine that the bench file names, as far as it says whose it is.
pub(super) fn is_of_this_engine(cx: &Cx) -> Result<(), Failure> {
    let address = cx.plan.spec.engine.address;
    let wanted = match address {
        Address::Short(number) => vec![(cv::SHORT_ADDRESS, number)],
        // S-9.2.2 CV 17 and 18: the high byte has its two highest bits set.
        Address::Long(number) => {
            let [high, low] = number.to_be_bytes();
            vec![(cv::LONG_ADDRESS_HIGH, high | 0xc0), (cv::LONG_ADDRESS_LOW, low)]
        }
    };
    for (cv, value) in wanted {
        if let Some(found) = listed(cx, cv).filter(|found| *found != value) {
            let evidence = format!("CV {cv} is {found} in the list and must be {value} for {address}");
            return Err(Failure::halted(&causes::OF_ANOTHER, evidence));
        }
    }
    let long = matches!(address, Address::Long(_));
    match listed(cx, cv::SETTINGS) {
        Some(settings) if Cv29::from_value(settings).has(Bit::LongAddress) != long => {
            let evidence = format!("CV 29 is {settings} in the list, which does not go with {address}");
            Err(Failure::halted(&causes::OF_ANOTHER, evidence))
        }
        _ => Ok(()),
    }
}

/// CV 7 and CV 8 of the list are compared where they were read.
pub(super) fn is_of_this_decoder(cx: &Cx) -> Result<(), Failure> {
    for cv in OWNER {
        if let (Some(found), Some(listed)) = (cx.cvs.known.get(&cv), listed(cx, cv))
            && *found != listed
        {
            let evidence = format!("CV {cv} is {listed} in the list and {found} in the decoder");
            return Err(Failure::halted(&causes::OF_ANOTHER, evidence));
        }
    }
    Ok(())
}

/// Takes originals from the list for those of `changed` that were not read; those that the list does not hold come back.
pub(super) fn stand_in(cx: &mut Cx, changed: impl Iterator<Item = u16>) -> Vec<u16> {
    let (mut missing, mut taken) = (Vec::new(), Vec::new());
    for cv in changed.filter(|cv| !cx.cvs.known.contains_key(cv)).collect::<Vec<_>>() {
        match listed(cx, cv) {
            Some(value) => taken.push((cv, value)),
            None => missing.push(cv),
        }
    }
    // A decoder that has these CVs at zero needs nothing done to them.
    let adjusted = ADJUSTMENTS.into_iter().filter(|cv| !cx.cvs.known.contains_key(cv));
    taken.extend(
        adjusted.filter_map(|cv| listed(cx, cv).filter(|value| *value != 0).map(|value| (cv, value))),
    );
    taken.sort_unstable();
    for (cv, value) in &taken {
        // An original that an earlier run left pending is older.
        cx.cvs.originals.entry(*cv).or_insert(*value);
        cx.cvs.mute.insert(*cv);
    }
    if let Some((_, settings)) = taken.iter().find(|(cv, _)| *cv == cv::SETTINGS) {
        cx.cvs.assumed_29 = Some(Cv29::from_value(*settings));
    }
    if !taken.is_empty() {
        let numbers: Vec<u16> = taken.iter().map(|(cv, _)| *cv).collect();
        cx.note(&causes::STANDS_IN, format!("CV {}", ranges(&numbers)));
    }
    missing
}

/// On the main nothing is read: the list must hold all that the run changes, unless the person accepts no way back.
pub(super) fn on_the_main(cx: &mut Cx, changed: impl Iterator<Item = u16>) -> Result<(), Failure> {
    let missing = stand_in(cx, changed);
    if missing.is_empty() || cx.plan.spec.programming.no_way_back {
        return Ok(());
    }
    Err(Failure::rejected(&causes::INCOMPLETE, format!("missing: CV {}", ranges(&missing))))
}

/// On the programming output a CV that does not answer must stand in the list.
pub(super) fn beside_reading(cx: &mut Cx, changed: impl Iterator<Item = u16>) -> Result<(), Failure> {
    let missing = stand_in(cx, changed);
    if missing.is_empty() {
        return Ok(());
    }
    Err(Failure::rejected(&engine_causes::CV_UNREADABLE, format!("CV {}", ranges(&missing))))
}

/// Says where the decoder holds something else than the list. What an earlier run left pending is what it held.
pub(super) fn compare(cx: &mut Cx) {
    let held = |cv: u16| cx.cvs.originals.get(&cv).or_else(|| cx.cvs.known.get(&cv)).copied();
    let differs: Vec<String> = cx
        .plan
        .kept
        .iter()
        .filter_map(|(cv, listed)| {
            let held = held(*cv).filter(|held| held != listed)?;
            Some(format!("CV {cv} is {held}, the list says {listed}"))
        })
        .collect();
    if !differs.is_empty() {
        cx.note(&causes::DIFFERS, differs.join("; "));
    }
}

/// Of `values` those that were written without being read back.
pub(super) fn unread(cx: &Cx, values: &[(u16, u8)]) -> Vec<u16> {
    let main = cx.plan.spec.programming.place == ProgrammingPlace::Main;
    values.iter().map(|(cv, _)| *cv).filter(|cv| main || cx.cvs.mute.contains(cv)).collect()
}

/// Numbers as people write them: `2 to 6, 29, 66 to 95`. They rise.
pub(super) fn ranges(numbers: &[u16]) -> String {
    let mut runs: Vec<(u16, u16)> = Vec::new();
    for number in numbers {
        match runs.last_mut() {
            Some((_, last)) if *last + 1 == *number => *last = *number,
            _ => runs.push((*number, *number)),
        }
    }
    let written = runs.iter().map(|(first, last)| match last - first {
        0 => first.to_string(),
        1 => format!("{first}, {last}"),
        _ => format!("{first} to {last}"),
    });
    written.collect::<Vec<_>>().join(", ")
}
