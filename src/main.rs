//! The `pacewright` binary.
fn main() {}
