//! The list of CVs that a bench file names: from the disk to the values.
use super::start::NotBegun;
use crate::cause::{Reason, cv_list as cause};
use crate::config::{self, BenchSpec, cv_list};
use std::path::Path;

/// The values of the list that this bench file names; none where it names none. A relative name is meant from where the
/// bench file lies.
///
/// # Errors
/// The list cannot be read from the disk, or is wrong.
pub(super) fn read(bench_file: &Path, spec: &BenchSpec) -> Result<Vec<(u16, u8)>, NotBegun> {
    let Some(named) = &spec.programming.originals else { return Ok(Vec::new()) };
    let path = bench_file.parent().unwrap_or(Path::new("")).join(named);
    let name = path.display().to_string();
    let bytes = std::fs::read(&path)
        .map_err(|error| NotBegun::Other(Reason::new(&cause::UNREADABLE, format!("{name}: {error}"))))?;
    config::text(&name, bytes).and_then(|text| cv_list::read(&name, &text)).map_err(NotBegun::BenchFile)
}
