//! The `bothends` program: arguments in, `bothends::cli` does the work.

use std::process::ExitCode;

fn main() -> ExitCode {
    bothends::cli::main()
}
