//! The bench file: one TOML file, read as a spanned tree first, then checked into types, so that all errors show
//! together. Pure: text in, a [`BenchSpec`] or a list of complaints out.
pub mod spec;

pub use spec::*;
