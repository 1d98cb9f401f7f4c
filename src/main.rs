//! The `pacewright` binary: all it does stands in the library's `cli`.
use std::process::ExitCode;

fn main() -> ExitCode {
    pacewright::cli::main()
}
