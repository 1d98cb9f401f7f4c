//! What was proved on a bench: that a killed program's engine is stopped, that a pulled link stops it, and that a run ended well
//! with somebody beside it. Without all three no run begins unattended. One file in the record folder, a line of it a bench.
use super::clock::time_of_day;
use super::start::{NotBegun, endpoint_key};
use crate::cause::{Reason, program};
use crate::config::{BenchSpec, LeadingEnd, LinkSpec, PathKind, ProgrammingPlace};
use crate::journal::{Disk, DiskError, RealDisk};
use crate::run::{End, RunOutcome, StopGrade};
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;
use std::path::Path;

/// Name of the file in the record folder.
pub const PROOFS: &str = "proved.json";

/// What can be proved.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Proof {
    /// The program was killed while the engine ran: it was stopped and seen to stand.
    ProgramKilled,
    /// The sensor's link was pulled while the engine ran: it was stopped and seen to stand.
    LinkPulled,
    /// A run ended in order with somebody beside it.
    AttendedRun,
}

impl Proof {
    /// Everything that an unattended run needs.
    pub const ALL: [Self; 3] = [Self::ProgramKilled, Self::LinkPulled, Self::AttendedRun];

    /// What is missing without it, and what gives it.
    #[must_use]
    pub const fn missing(self) -> &'static str {
        match self {
            Self::ProgramKilled => "a stop test with the program killed (stop-test)",
            Self::LinkPulled => "a stop test with the sensor's link pulled (stop-test)",
            Self::AttendedRun => "a run that ended in order with you beside it (run, without --unattended)",
        }
    }
}

/// When something was proved, and how it went.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Proved {
    /// By the computer's clock, RFC 3339.
    pub when: String,
    /// The program that did it.
    pub program_version: String,
    /// One sentence.
    pub how: String,
}

/// The file: what was proved on each bench.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Proofs {
    /// By bench: station with its bus, and sensor.
    benches: BTreeMap<String, BTreeMap<Proof, Proved>>,
}

impl Proofs {
    /// What stands in this record folder; nothing where there is no file or it cannot be read: then it is proved anew.
    #[must_use]
    pub fn read(disk: &dyn Disk, records: &Path) -> Self {
        let bytes = disk.read(&records.join(PROOFS)).unwrap_or_default();
        serde_json::from_slice(&bytes).unwrap_or_default()
    }

    /// What this bench has not proved yet.
    #[must_use]
    pub fn missing(&self, spec: &BenchSpec) -> Vec<Proof> {
        let own = self.benches.get(&bench_key(spec));
        Proof::ALL.into_iter().filter(|proof| !own.is_some_and(|own| own.contains_key(proof))).collect()
    }

    /// Adds one and writes the file.
    ///
    /// # Errors
    /// The disk's.
    pub fn add(
        disk: &mut dyn Disk,
        records: &Path,
        spec: &BenchSpec,
        proof: Proof,
        how: String,
    ) -> Result<(), DiskError> {
        let mut proofs = Self::read(disk, records);
        let when =
            jiff::Timestamp::try_from(time_of_day()).unwrap_or(jiff::Timestamp::UNIX_EPOCH).to_string();
        let program_version = env!("CARGO_PKG_VERSION").to_owned();
        let proved = Proved { when, program_version, how };
        proofs.benches.entry(bench_key(spec)).or_default().insert(proof, proved);
        disk.create_folder(records)?;
        // Text keys and plain values: this always has a JSON form.
        let text = serde_json::to_string_pretty(&proofs).unwrap_or_default() + "\n";
        disk.write_whole(&records.join(PROOFS), text.as_bytes())
    }
}

/// A bench is its station and its sensor: with another of either the proof is another.
fn bench_key(spec: &BenchSpec) -> String {
    let sensor = match &spec.sensor.link {
        LinkSpec::Tcp { address } => address,
        LinkSpec::Serial { device, .. } => device,
    };
    format!("{}, sensor {sensor}", endpoint_key(spec))
}

/// A good end with somebody beside it is kept for later runs that nobody stays with.
pub(super) fn prove(records: Option<&Path>, spec: &BenchSpec, outcome: &RunOutcome, folder: &Path) {
    if let Some(records) = records
        && proves(outcome)
    {
        // Without the file a later run unattended is refused, and says why.
        let how = format!("ended in order: {}", folder.display());
        let _ = Proofs::add(&mut RealDisk, records, spec, Proof::AttendedRun, how);
    }
}

/// A run that drove the engine for long and ended as it should.
fn proves(outcome: &RunOutcome) -> bool {
    let whole = matches!(
        outcome.outcome,
        End::Calibrated | End::Rejected | End::Measured | End::Checked | End::RanIn
    );
    whole && outcome.stop == StopGrade::Still
}

/// Nobody stays with the run: this bench must have proved that it stops, and nothing may be asked of anybody.
pub(super) fn may_be_alone(records: &Path, spec: &BenchSpec) -> Result<(), NotBegun> {
    let wants = [
        (spec.programming.place == ProgrammingPlace::MovedByHand, "place = \"moved_by_hand\""),
        (spec.sweep.placings > 1, "placings"),
        (spec.engine.leading_end == LeadingEnd::Ask, "leading_end = \"ask\""),
        (matches!(spec.path, PathKind::Straight { .. }), "a straight, whose mark the engine is put on"),
    ];
    let wants: Vec<&str> = wants.into_iter().filter_map(|(wants, what)| wants.then_some(what)).collect();
    if !wants.is_empty() {
        return Err(NotBegun::Other(Reason::new(&program::NEEDS_A_PERSON, wants.join(", "))));
    }
    let missing: Vec<&str> =
        Proofs::read(&RealDisk, records).missing(spec).into_iter().map(Proof::missing).collect();
    if missing.is_empty() {
        return Ok(());
    }
    Err(NotBegun::Other(Reason::new(&program::NOT_PROVED, format!("missing: {}", missing.join("; ")))))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::config;
    use crate::journal::VirtualDisk;

    #[test]
    fn each_bench_proves_for_itself_and_keeps_what_it_proved() {
        let spec = config::read("avocet.toml", include_str!("../../scenarios/avocet.toml")).unwrap();
        let mut other = spec.clone();
        other.sensor.link = LinkSpec::tcp("127.0.0.1:4999");
        let mut disk = VirtualDisk::new();
        let records = Path::new("/runs");
        assert_eq!(Proofs::read(&disk, records).missing(&spec), Proof::ALL);
        for proof in Proof::ALL {
            Proofs::add(&mut disk, records, &spec, proof, "well".to_owned()).unwrap();
            assert!(!Proofs::read(&disk, records).missing(&spec).contains(&proof));
            assert_eq!(Proofs::read(&disk, records).missing(&other), Proof::ALL, "another sensor");
        }
        assert!(Proofs::read(&disk, records).missing(&spec).is_empty());
        disk.write_whole(&records.join(PROOFS), b"{ no json").unwrap();
        assert_eq!(
            Proofs::read(&disk, records).missing(&spec),
            Proof::ALL,
            "what cannot be read proves nothing"
        );
    }
}
