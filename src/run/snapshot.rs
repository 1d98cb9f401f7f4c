//! What the decoder holds before anything is changed, and what has to go back.
use super::cv_job::{CvJob, CvOp};
use super::cx::{Cx, Failure};
use super::input::Purpose;
use super::kept;
use crate::calibrate::TableReading;
use crate::cause::{engine as causes, profile as profile_causes, station as station_causes};
use crate::config::{LinearBy, ProgrammingPlace};
use crate::dcc::cv29::Bit;
use crate::dcc::{Address, Consist, Cv29, cv};

/// CVs that the run changes beside table and trims, and so must be able to put back.
const MUST_READ: [u16; 6] =
    [cv::START_DRIVE, cv::ACCELERATION, cv::DECELERATION, cv::TOP_DRIVE, cv::MID_DRIVE, cv::SETTINGS];
/// CVs read for identity and for the record.
const ALSO_READ: [u16; 12] = [
    cv::KEY,
    cv::LOCK,
    cv::SHORT_ADDRESS,
    cv::VERSION,
    cv::MAKER,
    cv::PACKET_TIMEOUT,
    cv::LONG_ADDRESS_HIGH,
    cv::LONG_ADDRESS_LOW,
    cv::CONSIST,
    cv::CONSIST_HUNDREDS,
    cv::ACCELERATION_ADJUST,
    cv::DECELERATION_ADJUST,
];

/// CVs that tell one decoder from another of the same address.
pub(super) const OWNER: [u16; 2] = [cv::VERSION, cv::MAKER];

/// All that the run is going to change and so must be able to put back.
fn changed(cx: &Cx) -> Vec<u16> {
    let profile = &cx.plan.profile;
    let usual = MUST_READ.into_iter().chain(cv::TABLE_WITH_TRIMS).filter(|cv| profile.touches(*cv));
    let mut numbers: Vec<u16> = match &cx.plan.purpose {
        Purpose::Calibrate | Purpose::Sweep => usual.chain(profile.keep.iter().map(|(cv, _)| *cv)).collect(),
        Purpose::Retarget(_) => usual.collect(),
        Purpose::Check | Purpose::Recheck | Purpose::RunIn { .. } | Purpose::Roll { .. } => Vec::new(),
        Purpose::PutBack { values, .. } => values.iter().map(|(cv, _)| *cv).collect(),
    };
    numbers.sort_unstable();
    numbers.dedup();
    numbers
}

/// Reads everything that matters.
pub(super) fn job(cx: &Cx) -> CvJob {
    // CV 29 says which address is live, CV 3 and 4 how slowly it follows, whatever may be written.
    let always = [cv::SETTINGS, cv::ACCELERATION, cv::DECELERATION];
    let changed = changed(cx).into_iter().filter(|cv| !always.contains(cv) && !ALSO_READ.contains(cv));
    // What is judged belongs into the record.
    let judged = (cx.plan.purpose == Purpose::Check).then_some(cv::TABLE_WITH_TRIMS).into_iter().flatten();
    CvJob::new(cx, ALSO_READ.into_iter().chain(always).chain(changed).chain(judged).map(CvOp::Read))
}

/// Judges what was read: the right engine, drivable, and with a way back.
pub(super) fn judge(cx: &mut Cx) -> Result<(), Failure> {
    goes_with_the_profile(cx)?;
    kept::is_of_this_engine(cx)?;
    if cx.plan.spec.programming.place == ProgrammingPlace::Main {
        // Nothing can be read on the main: originals come from the list that the person keeps, or the bench file states
        // that no way back is accepted. What CV 29 must hold for this address and step mode is known all the same.
        let long = matches!(cx.plan.spec.engine.address, Address::Long(_));
        let settings = Cv29::from_value(0).with(Bit::Steps28, cx.steps_28()).with(Bit::LongAddress, long);
        cx.cvs.assumed_29 = Some(settings);
        if let Purpose::PutBack { write: false, .. } = cx.plan.purpose {
            let evidence = "on the main nothing is read; with --yes the values are written all the same";
            return Err(Failure::rejected(&causes::CV_UNREADABLE, evidence));
        }
        kept::on_the_main(cx, changed(cx).into_iter())?;
        cx.identified = true;
        return Ok(());
    }
    lock(cx)?;
    if cx.cvs.known.is_empty() {
        let evidence = "not one CV could be read";
        return Err(Failure::halted(&station_causes::PROGRAMMING_NO_ANSWER, evidence));
    }
    kept::beside_reading(cx, changed(cx).into_iter())?;
    address(cx)?;
    owner(cx)?;
    is_as_measured(cx)?;
    kept::is_of_this_decoder(cx)?;
    kept::compare(cx);
    cx.identified = true;
    // A decoder without these CVs is in no consist.
    let read = |cv: u16| cx.cvs.known.get(&cv).copied().unwrap_or(0);
    let (low, hundreds) = (read(cv::CONSIST), read(cv::CONSIST_HUNDREDS));
    // An engine that is not driven may be in one.
    if let Some(consist) = Consist::from_cvs(low, hundreds).filter(|_| cx.plan.purpose.drives()) {
        let evidence = format!("CV 19 = {low}, CV 20 = {hundreds}: consist {}", consist.number);
        if !cx.plan.spec.programming.clear_consist || !cx.plan.purpose.changes_curve() {
            return Err(Failure::rejected(&causes::IN_CONSIST, evidence));
        }
        let forbidden = CONSIST.into_iter().find(|cv| !cx.plan.profile.touches(*cv));
        if let Some(cv) = forbidden {
            let evidence = format!("{evidence}; profile \"{}\" leaves out CV {cv}", cx.plan.profile.name);
            return Err(Failure::rejected(&profile_causes::FORBIDS, evidence));
        }
        cx.note(&causes::CONSIST_CLEARED, evidence);
    }
    Ok(())
}

/// The decoder must hold what it held when the curves were measured that a new table is to come from.
fn is_as_measured(cx: &Cx) -> Result<(), Failure> {
    let Purpose::Retarget(curve) = &cx.plan.purpose else { return Ok(()) };
    let other = |(cv, held): &(u16, u8)| {
        let now = cx.cvs.known.get(cv).filter(|now| *now != held)?;
        Some(format!("CV {cv} = {now}, {held} when the curve was measured"))
    };
    match curve.held.iter().find_map(other) {
        None => Ok(()),
        Some(evidence) => {
            Err(Failure::rejected(&causes::CURVE_OF_ANOTHER, format!("{evidence} (run {})", curve.run_id)))
        }
    }
}

/// What is known of the decoder must leave a way to do what the bench file asks for.
fn goes_with_the_profile(cx: &Cx) -> Result<(), Failure> {
    if !cx.plan.purpose.changes_curve() {
        return Ok(());
    }
    let (profile, of) = (&cx.plan.profile, cx.plan.spec.engine.step_mode);
    let evidence = match (of > 28, profile.linear_by, profile.between) {
        (true, _, Some(TableReading::Held)) => "nothing between its entries, and 126 steps",
        (true, LinearBy::Table, None) => {
            "a sweep on a straight table, and 126 steps that meet it nobody knows how"
        }
        _ => return Ok(()),
    };
    Err(Failure::rejected(&profile_causes::DOES_NOT_FIT, format!("{}: {evidence}", profile.name)))
}

/// Unless CV 15 and CV 16 hold the same, no other CV can be changed (S-9.2.2), or read either (RCN-225).
fn lock(cx: &Cx) -> Result<(), Failure> {
    let known = &cx.cvs.known;
    let evidence = match (known.get(&cv::KEY), known.get(&cv::LOCK)) {
        (Some(key), Some(lock)) if key != lock => format!("CV 15 = {key}, CV 16 = {lock}"),
        (Some(key), None) if known.len() == 1 => format!("CV 15 = {key} answers, and no other CV"),
        _ => return Ok(()),
    };
    Err(Failure::rejected(&causes::LOCKED, evidence))
}

/// The consist address that the run takes out and puts back at its end.
pub(super) const CONSIST: [u16; 2] = [cv::CONSIST, cv::CONSIST_HUNDREDS];

/// Takes the engine out of its consist, if it is in one.
pub(super) fn out_of_consist(cx: &Cx) -> impl Iterator<Item = CvOp> {
    let is_in = |cv: &u16| cx.cvs.known.get(cv).is_some_and(|value| *value != 0);
    let clear = cx.plan.spec.programming.clear_consist;
    CONSIST.into_iter().filter(move |cv| clear && is_in(cv)).map(|cv| CvOp::Write(cv, 0))
}

/// Puts it back into its consist; nothing where it was in none.
pub(super) fn back_into_consist(cx: &Cx) -> Vec<CvOp> {
    let back = cx.cvs.to_restore().into_iter().filter(|(cv, _)| CONSIST.contains(cv));
    back.map(|(cv, value)| CvOp::Write(cv, value)).collect()
}

/// The decoder's own address must be the one of the bench file (S-9.2.2 CV 1, 17, 18, 29 bit 5).
fn address(cx: &Cx) -> Result<(), Failure> {
    // What was not read is 0, which is no address.
    let read = |cv: u16| cx.cvs.known.get(&cv).copied().unwrap_or(0);
    let (high, low) = (read(cv::LONG_ADDRESS_HIGH), read(cv::LONG_ADDRESS_LOW));
    let found = Address::live(read(cv::SHORT_ADDRESS), high, low, cx.cvs.settings());
    let wanted = cx.plan.spec.engine.address;
    if found == Ok(wanted) {
        return Ok(());
    }
    let found = found.map_or("no address that can be read".to_owned(), |address| address.to_string());
    let evidence = format!("bench file: {wanted}, decoder: {found}");
    Err(Failure::halted(&causes::ANOTHER_ENGINE, evidence))
}

/// What differs between the decoder and these values, in words; none where nothing does. On the main nothing was read.
pub(super) fn differences(cx: &Cx, values: &[(u16, u8)]) -> Option<String> {
    let each = values.iter().filter_map(|(cv, value)| match cx.cvs.known.get(cv) {
        Some(holds) if holds == value => None,
        Some(holds) => Some(format!("CV {cv} holds {holds}, held {value}")),
        None => Some(format!("CV {cv} does not answer, held {value}")),
    });
    let all: Vec<String> = each.collect();
    (!all.is_empty()).then(|| all.join("; "))
}

/// The values of an earlier run that go back: without what only says whose they are.
pub(super) fn pending_values(pending: &[(u16, u8)]) -> Vec<(u16, u8)> {
    pending.iter().filter(|(cv, _)| !OWNER.contains(cv)).copied().collect()
}

/// The values of an earlier run must have come out of this decoder: the same address does not make it the same one.
fn owner(cx: &Cx) -> Result<(), Failure> {
    for (cv, expected) in cx.plan.pending.iter().filter(|(cv, _)| OWNER.contains(cv)) {
        let found = cx.cvs.known.get(cv).copied();
        if found != Some(*expected) {
            let found = found.map_or("no answer".to_owned(), |value| value.to_string());
            let evidence = format!(
                "CV {cv}: {found}, but the values an earlier run has to put back are of a decoder with {expected}"
            );
            return Err(Failure::halted(&causes::ANOTHER_ENGINE, evidence));
        }
    }
    Ok(())
}

/// Puts these values back, table bit off first and CV 29 last.
pub(super) fn restore_ops(cx: &Cx, values: &[(u16, u8)]) -> Vec<CvOp> {
    let mut ops = Vec::new();
    let table = values.iter().any(|(cv, _)| cv::TABLE_WITH_TRIMS.contains(cv));
    let now = cx.cvs.known.get(&cv::SETTINGS).copied().map(Cv29::from_value).filter(|_| table);
    let settings = |cv29: Cv29| CvOp::Write(cv::SETTINGS, cv29.value());
    if let Some(now) = now
        && now.has(Bit::SpeedTable)
    {
        ops.push(settings(now.with(Bit::SpeedTable, false)));
    }
    let others = values.iter().filter(|(cv, _)| *cv != cv::SETTINGS);
    ops.extend(others.map(|(cv, value)| CvOp::Write(*cv, *value)));
    let original = values.iter().find(|(cv, _)| *cv == cv::SETTINGS).map(|(_, value)| *value);
    ops.extend(original.map(Cv29::from_value).or(now).map(settings));
    ops
}
