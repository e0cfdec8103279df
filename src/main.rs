//! The program: read the arguments, run, exit code.

use std::process::ExitCode;

fn main() -> ExitCode {
    shankline::cli::main()
}
