//! What columns of CSV and records of `SenML` are called, in which unit they come, and which of them a source needs.
use super::Source;

/// A value that a stream may carry.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Name {
    Bx,
    By,
    Bz,
    AngleRad,
    DistanceM,
    SpeedMS,
    Pulses,
    BatteryV,
    TemperatureC,
}

impl Name {
    /// Every name, in the order of their numbers.
    pub(super) const ALL: [Self; 9] = [
        Self::Bx,
        Self::By,
        Self::Bz,
        Self::AngleRad,
        Self::DistanceM,
        Self::SpeedMS,
        Self::Pulses,
        Self::BatteryV,
        Self::TemperatureC,
    ];

    /// Column of CSV, last part of the name in `SenML`.
    pub(super) fn text(self) -> &'static str {
        match self {
            Self::Bx => "bx",
            Self::By => "by",
            Self::Bz => "bz",
            Self::AngleRad => "angle_rad",
            Self::DistanceM => "distance_m",
            Self::SpeedMS => "speed_m_s",
            Self::Pulses => "pulses",
            Self::BatteryV => "battery_v",
            Self::TemperatureC => "temperature_c",
        }
    }

    /// Unit in `SenML`, as its register of units writes it (RFC 8428 section 12.1).
    pub(super) fn unit(self) -> &'static str {
        match self {
            Self::Bx | Self::By | Self::Bz => "T",
            Self::AngleRad => "rad",
            Self::DistanceM => "m",
            Self::SpeedMS => "m/s",
            Self::Pulses => "count",
            Self::BatteryV => "V",
            Self::TemperatureC => "Cel",
        }
    }

    /// The name that is written so.
    pub(super) fn find(text: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|name| name.text() == text)
    }

    /// What the sensor tells of itself, not of the axle.
    pub(super) fn is_housekeeping(self) -> bool {
        matches!(self, Self::BatteryV | Self::TemperatureC)
    }
}

/// What a sample must hold for this source.
pub(super) fn needed(source: Source) -> &'static [Name] {
    match source {
        Source::Field { .. } => &[Name::Bx, Name::By],
        Source::Angle { .. } => &[Name::AngleRad],
        Source::Distance { .. } => &[Name::DistanceM],
        Source::Speed { .. } => &[Name::SpeedMS],
        Source::Pulses { .. } => &[Name::Pulses],
    }
}

/// Whether a sample of this source may hold it.
pub(super) fn belongs(source: Source, name: Name) -> bool {
    needed(source).contains(&name) || (name == Name::Bz && matches!(source, Source::Field { .. }))
}

/// The stream carries `found`, the bench file names another source: evidence.
pub(super) fn other_source(found: &[Name], source: Source) -> String {
    format!(
        "the stream carries {}, the source in the bench file needs {}",
        listed(found),
        listed(needed(source))
    )
}

/// Names as a person lists them.
pub(super) fn listed(names: &[Name]) -> String {
    let texts: Vec<&str> = names.iter().map(|name| name.text()).collect();
    match texts.split_last() {
        Some((last, [])) => (*last).to_owned(),
        Some((last, before)) => format!("{} and {last}", before.join(", ")),
        None => "nothing".to_owned(),
    }
}
