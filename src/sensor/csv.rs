//! CSV lines: a header that names the columns, then a line a sample.
//!
//! `t_us` with `bx,by` and perhaps `bz`, with `angle_rad`, `distance_m`, `speed_m_s` or `pulses`, and `battery_v` and
//! `temperature_c` where the sensor tells them, in any order; further columns are ignored. Of several quantities the
//! source of the bench file picks one. `t_us` is the sensor's own 32-bit count of microseconds, the field comes in any
//! unit. The header may come again and may change the order. What can't be read is told and skipped. This is the
//! project's own format; only the framing is RFC 4180's, without quoting, as no value needs it.
use super::decimal::{self, Decimal, MOST_COLUMNS};
use super::names::{Name, listed, needed, other_source};
use super::told::{Fault, House, Told, shown};
use super::{Quantity, Reading, Sample, SensorEvent, Source, Stamp};
use crate::cause::sensor as cause;

const STAMP: &str = "t_us";

/// Where the columns stand.
#[derive(Clone, Copy, Debug, Default)]
struct Layout {
    columns: usize,
    stamp: usize,
    values: [Option<usize>; Name::ALL.len()],
}

impl Layout {
    fn has(&self, name: Name) -> bool {
        self.values[name as usize].is_some()
    }
}

/// What is known of the columns.
#[derive(Clone, Copy, Debug)]
enum Header {
    /// None came.
    Missing,
    /// One came that can't be used. That was told; what follows it says nothing more.
    Refused,
    /// The columns stand so.
    Usable(Layout),
}

/// Reads CSV lines.
#[derive(Debug)]
pub(super) struct CsvReader {
    source: Source,
    header: Header,
    /// Where the fields of the line at hand begin and end.
    cuts: Vec<(usize, usize)>,
}

impl CsvReader {
    pub(super) fn new(source: Source) -> Self {
        Self { source, header: Header::Missing, cuts: Vec::new() }
    }

    /// A line that is not blank.
    pub(super) fn line(&mut self, text: &str, house: &mut House, told: &mut Told) {
        if let (Header::Usable(layout), true) = (self.header, is_numbers(text)) {
            return self.sample(text, layout, house, told);
        }
        if let Some(header) = header(text, self.source) {
            match header {
                Ok(layout) => {
                    self.header = Header::Usable(layout);
                    told.push(SensorEvent::Layout(quantity(self.source, layout)));
                }
                // The order may have changed: what follows can't be trusted to the old one.
                Err(fault) => {
                    self.header = Header::Refused;
                    told.broken(fault);
                }
            }
            return;
        }
        match self.header {
            Header::Usable(layout) => self.sample(text, layout, house, told),
            Header::Refused => {}
            Header::Missing => {
                let names: Vec<&str> = std::iter::once(STAMP)
                    .chain(needed(self.source).iter().map(|name| name.text()))
                    .collect();
                let came = shown(text.as_bytes());
                let evidence = format!("came {came}, expected a header such as {} first", names.join(","));
                told.broken((&cause::NO_HEADER, evidence));
            }
        }
    }

    /// A line of nothing but plain decimals, as nearly all are; none where the long way must look at it.
    pub(super) fn quick(&self, line: &[u8]) -> Option<Sample> {
        let Header::Usable(layout) = &self.header else { return None };
        if layout.has(Name::BatteryV) || layout.has(Name::TemperatureC) {
            return None;
        }
        let mut found = [Decimal::default(); MOST_COLUMNS];
        if decimal::line(line, &mut found)? != layout.columns {
            return None;
        }
        let at = |name: Name| found.get(layout.values[name as usize]?);
        let value = |name: Name| at(name).map(Decimal::value);
        let stamp = found.get(layout.stamp)?.count()?;
        let reading = match self.source {
            Source::Field { .. } => {
                Reading::Field([value(Name::Bx)?, value(Name::By)?, value(Name::Bz).unwrap_or(0.0)])
            }
            Source::Angle { .. } => Reading::AngleRad(value(Name::AngleRad)?),
            Source::Distance { .. } => Reading::DistanceM(value(Name::DistanceM)?),
            Source::Speed { .. } => Reading::SpeedMS(value(Name::SpeedMS)?),
            Source::Pulses { .. } => Reading::Pulses(at(Name::Pulses)?.whole()?),
        };
        Some(Sample { stamp: Stamp::CountUs(stamp), reading })
    }

    fn sample(&mut self, text: &str, layout: Layout, house: &mut House, told: &mut Told) {
        self.cuts.clear();
        let mut begin = 0;
        for comma in memchr::memchr_iter(b',', text.as_bytes()) {
            self.cuts.push((begin, comma));
            begin = comma + 1;
        }
        self.cuts.push((begin, text.len()));
        let fields = Fields { text, cuts: &self.cuts };
        if fields.count() != layout.columns {
            let evidence = format!(
                "came {} in {}, expected {}",
                counted(fields.count()),
                shown(text.as_bytes()),
                layout.columns
            );
            return told.broken((&cause::LINE_FIELDS, evidence));
        }
        match sample(fields, layout, self.source) {
            Ok(sample) => told.push(SensorEvent::Sample(sample)),
            Err(fault) => return told.broken(fault),
        }
        let mut own = |name: Name| {
            let value =
                layout.values[name as usize].map(|at| fields.at(at)).filter(|value| !value.is_empty())?;
            number(name, value).map_err(|(_, evidence)| house.bad(evidence, told)).ok()
        };
        let (battery_v, temperature_c) = (own(Name::BatteryV), own(Name::TemperatureC));
        house.take(battery_v, temperature_c, told);
    }
}

/// The fields of a line.
#[derive(Clone, Copy)]
struct Fields<'a> {
    text: &'a str,
    cuts: &'a [(usize, usize)],
}

impl<'a> Fields<'a> {
    fn count(self) -> usize {
        self.cuts.len()
    }

    /// A field without the space around it; empty beyond the last.
    fn at(self, index: usize) -> &'a str {
        let cut = self.cuts.get(index).and_then(|(begin, end)| self.text.get(*begin..*end));
        cut.unwrap_or_default().trim()
    }
}

/// A line of nothing but numbers can't name columns: every name has a letter that no number has.
fn is_numbers(text: &str) -> bool {
    text.bytes().all(|byte| matches!(byte, b'0'..=b'9' | b',' | b'.' | b'-' | b'+' | b'e' | b'E' | b' '))
}

fn counted(fields: usize) -> String {
    if fields == 1 { "1 field".to_owned() } else { format!("{fields} fields") }
}

fn quantity(source: Source, layout: Layout) -> Quantity {
    match source {
        Source::Field { .. } => Quantity::Field { axes: if layout.has(Name::Bz) { 3 } else { 2 } },
        Source::Angle { .. } => Quantity::Angle,
        Source::Distance { .. } => Quantity::Distance,
        Source::Speed { .. } => Quantity::Speed,
        Source::Pulses { .. } => Quantity::Pulses,
    }
}

fn is_name(field: &str) -> bool {
    field == STAMP || Name::find(field).is_some()
}

/// The columns, if this line names any.
fn header(text: &str, source: Source) -> Option<Result<Layout, Fault>> {
    let came = || shown(text.as_bytes());
    if text.split(',').any(|field| is_name(field.trim())) {
        return Some(columns(text, source));
    }
    let plain = |field: &str| field.trim().trim_matches('"').to_ascii_lowercase();
    if text.split(',').any(|field| is_name(&plain(field))) {
        let evidence = format!("came {}, expected names in small letters and without quotes", came());
        return Some(Err((&cause::BAD_HEADER, evidence)));
    }
    if text.split([';', '\t', '|', ' ']).filter(|field| is_name(field.trim())).count() > 1 {
        return Some(Err((&cause::SEPARATOR, format!("came {}, expected commas", came()))));
    }
    None
}

/// The columns a header names.
fn columns(text: &str, source: Source) -> Result<Layout, Fault> {
    let came = || shown(text.as_bytes());
    let mut layout = Layout::default();
    let mut stamp = None;
    for (index, field) in text.split(',').map(str::trim).enumerate() {
        layout.columns += 1;
        let place = if field == STAMP {
            &mut stamp
        } else if let Some(name) = Name::find(field) {
            &mut layout.values[name as usize]
        } else {
            continue;
        };
        if place.replace(index).is_some() {
            return Err((&cause::BAD_HEADER, format!("came {}, expected {field} only once", came())));
        }
    }
    let missing = |name: &str| (&cause::BAD_HEADER, format!("came {}, expected {name} too", came()));
    layout.stamp = stamp.ok_or_else(|| missing(STAMP))?;
    let lacks: Vec<Name> = needed(source).iter().copied().filter(|name| !layout.has(*name)).collect();
    if lacks.is_empty() {
        return Ok(layout);
    }
    let found: Vec<Name> =
        Name::ALL.into_iter().filter(|name| layout.has(*name) && !name.is_housekeeping()).collect();
    let part = found.iter().any(|name| super::names::belongs(source, *name));
    if part || found.is_empty() {
        Err(missing(&listed(&lacks)))
    } else {
        Err((&cause::OTHER_SOURCE, other_source(&found, source)))
    }
}

/// A sample; there are as many fields as the header has columns.
fn sample(fields: Fields<'_>, layout: Layout, source: Source) -> Result<Sample, Fault> {
    // The header was refused if it lacked a column that the source needs.
    let value = |name: Name| layout.values[name as usize].map_or("", |at| fields.at(at));
    let number = |name: Name| number(name, value(name));
    let stamp = Stamp::CountUs(stamp(fields.at(layout.stamp))?);
    let reading = match source {
        Source::Field { .. } => Reading::Field([
            number(Name::Bx)?,
            number(Name::By)?,
            if layout.has(Name::Bz) { number(Name::Bz)? } else { 0.0 },
        ]),
        Source::Angle { .. } => Reading::AngleRad(number(Name::AngleRad)?),
        Source::Distance { .. } => Reading::DistanceM(number(Name::DistanceM)?),
        Source::Speed { .. } => Reading::SpeedMS(number(Name::SpeedMS)?),
        Source::Pulses { .. } => Reading::Pulses(pulses(value(Name::Pulses))?),
    };
    Ok(Sample { stamp, reading })
}

fn stamp(value: &str) -> Result<u32, Fault> {
    if let Ok(stamp) = value.parse() {
        return Ok(stamp);
    }
    let digits = value.trim_start_matches(['+', '-']);
    let came = shown(value.as_bytes());
    Err(if !digits.is_empty() && digits.bytes().all(|byte| byte.is_ascii_digit()) {
        (&cause::LINE_STAMP, format!("t_us is {came}, expected 0 to {}", u32::MAX))
    } else {
        (&cause::LINE_NUMBER, format!("t_us is {came}, expected whole microseconds"))
    })
}

fn pulses(value: &str) -> Result<i64, Fault> {
    value.parse().map_err(|_| {
        (&cause::LINE_PULSES, format!("pulses is {}, expected a whole number", shown(value.as_bytes())))
    })
}

fn number(name: Name, value: &str) -> Result<f64, Fault> {
    if let Some(number) = Decimal::read(value.as_bytes()) {
        return Ok(number.value());
    }
    let came = || format!("{} is {}", name.text(), shown(value.as_bytes()));
    match value.parse::<f64>() {
        Ok(number) if number.is_finite() => Ok(number),
        Ok(_) => Err((&cause::LINE_NOT_FINITE, format!("{}, expected a finite number", came()))),
        Err(_) => Err((&cause::LINE_NUMBER, format!("{}, expected a number", came()))),
    }
}

#[cfg(test)]
#[path = "csv_tests.rs"]
mod tests;
