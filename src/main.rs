//! The `slackwater` command; everything is in the library.

use std::process::ExitCode;

fn main() -> ExitCode {
    slackwater::cli::main()
}
