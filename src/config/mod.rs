//! The bench file: one TOML file, read as a spanned tree first, then checked into types, so that all errors show
//! together. Pure: text in, a [`BenchSpec`] or a list of complaints out. Knows no file system and no link.
//!
//! One table of keys (`keys`) drives reading, hints, [`template()`] and [`schema()`]. Profiles of decoders are read the same
//! way, by a table of their own ([`read_profile()`]).
mod check;
mod complaint;
pub mod cv_list;
mod encoding;
mod key;
mod keys;
mod kind;
mod near;
mod profile;
mod quantity;
mod reading;
mod rolled;
mod schema;
pub mod spec;
mod structure;
mod syntax;
mod template;

pub use complaint::{Complaint, Complaints};
pub use encoding::text;
pub use profile::{After, CvRule, DecoderProfile, LinearBy, ProfileText, read as read_profile};
pub use rolled::{Rolled, RolledWords, rolled};
pub use schema::schema;
pub use spec::*;
pub use template::template;

use reading::Reading;

/// Reads a bench file. `file_name` serves messages only.
///
/// # Errors
/// Everything that is wrong with the file, all together; a text that is no TOML gives the first such place alone.
pub fn read(file_name: &str, text: &str) -> Result<BenchSpec, Complaints> {
    let tree = match toml::de::DeTable::parse(text) {
        Ok(tree) => tree,
        Err(error) => {
            return Err(Complaints::new(
                file_name,
                text,
                vec![syntax::complaint(keys::SECTIONS, text, &error)],
            ));
        }
    };
    let mut reading = Reading::new(keys::SECTIONS, text, tree.get_ref());
    structure::check(&mut reading);
    let spec = check::bench(&mut reading);
    match spec {
        Some(spec) if reading.complaints.is_empty() => Ok(spec),
        _ => Err(Complaints::new(file_name, text, reading.complaints)),
    }
}

#[cfg(test)]
mod tests;
