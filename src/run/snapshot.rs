//! What the decoder holds before anything is changed, and what has to go back.
use super::cv_job::{CvJob, CvOp};
use super::cx::{Cx, Failure};
use crate::cause::engine as causes;
use crate::config::ProgrammingPlace;
use crate::dcc::Address;

/// CVs that the run changes and so must be able to put back: Vstart, Vmid, Vhigh, momentum, CV 29, table, trims.
const MUST_READ: [u16; 6] = [2, 3, 4, 5, 6, 29];
/// CVs read for identity and for the record.
const ALSO_READ: [u16; 9] = [1, 7, 8, 11, 17, 18, 19, 23, 24];
/// The table and both trims: CV 66 to CV 95.
pub(super) const TABLE_CVS: std::ops::RangeInclusive<u16> = 66..=95;
/// CV 29, table in use.
pub(super) const TABLE_BIT: u8 = 0x10;
/// CV 29, 28 steps and more.
pub(super) const STEPS_BIT: u8 = 0x02;
/// CV 29, analogue operation allowed.
pub(super) const ANALOGUE_BIT: u8 = 0x04;
/// CV 29, long address in use.
const LONG_BIT: u8 = 0x20;

/// Reads everything that matters.
pub(super) fn job(cx: &Cx) -> CvJob {
    let numbers = ALSO_READ.into_iter().chain(MUST_READ).chain(TABLE_CVS);
    CvJob::new(cx, numbers.map(CvOp::Read))
}

/// Judges what was read: the right engine, drivable, and with a way back.
pub(super) fn judge(cx: &mut Cx) -> Result<(), Failure> {
    if cx.plan.spec.programming.place == ProgrammingPlace::Main {
        // Nothing can be read on the main; the bench file states that no way back is accepted. What CV 29 must
        // hold for this address and step mode is known all the same.
        let long = if matches!(cx.plan.spec.engine.address, Address::Long(_)) { LONG_BIT } else { 0 };
        cx.cvs.assumed_29 = Some(STEPS_BIT | long);
        cx.identified = true;
        return Ok(());
    }
    let missing: Vec<String> = MUST_READ
        .into_iter()
        .chain(TABLE_CVS)
        .filter(|cv| !cx.cvs.known.contains_key(cv))
        .map(|cv| cv.to_string())
        .collect();
    if !missing.is_empty() {
        return Err(Failure::rejected(&causes::CV_UNREADABLE, format!("CV {}", missing.join(", "))));
    }
    address(cx)?;
    cx.identified = true;
    let consist = cx.cvs.known.get(&19).copied().unwrap_or(0);
    if consist & 0x7F != 0 {
        return Err(Failure::rejected(&causes::IN_CONSIST, format!("CV 19 = {consist}")));
    }
    Ok(())
}

/// The decoder's own address must be the one of the bench file (S-9.2.2 CV 1, 17, 18, 29 bit 5).
fn address(cx: &Cx) -> Result<(), Failure> {
    let read = |cv: u16| cx.cvs.known.get(&cv).copied();
    let long = read(29).is_some_and(|value| value & LONG_BIT != 0);
    let found = if long {
        match (read(17), read(18)) {
            (Some(high), Some(low)) => {
                Some(Address::Long(u16::from(high).saturating_sub(192) * 256 + u16::from(low)))
            }
            _ => None,
        }
    } else {
        read(1).map(Address::Short)
    };
    let wanted = cx.plan.spec.engine.address;
    if found == Some(wanted) {
        return Ok(());
    }
    let evidence =
        format!("bench file says {}, decoder says {}", show(wanted), found.map_or("nothing".into(), show));
    Err(Failure::halted(&causes::ANOTHER_ENGINE, evidence))
}

fn show(address: Address) -> String {
    match address {
        Address::Short(number) => format!("short {number}"),
        Address::Long(number) => format!("long {number}"),
    }
}

/// Puts these values back, table bit off first and CV 29 last.
pub(super) fn restore_ops(cx: &Cx, values: &[(u16, u8)]) -> Vec<CvOp> {
    let mut ops = Vec::new();
    let table = values.iter().any(|(cv, _)| TABLE_CVS.contains(cv));
    if let (true, Some(now)) = (table, cx.cvs.known.get(&29))
        && now & TABLE_BIT != 0
    {
        ops.push(CvOp::Write(29, now & !TABLE_BIT));
    }
    ops.extend(values.iter().filter(|(cv, _)| *cv != 29).map(|(cv, value)| CvOp::Write(*cv, *value)));
    let original = values.iter().find(|(cv, _)| *cv == 29).map(|(_, value)| *value);
    let back = original.or_else(|| if table { cx.cvs.known.get(&29).copied() } else { None });
    ops.extend(back.map(|value| CvOp::Write(29, value)));
    ops
}
