//! The first line of a journal: which run this is and all that replay and a later start need to know.
use crate::config::ProfileText;
use crate::dcc::Address;
use crate::run::Purpose;
use serde::{Deserialize, Serialize};

/// What the shell tells about a run when it begins.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Header {
    /// Id of the run.
    pub run_id: String,
    /// Version of the program.
    pub program_version: String,
    /// [`crate::run::CORE_REVISION`] of the program: replay is bit for bit within one revision.
    pub core_revision: u32,
    /// Name of the bench file, for messages.
    pub bench_file_name: String,
    /// Its whole text: replay and resume use this and never the file.
    pub bench_text: String,
    /// Originals an earlier run left to be put back, as handed to the core.
    pub pending: Vec<(u16, u8)>,
    /// CV values from the list that the bench file names, as handed to the core: replay never reads that file.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub kept: Vec<(u16, u8)>,
    /// The profile of the decoder that the bench file names, whole: replay never reads that file.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub profile: Option<ProfileText>,
    /// What the run was for.
    #[serde(default, skip_serializing_if = "Purpose::is_calibrate")]
    pub purpose: Purpose,
    /// Seconds of the sensor's charge used before, as handed to the core.
    #[serde(default, skip_serializing_if = "is_zero")]
    pub sensor_used_s: u64,
    /// Bench seconds a wall second; 1 on a real bench.
    pub time_lapse: f64,
    /// Wall time at the start, RFC 3339. Annotation: nothing is decided by it.
    pub started_wall: String,
    /// Station endpoint and bus, as one text.
    pub endpoint_key: String,
    /// Address of the engine.
    pub engine_address: Address,
    /// Its name.
    pub engine_name: String,
}

#[expect(clippy::trivially_copy_pass_by_ref, reason = "serde hands it so")]
fn is_zero(seconds: &u64) -> bool {
    *seconds == 0
}

/// The header with its place in the order of runs.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Opening {
    /// One more than the highest in the record folder when the run began. This, not wall time, says which of two
    /// runs is newer: small computers start with a wrong clock.
    pub ordinal: u64,
    /// The rest.
    pub run: Header,
}
